"""A shot at full size: what its page says, and what is drawn over its pictures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from holdstill.records import FloatArray, Sheet, SheetPicture

from .words import Words

Context = dict[str, Any]
LAYERS = ("dots", "residuals", "glare", "saturated")


def show_sheet(sheet: Sheet, words: Words) -> Context:
    """What the page around the pictures says."""
    gain = sheet.numbers.get("gain")
    return {
        "place": sheet.place,
        "places": sheet.places,
        "view_id": sheet.view_id,
        "shot_name": sheet.name,
        "state": sheet.state,
        "state_words": words.key(f"view.{sheet.state}"),
        "forced": sheet.forced,
        "reasons": [words.say(r) for r in sheet.reasons],
        "clock": words.day(sheet.at_ms),
        "before": sheet.place - 1 if sheet.place > 1 else None,
        "after": sheet.place + 1 if sheet.place < sheet.places else None,
        "gain": words.key("sheet.gain", percent=100.0 * gain) if gain is not None else "",
        "layers": LAYERS,
        "pictures": [
            {
                "camera": p.camera,
                "has": p.digest is not None,
                "rms": words.key("sheet.rms", rms_px=p.rms_px) if p.rms_px is not None else "",
                "told": [words.say(t) for t in p.told],
            }
            for p in sheet.pictures
        ],
        "acts": acts(sheet),
    }  # fmt: skip


def acts(sheet: Sheet) -> tuple[str, ...]:
    """Taps that change what becomes of the shot."""
    if sheet.view_id is None:
        return ()
    if sheet.state in ("set aside", "dropped"):
        return ("bring-back",) if sheet.state == "dropped" else ("drop", "bring-back")
    return ("drop", "set-aside")


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """What the page's script draws: dots, residuals, patches, and how the pictures belong together."""
    return {
        "place": sheet.place,
        "state": sheet.state,
        "forced": sheet.forced,
        "enlarge": enlargement(sheet),
        "pictures": [_picture(p) for p in sheet.pictures],
    }


def enlargement(sheet: Sheet) -> int:
    """How many times residuals are drawn larger than they are, a round number: the median one a
    fortieth of the picture's width."""
    sizes = [
        np.hypot(p.residuals_px[:, 0], p.residuals_px[:, 1])
        for p in sheet.pictures
        if p.residuals_px is not None and len(p.residuals_px)
    ]
    widths = [p.size_px[0] for p in sheet.pictures if p.size_px[0]]
    if not sizes or not widths:
        return 1
    middle = float(np.median(np.concatenate(sizes)))
    wanted = max(widths) / 40.0 / max(middle, 1e-6)
    power = 10.0 ** math.floor(math.log10(max(wanted, 1.0)))
    return int(max(m * power for m in (1, 2, 5) if m * power <= max(wanted, 1.0)))


def _picture(p: SheetPicture) -> dict[str, Any]:
    return {
        "camera": p.camera,
        "picture": None if p.digest is None else f"/picture/{p.digest}",
        "saturated": None
        if p.digest is None or p.clip_level is None
        else f"/view-saturated/{p.digest}?level={p.clip_level:.6g}",
        "size": list(p.size_px),
        "dot_px": p.dot_px,
        "points": _rows(p.points_px, 3),
        "residuals": None if p.residuals_px is None else _rows(p.residuals_px, 5),
        "aside": [i for i, why in enumerate(p.aside) if why],
        "glare": [[round(g.x_px, 1), round(g.y_px, 1), round(g.radius_px, 1)] for g in p.glare],
        "hidden": [[round(h.x_px, 1), round(h.y_px, 1), h.cause, len(h.point_ids)] for h in p.hidden],
        "to_here": None if p.to_here is None else [float(v) for v in np.ravel(p.to_here)],
    }


def _rows(values: FloatArray, digits: int) -> list[list[float | None]]:
    return [[round(float(v), digits) if math.isfinite(v) else None for v in row] for row in values]


__all__ = ["LAYERS", "acts", "enlargement", "sheet_json", "show_sheet"]
