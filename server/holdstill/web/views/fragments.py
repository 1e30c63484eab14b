"""Snapshot to what each fragment's template needs: pure, one function per fragment."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from holdstill.phrases.cues import cue_detail, order_words, trouble_short
from holdstill.records import Advice, CameraState, Order, Quantity, Snapshot, Step, ViewRow

from .charts import dial_mark, field_cells, focus_path, needle_deg, trace_drawing
from .move import move_drawing
from .panels import step_panel
from .words import Words, quantity_name

Context = dict[str, Any]
_BIG_ORDERS = frozenset({Order.HOLD_STILL, Order.KEPT, Order.PAUSED})
_GAUGED = frozenset({Step.FOCUS, Step.LIGHT})
_QUIET_ORDERS = _BIG_ORDERS | {Order.DONE}


@dataclass(frozen=True, slots=True)
class Fragment:
    """A piece of a page that travels by itself.

    name
        Its element's id, and its template ``fragments/<name>.html``.
    reads
        The parts of the snapshot it shows; it is drawn anew only when they change.
    context
        What its template needs.
    """

    name: str
    reads: Callable[[Snapshot], tuple[object, ...]]
    context: Callable[[Snapshot, Words], Context]


def kind_of(advice: Advice) -> str:
    """The state that the cue's panel shows: it has a colour, a shape and a word for each."""
    if advice.trouble is not None:
        return "trouble"
    return {
        Order.HOLD_STILL: "still",
        Order.KEPT: "kept",
        Order.PAUSED: "paused",
        Order.DONE: "done",
    }.get(advice.order, "asking")


def _cue(snapshot: Snapshot, words: Words) -> Context:
    advice = snapshot.advice
    headline = words.say(advice.headline)
    order = words.say(order_words(advice.order))
    detail = ""
    if advice.trouble is not None:
        big, detail = headline, words.say(advice.remedy)
    elif advice.order in _BIG_ORDERS:
        big = order
        if advice.order is Order.KEPT:
            detail = words.key("panel.so-far", kept=snapshot.kept_count)
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
        "big": big,
        "detail": detail,
        "step": words.key(f"step.{snapshot.step.value}"),
        "number": advice.cue.number if advice.cue else None,
        "proof": advice.cue is not None and advice.cue.proof,
    }


def _order(snapshot: Snapshot, words: Words) -> Context:
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
        "has_line": advice.cue is not None and advice.guide is not None,
    }


def _signal(snapshot: Snapshot, words: Words) -> Context:
    advice = snapshot.advice
    cue = _cue(snapshot, words)
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
    if snapshot.step in _GAUGED:
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


def _stage(snapshot: Snapshot, words: Words) -> Context:
    advice = snapshot.advice
    panel = panel_of(snapshot)
    drawing = move_drawing(
        advice, faces_cameras=snapshot.operator_faces_cameras, cameras=len(snapshot.cameras)
    )
    return {
        "panel": panel,
        "trouble": advice.trouble.value if advice.trouble else "",
        "kind": kind_of(advice),
        "move": drawing if panel == "move" else None,
        "move_words": words.key(
            "drawing.faces" if snapshot.operator_faces_cameras else "drawing.behind",
            move=words.say(advice.headline),
        ),
        "cameras": [camera_view(c, words) for c in snapshot.cameras if snapshot.step in _GAUGED],
        "known": step_panel(snapshot, words) if panel not in ("move", "trouble") else {},
        "safety": [words.key(f"safety.{name}") for name in _SAFETY.get(snapshot.step, ())],
    }


_SAFETY = {
    Step.RIG: ("cables", "rules"),
    Step.LIGHT: ("lamps", "strobe"),
    Step.POSES: ("machine", "stop"),
    Step.RECHECK: ("machine",),
}
"""Safety sentences at the step where the hazard is met."""


def _stage_reads(snapshot: Snapshot) -> tuple[object, ...]:
    advice = snapshot.advice
    guide = advice.guide
    panel = panel_of(snapshot)
    live = snapshot.cameras if snapshot.step in _GAUGED else len(snapshot.cameras)
    known: tuple[object, ...] = ()
    if panel not in ("move", "trouble", *_GAUGED):
        known = (
            snapshot.verdict, snapshot.quantities, snapshot.proof, snapshot.files, snapshot.drift,
            snapshot.rig, snapshot.plate_words, snapshot.rms_px, snapshot.solving, snapshot.kept_count,
        )  # fmt: skip
    return (
        panel, snapshot.step, advice.trouble, kind_of(advice), advice.cue, advice.headline, live, known,
        snapshot.operator_faces_cameras,
        guide.part if guide else None, guide.direction if guide else None,
    )  # fmt: skip


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
        "sees": "all" if camera.wanted and camera.found >= camera.wanted
        else "part" if camera.found else "none",
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


def _eyes(snapshot: Snapshot, words: Words) -> Context:
    advice = snapshot.advice
    return {
        "cameras": [camera_view(camera, words) for camera in snapshot.cameras],
        "marks": {name: words.side(place.value) for name, place in advice.marks.items()},
        "trouble_camera": advice.trouble_camera if advice.trouble else None,
        "trouble": words.say(trouble_short(advice.trouble)) if advice.trouble else "",
    }


def _rail(snapshot: Snapshot, words: Words) -> Context:
    order = list(Step)
    return {
        "session": snapshot.session_name,
        "now": words.key(f"step.{snapshot.step.value}"),
        "number": order.index(snapshot.step) + 1,
        "count": len(order),
        "steps": [
            {"value": s.step.value, "name": words.key(f"step.{s.step.value}"), "state": s.state}
            for s in snapshot.steps
        ],
    }


def _step_list(snapshot: Snapshot, words: Words) -> Context:
    return {
        "steps": [
            {
                "value": s.step.value,
                "name": words.key(f"step.{s.step.value}"),
                "state": s.state,
                "state_words": words.key(f"step.state.{s.state}"),
                "here": s.step is snapshot.step,
                "note": words.say(s.note) or words.key(f"step.{s.step.value}.what"),
            }
            for s in snapshot.steps
        ],
    }


def _covered(snapshot: Snapshot, words: Words) -> Context:
    coverage = snapshot.coverage
    faces = snapshot.operator_faces_cameras
    return {
        "tilts": [dial_mark(t, faces_cameras=faces) for t in coverage.tilts],
        "wished": dial_mark(coverage.wished_tilt, faces_cameras=faces) if coverage.wished_tilt else None,
        "cells": field_cells(coverage.field, coverage.wished_place, faces_cameras=faces),
        "missing": [words.say(m) for m in coverage.missing],
    }


def headline_quantity(snapshot: Snapshot) -> Quantity | None:
    """The quantity that the falling trace shows: the first."""
    return snapshot.quantities[0] if snapshot.quantities else None


def _progress(snapshot: Snapshot, words: Words) -> Context:
    quantity = headline_quantity(snapshot)
    return {
        "quantity": quantity,
        "name": quantity_name(quantity, words) if quantity else "",
        "trace": trace_drawing(snapshot.trace, quantity.goal, 12) if quantity else None,
        "kept": snapshot.kept_count,
        "customary": snapshot.customary_count,
        "solving": snapshot.solving,
    }


def view_row(row: ViewRow, words: Words) -> Context:
    """One line of the views' list."""
    reason = words.say(row.reason)
    if not reason and row.trouble is not None:
        reason = words.say(trouble_short(row.trouble))
    return {
        "id": row.view_id,
        "name": row.name,
        "state": row.state,
        "state_words": words.key(f"view.{row.state}"),
        "reason": reason,
        "camera": row.camera,
        "clock": words.clock(row.at_ms),
        "pictures": sorted(row.digests.items()),
        "rms": sorted(row.rms_px.items()),
        "gain": row.gain,
    }


def _views(snapshot: Snapshot, words: Words) -> Context:
    rows = [view_row(row, words) for row in reversed(snapshot.views)]
    return {
        "rows": rows,
        "kept": snapshot.kept_count,
        "not_kept": sum(1 for r in rows if r["state"] == "not kept"),
    }


def _verdict(snapshot: Snapshot, words: Words) -> Context:
    verdict = snapshot.verdict
    return {
        "state": verdict.state.value,
        "name": words.key(f"verdict.{verdict.state.value}"),
        "what": words.key(
            "verdict.withdrawn" if verdict.withdrawn else f"verdict.{verdict.state.value}.what"
        ),
        "withdrawn": verdict.withdrawn,
        "reasons": [words.say(reason) for reason in verdict.reasons],
        "remedy": words.say(verdict.remedy),
        "clock": words.clock(verdict.at_ms),
    }


def _numbers(snapshot: Snapshot, words: Words) -> Context:
    return {
        "quantities": [
            {"quantity": q, "name": quantity_name(q, words), "met": q.value <= q.goal}
            for q in snapshot.quantities
        ],
        "rms_px": snapshot.rms_px,
        "cameras": snapshot.camera_estimates,
        "pairs": snapshot.pair_estimates,
        "checks": [
            {
                "check": c,
                "name": words.key(f"check.{c.name}") if words.has(f"check.{c.name}") else c.name,
                "remedy": words.key(c.remedy) if c.remedy and words.has(c.remedy) else c.remedy,
            }
            for c in snapshot.checks
        ],
        "shape": snapshot.plate_shape,
        "lens_reason": snapshot.lens_reason,
        "proof": snapshot.proof,
        "solving": snapshot.solving,
    }


def _files(snapshot: Snapshot, words: Words) -> Context:
    return {
        "files": [{"name": f.name, "bytes": f.size_bytes, "what": words.say(f.what)} for f in snapshot.files],
        "kept": snapshot.kept_count,
    }


def _bench_notes(snapshot: Snapshot, words: Words) -> Context:
    return {
        "rhythm": snapshot.rhythm,
        "last": words.clock(snapshot.rhythm.last_at_ms) if snapshot.rhythm.last_at_ms is not None else "",
        "storage": snapshot.storage,
        "dropped": snapshot.dropped_frames,
        "messages": snapshot.file_messages,
        "plate": snapshot.plate_words,
    }


@dataclass(frozen=True, slots=True)
class Act:
    """A button of the bar: the tap it makes, its words' key, the cue it belongs to, and its look."""

    kind: str
    words: str
    cue: int | None = None
    values: Mapping[str, str] = field(default_factory=dict)
    look: str = ""


_NEXT = {
    Step.RIG: Step.FOCUS,
    Step.FOCUS: Step.LIGHT,
    Step.LIGHT: Step.POSES,
    Step.PROOF: Step.HANDOVER,
    Step.HANDOVER: Step.RECHECK,
}


def acts(snapshot: Snapshot) -> tuple[Act, ...]:
    """The few taps that make sense now; the last one is the main one."""
    step = snapshot.step
    cue = snapshot.advice.cue
    if snapshot.paused:
        return (Act("resume", "act.resume", look="main"),)
    if step is Step.FOCUS:
        return (Act("forget-sharpness", "panel.focus.forget"), _next(step))
    if step is Step.LIGHT:
        return (Act("set-exposure", "panel.light.set"), _next(step))
    if step is Step.RIG:
        return (_next(step),)
    if step is Step.HANDOVER:
        done = bool(snapshot.files)
        write = Act("hand-over", "act.hand-over", look="" if done else "main")
        return (write, _next(step)) if done else (_next(step, look=""), write)
    if step is Step.RECHECK:
        return (Act("recheck", "act.recheck", look="main"),)
    made = [Act("pause", "act.pause")]
    if snapshot.kept_count:
        made.append(Act("drop-last", "act.drop"))
    if cue is not None:
        made.append(Act("skip-cue", "act.another", cue.number))
        made.append(Act("take-now", "act.take", cue.number, look="main take"))
    elif step is Step.PROOF and snapshot.proof is not None:
        made.append(_next(step))
    elif snapshot.quantities:
        made.append(Act("prove", "act.prove", look="main"))
    return tuple(made)


def _next(step: Step, look: str = "main") -> Act:
    following = _NEXT[step].value
    return Act("enter-step", f"act.next.{following}", values={"step": following}, look=look)


def _acts(snapshot: Snapshot, words: Words) -> Context:
    return {
        "acts": acts(snapshot),
        "faces": snapshot.operator_faces_cameras,
        "lead": words.key("act.bar"),
    }


def _sim(snapshot: Snapshot, words: Words) -> Context:
    del words
    return {"sim": snapshot.sim}


def _side(snapshot: Snapshot, words: Words) -> Context:
    del words
    return {"faces": snapshot.operator_faces_cameras}


def _reads(*names: str) -> Callable[[Snapshot], tuple[object, ...]]:
    return lambda snapshot: tuple(getattr(snapshot, name) for name in names)


FRAGMENTS: Mapping[str, Fragment] = {
    fragment.name: fragment
    for fragment in (
        Fragment("signal", _reads("advice", "paused", "step", "kept_count"), _signal),
        Fragment("rail", _reads("session_name", "step", "steps"), _rail),
        Fragment("cue", _reads("advice", "step", "kept_count"), _cue),
        Fragment("stage", _stage_reads, _stage),
        Fragment("order", _reads("advice"), _order),
        Fragment("eyes", _reads("cameras", "advice"), _eyes),
        Fragment("covered", _reads("coverage"), _covered),
        Fragment(
            "progress", _reads("quantities", "trace", "kept_count", "customary_count", "solving"), _progress
        ),
        Fragment("views", _reads("views", "kept_count"), _views),
        Fragment("verdict", _reads("verdict"), _verdict),
        Fragment(
            "numbers",
            _reads(
                "quantities", "rms_px", "camera_estimates", "pair_estimates", "checks", "plate_shape",
                "lens_reason", "proof", "solving",
            ),
            _numbers,
        ),
        Fragment("files", _reads("files", "kept_count"), _files),
        Fragment(
            "bench-notes", _reads("rhythm", "storage", "dropped_frames", "file_messages", "plate_words"),
            _bench_notes,
        ),
        Fragment("step-list", _reads("steps", "step"), _step_list),
        Fragment("acts", lambda s: (acts(s), s.operator_faces_cameras), _acts),
        Fragment("side", _reads("operator_faces_cameras"), _side),
        Fragment("sim", _reads("sim"), _sim),
    )
}  # fmt: skip

PAGES: Mapping[str, tuple[str, ...]] = {
    "phone": tuple(FRAGMENTS),
    "bench": tuple(FRAGMENTS),
    "far": ("signal", "rail", "cue", "stage", "order", "progress"),
}
"""Which fragments each page shows."""
