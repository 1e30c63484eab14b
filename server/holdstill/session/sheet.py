"""One shot of the session's story at full size: what was seen, what the solve makes of it, and why."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from holdstill import solve
from holdstill.phrases import cues, say
from holdstill.records import (
    FloatArray,
    FrameMeasures,
    GlarePatch,
    HiddenPatch,
    IntArray,
    Nothing,
    Say,
    SetAside,
    Sheet,
    SheetPicture,
    Sighting,
    View,
)
from holdstill.records import events as ev

from .snapshot import aside_words, view_row
from .state import Entry, State


def sheet(state: State, place: int) -> Sheet | Nothing:
    """The shot at `place` (from 1) of the session's story. Pure.

    ``Nothing("no such shot")`` for a place that the story does not have. Residuals are by the newest
    estimate; a view it does not know (a proof view) is placed by it first.
    """
    if not 1 <= place <= len(state.story):
        return Nothing("no such shot", {"place": place, "places": len(state.story)})
    line = state.story[place - 1]
    if line.refusal is not None:
        return _of_refusal(state, place, line.refusal)
    entry = next(e for e in state.entries if e.view.view_id == line.view_id)
    return _of_view(state, place, entry)


def _of_refusal(state: State, place: int, refusal: ev.ShotRefused) -> Sheet:
    names = [*state.cameras, *(c for c in refusal.originals if c not in state.cameras)]
    headline, remedy = cues.trouble_says(refusal.trouble, refusal.camera, None)
    nothing = np.zeros((0, 2))
    pictures = tuple(
        SheetPicture(
            name, refusal.originals.get(name), (0, 0), nothing, None, (), None,
            *_covers(refusal.measures.get(name)), None, None, tuple(_seen(refusal.measures.get(name), None)),
        )
        for name in names
    )  # fmt: skip
    return Sheet(
        place, len(state.story), None, refusal.shot_name, "not kept", (headline, remedy), refusal.at_ms,
        pictures,
    )  # fmt: skip


def _of_view(state: State, place: int, entry: Entry) -> Sheet:
    view, estimate = entry.view, state.estimate
    row = view_row(state, entry)
    asides = [a for a in (estimate.set_aside if estimate else ()) if a.view_id == view.view_id]
    residuals = _residuals(state, view)
    maps = _maps(state, view)
    names = [*state.cameras, *(c for c in view.sightings if c not in state.cameras)]
    pictures = tuple(
        _picture(
            view, name, residuals.get(name), maps.get(name), [a for a in asides if a.camera in (None, name)],
            row.rms_px.get(name),
        )
        for name in names
    )  # fmt: skip
    reasons = [row.reason] if row.reason is not None else []
    if entry.brought_back:
        reasons.append(Say("sheet.forced"))
    numbers = {} if row.gain is None else {"gain": row.gain}
    return Sheet(
        place, len(state.story), view.view_id, view.name, row.state, tuple(reasons), view.taken_at_ms,
        pictures, entry.brought_back, numbers,
    )  # fmt: skip


def _residuals(state: State, view: View) -> Mapping[str, FloatArray]:
    estimate = state.estimate
    if estimate is None or not view.sightings:
        return {}
    pose = solve.place_of(state.plate, estimate, view)
    return {} if pose is None else solve.view_residuals(state.plate, estimate, view, pose)


def _maps(state: State, view: View) -> dict[str, FloatArray]:
    """Homographies (3, 3) from the first camera that sees the plate to each one, px to px."""
    names = [c for c in state.cameras if c in view.sightings and len(view.sightings[c].point_ids) >= 4]
    out: dict[str, FloatArray] = {}
    for name in names:
        if name == names[0]:
            out[name] = np.eye(3)
            continue
        a, b = view.sightings[names[0]], view.sightings[name]
        first, second = _numbers(state, view, names[0]), _numbers(state, view, name)
        _, in_a, in_b = np.intersect1d(first, second, return_indices=True)
        found = solve.plane_map(a.points_px[in_a], b.points_px[in_b])
        if found is not None:
            out[name] = found
    return out


def _numbers(state: State, view: View, camera: str) -> IntArray:
    if state.estimate is None:
        return view.sightings[camera].point_ids
    return solve.point_numbers(state.plate, state.estimate, view, camera)


def _picture(
    view: View,
    camera: str,
    residuals: FloatArray | None,
    to_here: FloatArray | None,
    asides: list[SetAside],
    rms_px: float | None,
) -> SheetPicture:
    seen, measures = view.sightings.get(camera), view.measures.get(camera)
    glare, hidden, clip = _covers(measures)
    digest = view.originals.get(camera)
    if seen is None:
        told = (Say("sheet.unseen"),)
        none = np.zeros((0, 2))
        return SheetPicture(
            camera, digest, (0, 0), none, None, (), None, glare, hidden, clip, None, None, told
        )
    left_out = {int(p): a.reason for a in asides for p in a.point_ids}
    whole = next((a.reason for a in asides if not a.point_ids), "")
    lines = (
        *(_aside_told(a, len(seen.point_ids)) for a in asides),
        *_seen(measures, seen),
    )
    return SheetPicture(
        camera, digest, seen.image_size_px, seen.points_px, residuals,
        tuple(whole or left_out.get(int(p), "") for p in seen.point_ids), seen.dot_diameter_px,
        glare, hidden, clip, rms_px, to_here, lines,
    )  # fmt: skip


Covers = tuple[tuple[GlarePatch, ...], tuple[HiddenPatch, ...], float | None]


def _covers(measures: FrameMeasures | None) -> Covers:
    return ((), (), None) if measures is None else (measures.glare, measures.hidden, measures.clip_level)


def _aside_told(aside: SetAside, found: int) -> Say:
    if not aside.point_ids:
        return aside_words(aside.reason)
    return Say("sheet.points aside", {
        "count": len(aside.point_ids), "found": found, "why": say(aside_words(aside.reason)),
        "largest_px": float(aside.numbers.get("largest_px", 0.0)),
    })  # fmt: skip


def _seen(measures: FrameMeasures | None, sighting: Sighting | None) -> list[Say]:
    """What was measured in the picture, in sentences."""
    out = []
    if sighting is not None:
        expected = len(sighting.point_ids) + len(sighting.missing_ids)
        out.append(Say("sheet.found", {"found": len(sighting.point_ids), "expected": expected}))
        if sighting.blur_px is not None:
            out.append(Say("sheet.blur", {"blur_px": sighting.blur_px}))
    if measures is None:
        return out
    if measures.glare:
        share = sum(g.plate_share for g in measures.glare)
        out.append(Say("sheet.glare", {"count": len(measures.glare), "percent": 100.0 * share}))
    hidden: dict[str, int] = {}
    for patch in measures.hidden:
        hidden[patch.cause] = hidden.get(patch.cause, 0) + len(patch.point_ids)
    out += [Say(f"sheet.hidden.{cause}", {"count": count}) for cause, count in hidden.items()]
    if measures.dot_fill is not None:
        out.append(Say("sheet.fill", {"percent": 100.0 * measures.dot_fill}))
    if measures.saturated_share > 0.0:
        out.append(Say("sheet.saturated", {"percent": 100.0 * measures.saturated_share}))
    return out
