"""``holdstill gauge``: the measures of any pictures, and which one of a series is sharpest."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from holdstill.errors import BadFrame, BadInput
from holdstill.phrases import say
from holdstill.records import FrameMeasures, Nothing, Plate, Say

HELP = "measure pictures: sharpness, exposure, glare"
DESCRIPTION = "Print the measures of pictures, and which one of a series is sharpest."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument(
        "files", metavar="FILE", nargs="+", help="pictures (or a folder), in the series' order"
    )
    p.add_argument("--target", metavar="SPEC", help='the target in them, e.g. "dots 14x10 12mm"')
    p.add_argument("--full-scale", type=int, metavar="N", help="largest value of the camera (e.g. 4095)")
    p.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Print the measures; 0 when every picture could be read, else 2. Raises BadInput."""
    from holdstill.measure.series import Sharpest, sharpest
    from holdstill.target import parse

    plate = parse(args.target) if args.target else None
    paths = _pictures(args.files)
    entries: list[dict[str, Any]] = []
    series, places = [], []
    for name, path in paths:
        entry, frame = _one(name, path, plate, args.full_scale)
        entries.append(entry)
        if frame is not None:
            series.append(frame)
            places.append(len(entries) - 1)
    outcome = sharpest(series)
    told = _told(outcome, entries, places)
    result = {"files": entries, "sharpest": told}
    if isinstance(outcome, Sharpest):
        for place, share in zip(places, outcome.curve, strict=True):
            entries[place]["sharpness_share"] = share
    if args.json:
        print(json.dumps(result, indent=2, allow_nan=False))
    else:
        _print_table(entries)
        _print_sharpest(outcome, told, len(series))
    refused = [entry["error"] for entry in entries if "error" in entry]
    for message in refused:
        print(f"holdstill: {message}", file=sys.stderr)
    return 2 if refused else 0


def _pictures(names: Sequence[str]) -> list[tuple[str, Path]]:
    """Names as given with their paths; a folder stands for its pictures, numbers in order."""
    from holdstill.intake.formats import SUFFIXES

    found: list[tuple[str, Path]] = []
    for name in names:
        path = Path(name)
        if path.is_dir():
            inside = sorted((p for p in path.iterdir() if p.suffix.lower() in SUFFIXES), key=_by_number)
            if not inside:
                words = {"folder": name, "endings": ", ".join(sorted(SUFFIXES))}
                raise BadInput(say(Say("gauge-no-pictures", words)))
            found += [(str(p), p) for p in inside]
        elif not path.exists():
            raise BadInput(say(Say("gauge-no-file", {"file": name})))
        else:
            found.append((name, path))
    return found


def _by_number(path: Path) -> list[tuple[int, int | str]]:
    return [(0, int(part)) if part.isdigit() else (1, part) for part in re.split(r"(\d+)", path.name)]


def _one(name: str, path: Path, plate: Plate | None, full_scale: int | None) -> tuple[dict[str, Any], Any]:
    """One picture's entry, and what the series needs of it (None when it can't be read)."""
    from holdstill.intake.decode import decode
    from holdstill.measure import frame_measures
    from holdstill.measure.series import series_frame
    from holdstill.records import FrameFile
    from holdstill.target import find

    try:
        frame = decode(FrameFile("camera", path, name, 0.0), full_scale=full_scale)
        seen = find(frame.image, plate, camera="camera", full_scale=frame.full_scale) if plate else None
        sighting = None if isinstance(seen, Nothing) else seen
        measures = frame_measures(
            frame.image, camera=name, full_scale=frame.full_scale, plate=plate, sighting=sighting
        )
        in_series = series_frame(frame.image, full_scale=frame.full_scale)
    except BadFrame as trouble:
        return {"file": name, "error": str(trouble)}, None
    height, width = frame.image.shape
    entry = {"file": name, "width_px": width, "height_px": height, "full_scale": frame.full_scale}
    entry |= _entry(measures)
    if plate is not None:
        entry["target_found"] = sighting is not None
        entry["target_reason"] = seen.why if isinstance(seen, Nothing) else None
        entry["points_found"] = 0 if sighting is None else len(sighting.point_ids)
    return entry, in_series


def _entry(m: FrameMeasures) -> dict[str, Any]:
    return {
        "sharpness": m.sharpness,
        "sharpness_sigma": m.sharpness_sigma,
        "edge_width_px": m.edge_width_px,
        "saturated_share": m.saturated_share,
        "saturated_in_dots": m.saturated_in_dots,
        "saturated_outside": m.saturated_outside,
        "dot_fill": m.dot_fill,
        "ground_fill": m.ground_fill,
        "glare_patches": [
            {
                "x_px": g.x_px, "y_px": g.y_px, "radius_px": g.radius_px, "plate_share": g.plate_share,
                "x_mm": g.x_mm, "y_mm": g.y_mm, "point_ids": list(g.point_ids),
            }
            for g in m.glare
        ],
        "evenness": m.evenness,
        "mean_level": m.mean_level,
        "clip_level": m.clip_level,
        "clip_seen": m.clip_seen,
        "noise_gray": m.noise_gray,
        "motion_blur_px": m.motion_blur_px,
        "motion_direction_deg": m.motion_direction_deg,
        "coverage": m.coverage,
        "sharpness_regions": {
            "rows": m.region_grid[0], "columns": m.region_grid[1], "values": list(m.sharpness_regions),
        },
    }  # fmt: skip


def _told(outcome: Any, entries: list[dict[str, Any]], places: list[int]) -> dict[str, Any]:
    """The series' part of the JSON. Frame numbers count every file given, from 0."""
    if isinstance(outcome, Nothing):
        if len(places) == 1:
            only = entries[places[0]]["file"]
            return {
                "file": only,
                "peak_frame": float(places[0]),
                "peak_sigma_frames": None,
                "reason": outcome.why,
            }
        return {"file": None, "peak_frame": None, "peak_sigma_frames": None, "reason": outcome.why}
    low = int(outcome.peak)
    high = min(low + 1, len(places) - 1)
    peak = places[low] + (outcome.peak - low) * (places[high] - places[low])
    return {
        "file": entries[places[outcome.index]]["file"],
        "peak_frame": float(peak),
        "peak_sigma_frames": outcome.sigma_frames,
        "at_end": outcome.at_end,
    }


def _print_table(entries: list[dict[str, Any]]) -> None:
    if all("error" in entry for entry in entries):
        return
    width = max(len(entry["file"]) for entry in entries)
    names = ("file", "sharpness", "edge", "share", "dots", "outside", "fill", "glare", "even")
    titles = {name: say(Say(f"gauge-column-{name}")) for name in names}
    print(say(Say("gauge-head", {**titles, "width": width})))
    none = say(Say("gauge-none"))

    def shown(value: float | None, form: str) -> str:
        return none if value is None else format(value, form)

    for entry in entries:
        if "error" in entry:
            continue
        percent = {
            key: None if entry[name] is None else 100 * entry[name]
            for key, name in (("dots", "saturated_in_dots"), ("outside", "saturated_outside"))
        }
        row: dict[str, float | int | str] = {
            "file": entry["file"],
            "width": width,
            "sharpness": format(entry["sharpness"], ".5f"),
            "edge": shown(entry["edge_width_px"], ".2f"),
            "share": format(100 * entry["saturated_share"], ".3f"),
            "dots": shown(percent["dots"], ".1f"),
            "outside": shown(percent["outside"], ".2f"),
            "fill": shown(entry["dot_fill"], ".2f"),
            "glare": str(len(entry["glare_patches"])),
            "even": shown(entry["evenness"], ".2f"),
        }
        print(say(Say("gauge-head", row)))
    for entry in entries:
        if entry.get("target_reason"):
            print(say(Say("gauge-no-plate", {"file": entry["file"], "why": entry["target_reason"]})))


def _print_sharpest(outcome: Any, told: dict[str, Any], count: int) -> None:
    if count < 2:
        return
    if isinstance(outcome, Nothing):
        unrelated = outcome.why in ("different scenes", "mixed sizes")
        print(say(Say("gauge-unrelated" if unrelated else "gauge-no-series", {"why": outcome.why})))
        return
    key = "gauge-sharpest-end" if outcome.at_end else "gauge-sharpest"
    print(
        say(
            Say(
                key,
                {
                    "file": told["file"],
                    "number": round(told["peak_frame"]) + 1,
                    "count": count,
                    "peak": told["peak_frame"],
                    "sigma": told["peak_sigma_frames"],
                },
            )
        )
    )
