"""What changes from moment to moment: the cue, the order, the stage, the pictures, the signal."""

from __future__ import annotations

from typing import Any

from holdstill.phrases.cues import cue_detail, order_words, trouble_short
from holdstill.records import Advice, CameraState, Order, Snapshot, Step, Tone

from .charts import focus_path, needle_deg
from .move import move_drawing
from .panels import step_panel
from .setting import setting_reads, setting_stage
from .words import Words, unbroken

Context = dict[str, Any]
_BIG_ORDERS = frozenset({Order.HOLD_STILL, Order.KEPT, Order.PAUSED})
_SETTING = frozenset({Step.RIG, Step.FOCUS, Step.LIGHT})
_QUIET_ORDERS = _BIG_ORDERS | {Order.DONE}
_OWN = frozenset({"move", "trouble", "rig", "focus", "light"})
"""Panels that need nothing of what is known of the solution."""


def kind_of(advice: Advice) -> str:
    """The state that the cue's panel shows: it has a colour, a shape and a word for each."""
    if advice.trouble is not None or (advice.order is Order.DONE and advice.tone is Tone.TROUBLE):
        return "trouble"
    return {
        Order.HOLD_STILL: "still",
        Order.KEPT: "kept",
        Order.PAUSED: "paused",
        Order.DONE: "done",
    }.get(advice.order, "asking")


def show_cue(snapshot: Snapshot, words: Words) -> Context:
    """The big sentence, its quieter line, and the state they are in."""
    advice = snapshot.advice
    headline = words.say(advice.headline)
    order = words.say(order_words(advice.order))
    detail = ""
    if advice.trouble is not None:
        big, detail = headline, words.say(advice.remedy)
    elif advice.order in _BIG_ORDERS:
        big = order
        if advice.order is Order.KEPT:
            proofs = sum(row.state == "proof" for row in snapshot.views)
            proving = advice.cue is not None and advice.cue.proof
            key = "panel.so-far.proof" if proving else "panel.so-far"
            detail = words.key(key, kept=proofs if proving else snapshot.kept_count)
        elif advice.remedy is not None:
            detail = words.say(advice.remedy)
        elif advice.order is Order.HOLD_STILL:
            detail = words.key("cue.still.detail")
    else:
        big = headline
        if advice.remedy is not None:
            detail = words.say(advice.remedy)
        elif advice.cue is not None and advice.guide is not None:
            detail = words.say(cue_detail(advice.cue.instruction, advice.guide.part))
    return {
        "kind": kind_of(advice),
        "big": unbroken(big),
        "detail": unbroken(detail),
        "step": words.key(f"step.{snapshot.step.value}"),
        "number": advice.cue.number if advice.cue else None,
        "proof": advice.cue is not None and advice.cue.proof,
    }


def show_order(snapshot: Snapshot, words: Words) -> Context:
    """The short order and the line that tells how near the plate is."""
    advice = snapshot.advice
    shown = (
        advice.trouble is None
        and advice.cue is not None
        and advice.order not in _QUIET_ORDERS
        and advice.remedy is None
    )
    text = words.say(order_words(advice.order))
    return {
        "shown": shown and text != words.say(advice.headline),
        "order": advice.order.value,
        "text": text,
        "nearness": min(1.0, max(0.0, advice.nearness)),
        "has_line": advice.cue is not None and advice.guide is not None and advice.trouble is None,
    }


def show_signal(snapshot: Snapshot, words: Words) -> Context:
    """What the page sounds and speaks."""
    advice = snapshot.advice
    cue = show_cue(snapshot, words)
    spoken = f"{cue['big']}. {cue['detail']}" if advice.trouble or advice.cue is None else cue["big"]
    return {
        "tone": advice.tone.value,
        "nearness": f"{min(1.0, max(0.0, advice.nearness)):.2f}",
        "cue": advice.cue.number if advice.cue else "",
        "kind": cue["kind"],
        "spoken": spoken,
        "order": words.say(order_words(advice.order)),
        "paused": snapshot.paused,
        "step": snapshot.step.value,
        "kept": snapshot.kept_count,
    }


def panel_of(snapshot: Snapshot) -> str:
    """What the stage shows: gauges, a trouble's picture, the drawing of the move, or the step's own
    panel."""
    advice = snapshot.advice
    if snapshot.step in _SETTING:
        return snapshot.step.value
    if advice.trouble is not None:
        return "trouble"
    if advice.cue is not None:
        return "move"
    return (
        "poses"
        if snapshot.step is Step.POSES and advice.order is not Order.DONE
        else f"{snapshot.step.value}"
    )


def show_stage(snapshot: Snapshot, words: Words) -> Context:
    """The drawing, the gauges, or the step's own panel."""
    advice = snapshot.advice
    panel = panel_of(snapshot)
    drawing = move_drawing(
        advice, faces_cameras=snapshot.operator_faces_cameras, cameras=len(snapshot.cameras)
    )
    return {
        "panel": panel,
        "trouble": advice.trouble.value if advice.trouble else "",
        "trouble_side": _trouble_side(advice, words),
        "trouble_first": len(snapshot.cameras) > 1 and advice.trouble_camera == snapshot.cameras[0].name,
        "kind": kind_of(advice),
        "move": drawing if panel == "move" else None,
        "move_words": words.key(
            "drawing.faces" if snapshot.operator_faces_cameras else "drawing.behind",
            move=words.say(advice.headline),
        ),
        **(setting_stage(snapshot, words) if panel in ("rig", "focus", "light") else {}),
        "known": step_panel(snapshot, words) if panel not in _OWN else {},
        "safety": [words.key(f"safety.{name}") for name in _SAFETY.get(snapshot.step, ())],
    }


def _trouble_side(advice: Advice, words: Words) -> str:
    """Where a trouble sits from the operator's side: "left", "right", "top", "bottom", or ""."""
    if advice.remedy is None:
        return ""
    place = advice.remedy.values.get("place") or advice.remedy.values.get("side")
    if ".tip." in advice.remedy.key and place is None:
        return "top" if ".tip.top." in advice.remedy.key else "bottom"
    if not isinstance(place, str):
        return ""
    named = words.side(place).replace("upper", "top").replace("lower", "bottom")
    return next((side for side in ("left", "right", "top", "bottom") if side in named), "")


_SAFETY = {
    Step.RIG: ("cables", "rules"),
    Step.LIGHT: ("lamps", "strobe"),
    Step.POSES: ("machine", "stop"),
    Step.RECHECK: ("machine",),
}
"""Safety sentences at the step where the hazard is met."""


def stage_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the stage depends on."""
    advice = snapshot.advice
    guide = advice.guide
    panel = panel_of(snapshot)
    live = setting_reads(snapshot) if snapshot.step in _SETTING else len(snapshot.cameras)
    known: tuple[object, ...] = ()
    if panel not in _OWN:
        known = (
            snapshot.verdict, snapshot.quantities, snapshot.proof, snapshot.files, snapshot.drift,
            snapshot.scene, snapshot.second,
            snapshot.rig, snapshot.plate_words, snapshot.rms_px, snapshot.solving, snapshot.kept_count,
        )  # fmt: skip
    return (
        panel, snapshot.step, advice.trouble, advice.trouble_camera, advice.remedy, kind_of(advice),
        advice.cue, advice.headline, live, known, snapshot.operator_faces_cameras,
        guide.part if guide else None, guide.direction if guide else None,
    )  # fmt: skip


def _sees(camera: CameraState) -> str:
    """How much of the plate a camera sees: "all", "part" or "none"."""
    if camera.wanted and camera.found >= camera.wanted:
        return "all"
    return "part" if camera.found else "none"


def camera_view(camera: CameraState, words: Words) -> Context:
    """What is shown of one camera, in Focus, Light and under its picture."""
    measures = camera.measures
    best = camera.sharpness_best
    now = measures.sharpness if measures else None
    share = now / best if now is not None and best else None
    rows, columns = measures.region_grid if measures else (0, 0)
    regions = measures.sharpness_regions if measures else ()
    most = max(regions, default=0.0)
    cells = (
        [(i % columns, i // columns, value / most if most > 0 else 0.0) for i, value in enumerate(regions)]
        if columns
        else []
    )
    return {
        "name": camera.name,
        "found": camera.found,
        "wanted": camera.wanted,
        "sees": _sees(camera),
        "measures": measures,
        "share": share,
        "needle_deg": needle_deg(share or 0.0),
        "best": best,
        "path": focus_path(camera.sharpness_path, best),
        "cells": cells,
        "rows": rows,
        "columns": columns,
        "focus": words.say(camera.focus_say),
        "light": words.say(camera.light_say),
        "glare": len(measures.glare) if measures else 0,
    }  # fmt: skip


def show_eyes(snapshot: Snapshot, words: Words) -> Context:
    """What stands under the live pictures."""
    advice = snapshot.advice
    return {
        "cameras": [camera_view(camera, words) for camera in snapshot.cameras],
        "marks": {name: words.side(place.value) for name, place in advice.marks.items()},
        "trouble_camera": advice.trouble_camera if advice.trouble else None,
        "trouble": words.say(trouble_short(advice.trouble)) if advice.trouble else "",
    }
