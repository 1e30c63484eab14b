"""The Focus step, from shot to shot: each camera's gauge by parts of the picture, and its routine."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.measure.focus import (
    FocusField,
    FocusOrder,
    FocusState,
    focus_field,
    focus_sample,
    focus_step,
)
from holdstill.measure.routine import Routine, RoutineSample, RoutineStep, routine_step
from holdstill.records import (
    Aperture,
    FocusGauge,
    FocusSetup,
    FrameMeasures,
    PartFocus,
    Rig,
    RoutineItem,
    Say,
    ShotReport,
)
from holdstill.records.setup import Box

PARTS = ("centre", "edges", "corners")
PATH_SHOWN = 120
"""Readings of the path that a page draws (12 s at ten a second)."""


@dataclass(frozen=True, slots=True, eq=False)
class Focusing:
    """Where the Focus step stands. Disposable: lost on restart without harm.

    gauges
        camera -> part (``"whole"``, `PARTS`, ``"chosen"``) -> gauge.
    routines
        camera -> routine. `boxes`: camera -> the part of its picture that was dragged.
    turned
        Camera whose ring is being turned; `held`: True when the operator named it.
    """

    gauges: Mapping[str, Mapping[str, FocusState]] = field(default_factory=dict)
    routines: Mapping[str, Routine] = field(default_factory=dict)
    boxes: Mapping[str, Box] = field(default_factory=dict)
    grids: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    turned: str | None = None
    held: bool = False
    alone: tuple[str, int] = ("", 0)
    """Camera that alone has changed, and for how many frames in a row."""

    def gauge(self, camera: str) -> FocusState | None:
        """The gauge that the orders follow: of the part dragged, else of the whole picture."""
        own = self.gauges.get(camera, {})
        return own.get("chosen" if camera in self.boxes else "whole")


@lru_cache(maxsize=32)
def part_cells(grid: tuple[int, int], part: str) -> tuple[int, ...]:
    """Numbers of the regions (row by row) that make a part of the picture.

    Corners lie in the outer quarter both ways, edges in one; the centre is the inner half both ways.
    """
    rows, columns = grid
    chosen = []
    for k in range(rows * columns):
        y, x = divmod(k, columns)
        far_x = abs((x + 0.5) / columns * 2 - 1) > 0.5
        far_y = abs((y + 0.5) / rows * 2 - 1) > 0.5
        name = "corners" if far_x and far_y else "edges" if far_x or far_y else "centre"
        if name == part:
            chosen.append(k)
    return tuple(chosen)


def box_cells(grid: tuple[int, int], box: Box) -> tuple[int, ...]:
    """Numbers of the regions that a dragged box touches; always at least one."""
    rows, columns = grid
    x0, x1 = int(box[0] * columns), max(math.ceil(box[2] * columns) - 1, int(box[0] * columns))
    y0, y1 = int(box[1] * rows), max(math.ceil(box[3] * rows) - 1, int(box[1] * rows))
    across = range(min(x0, columns - 1), min(x1, columns - 1) + 1)
    down = range(min(y0, rows - 1), min(y1, rows - 1) + 1)
    return tuple(y * columns + x for y in down for x in across)


def snapped(grid: tuple[int, int], box: Box) -> Box:
    """The box grown to the regions it touches."""
    rows, columns = grid
    cells = box_cells(grid, box)
    xs, ys = [k % columns for k in cells], [k // columns for k in cells]
    return (min(xs) / columns, min(ys) / rows, (max(xs) + 1) / columns, (max(ys) + 1) / rows)


def focusing_step(before: Focusing, report: ShotReport, *, routine: bool) -> Focusing:
    """The Focus step after one more shot; `routine`: whether light and ring are being worked on now."""
    gauges, routines, grids = dict(before.gauges), dict(before.routines), dict(before.grids)
    for camera, measures in report.measures.items():
        old = before.gauges.get(camera, {})
        gauges[camera] = _gauges(old, measures, report, camera, before.boxes.get(camera))
        grids[camera] = measures.region_grid
        whole = gauges[camera]["whole"]
        if routine:
            moved = _scene_changed(old.get("whole"), whole)
            sample = _routine_sample(measures, report, camera, moved)
            routines[camera] = routine_step(routines.get(camera, Routine()), sample, whole)
    after = replace(before, gauges=gauges, routines=routines, grids=grids)
    return _whose_turn(after, tuple(report.measures))


def _gauges(
    old: Mapping[str, FocusState], measures: FrameMeasures, report: ShotReport, camera: str, box: Box | None
) -> dict[str, FocusState]:
    exposure = _exposure(report, camera)
    wanted: dict[str, Sequence[int] | None] = {"whole": None}
    wanted |= {part: part_cells(measures.region_grid, part) for part in PARTS}
    if box is not None:
        wanted["chosen"] = box_cells(measures.region_grid, box)
    out = {}
    for part, cells in wanted.items():
        sample = focus_sample(measures, at_ms=report.taken_at_ms, exposure_ms=exposure, regions=cells)
        out[part] = focus_step(old.get(part, FocusState()), sample)
    return out


def _exposure(report: ShotReport, camera: str) -> float | None:
    """Exposure x linear gain, ms; None when not told."""
    exposure = report.exposure_ms.get(camera)
    return None if exposure is None else exposure * 10.0 ** (report.gain_db.get(camera, 0.0) / 20.0)


def _scene_changed(before: FocusState | None, after: FocusState) -> bool:
    """Whether the pattern of the picture changed with this frame (see ``measure.focus``); not told
    where it clips, which flattens the pattern by itself, nor with a new exposure."""
    if before is None or before.reference.shape != after.reference.shape or before.reference.size == 0:
        return False
    if before.last is None or after.last is None or before.last.exposure_ms != after.last.exposure_ms:
        return False
    clipping = max(before.last.saturated_share, after.last.saturated_share)
    change = float(np.sqrt(np.mean((after.reference - before.reference) ** 2)))
    return change > limit("focus_scene_change") and clipping <= limit("focus_clipping")


def _routine_sample(m: FrameMeasures, report: ShotReport, camera: str, moved: bool) -> RoutineSample:
    return RoutineSample(m.mean_level, m.saturated_share, m.sharpness, _exposure(report, camera), moved)


def _whose_turn(state: Focusing, cameras: Sequence[str]) -> Focusing:
    """The camera whose ring is turned: the only one that changes for some frames, else as before."""
    if state.held and state.turned in cameras:
        return state
    changing = [c for c in cameras if (g := state.gauge(c)) is not None and g.closer != 0]
    alone = ("", 0)
    if len(changing) == 1:
        same = state.alone[0] == changing[0]
        alone = (changing[0], state.alone[1] + 1 if same else 1)
    turned = state.turned if state.turned in cameras else next(iter(cameras), None)
    if alone[1] >= limit("focus_turn_frames"):
        turned = alone[0]
    elif not changing and turned is not None and _finished(state, turned):
        turned = next((c for c in cameras if not _finished(state, c)), turned)
    return replace(state, turned=turned, held=False, alone=alone)


def _finished(state: Focusing, camera: str) -> bool:
    """Whether this camera's ring is done with."""
    routine = state.routines.get(camera)
    return routine is not None and RoutineStep.LOCK_RING in routine.done


def focus_shown(state: Focusing, cameras: Sequence[str]) -> bool:
    """Whether the pictures showed every camera focused: past the peak and back to it, the ring left
    there; and, once the aperture was closed, the sharpness looked at again."""
    return bool(cameras) and all(_done_with(state.routines.get(camera)) for camera in cameras)


def _done_with(routine: Routine | None) -> bool:
    """The ring left at the peak; after an opened aperture also closed, and the sharpness looked at."""
    if routine is None or RoutineStep.LOCK_RING not in routine.done:
        return False
    worked = {RoutineStep.OPEN_APERTURE, RoutineStep.STOP_DOWN} & set(routine.done)
    return not worked or RoutineStep.CHECK_AGAIN in routine.done


FOCUS_WORDS = {
    FocusOrder.TURN: "focus.start",
    FocusOrder.KEEP_TURNING: "focus.rising",
    FocusOrder.OTHER_WAY: "focus.other way",
    FocusOrder.TURN_BACK: "focus.falling",
    FocusOrder.THERE: "focus.best",
}


def gauge_words(gauge: FocusState | None) -> Say:
    """What to do with a camera's focus ring."""
    if gauge is None:
        return Say("focus.no-picture")
    if gauge.stale is not None and gauge.order is FocusOrder.TURN:
        return Say(f"focus.stale.{gauge.stale.name.lower()}")
    return Say(FOCUS_WORDS[gauge.order])


def focus_setup(state: Focusing, cameras: Sequence[str], rig: Rig) -> FocusSetup:
    """What the Focus page shows."""
    return FocusSetup(
        turned=state.turned if state.turned in cameras else next(iter(cameras), None),
        gauges=tuple(focus_gauge(state, camera) for camera in cameras),
        routine={c: routine_items(state.routines.get(c, Routine())) for c in cameras},
        apertures=tuple(a for c in cameras if (a := aperture(rig, c)) is not None),
        shift={
            c: r.focus_shift for c in cameras if (r := state.routines.get(c)) and r.focus_shift is not None
        },
    )


def routine_items(routine: Routine) -> tuple[RoutineItem, ...]:
    """The routine as a list that can be ticked."""
    now, order = routine.next_step, list(RoutineStep)
    return tuple(
        RoutineItem(
            step.value,
            _standing(step, routine, order.index(now) if now is not None else len(order)),
            step in routine.seen,
        )
        for step in RoutineStep
    )


def _standing(step: RoutineStep, routine: Routine, now: int) -> str:
    """``"done"``, ``"now"``, ``"todo"``, or ``"passed"`` for what was not needed."""
    at = list(RoutineStep).index(step)
    if step in routine.done:
        return "done"
    return "now" if at == now else "passed" if at < now else "todo"


def focus_gauge(state: Focusing, camera: str) -> FocusGauge:
    """One camera's gauge as a page draws it."""
    gauge = state.gauge(camera)
    if gauge is None or gauge.last is None:
        return FocusGauge(camera, "no picture", gauge_words(None))
    grid = state.grids.get(camera, (0, 0))
    whole = state.gauges[camera]["whole"]
    best = gauge.best if gauge.best is not None else max(gauge.path, default=0.0)
    path = tuple(min(round(v - best, 4), 0.0) for v in gauge.path[-PATH_SHOWN:])
    peak = max(range(len(path)), key=lambda k: path[k]) if path else None
    known = gauge.best is not None and peak is not None and path[peak] > -0.05
    return FocusGauge(
        camera=camera,
        order="stale" if gauge.stale is not None and gauge.order is FocusOrder.TURN else gauge.order.value,
        say=gauge_words(gauge),
        closer=gauge.closer,
        share=gauge.share,
        path=path,
        peak_at=peak if known else None,
        passed=gauge.passed,
        parts=_parts(state, camera),
        cells=_cells(whole),
        grid=grid,
        box=snapped(grid, state.boxes[camera]) if camera in state.boxes and grid[0] else None,
        edge_width_px=gauge.last.edge_width_px,
        edge_best_px=gauge.best_edge_width_px,
        remark=_remark(whole, grid),
    )


def _parts(state: Focusing, camera: str) -> tuple[PartFocus, ...]:
    own = state.gauges[camera]
    cells = _cells(own["whole"])
    out = []
    for part in ("whole", *PARTS, "chosen"):
        gauge = own.get(part)
        if gauge is None or (part == "chosen" and camera not in state.boxes):
            continue
        grid = state.grids[camera]
        empty = part in PARTS and not any(cells[k] for k in part_cells(grid, part) if k < len(cells))
        known = gauge.best is not None and not empty
        out.append(PartFocus(part, gauge.share if known else None, gauge.passed and known))
    return tuple(out)


def _cells(gauge: FocusState) -> tuple[float, ...]:
    """Each region now over its own best; 0 where there is nothing to focus on."""
    if gauge.last is None or gauge.region_best.size == 0:
        return ()
    best, now = gauge.region_best, gauge.last.regions
    strong = float(np.median(best[best > 0])) if (best > 0).any() else 0.0
    busy = best > max(limit("focus_part_least") * strong, 1e-12)
    return tuple(
        round(float(np.clip(n / b, 0.01, 1.0)), 3) if some else 0.0
        for n, b, some in zip(now, best, busy, strict=True)
    )


def _remark(whole: FocusState, grid: tuple[int, int]) -> Say | None:
    """A tilted focus plane or a softer side, told once a sweep has shown every region's best."""
    lies = focus_field(whole, grid, uniform=_uniform(whole)) if grid[0] else None
    if lies is None:
        return None
    if lies.tilted and whole.order is FocusOrder.THERE:
        return Say("focus-tilted", {"side": _soft_side(lies), "percent": 100.0 * lies.softest_share})
    if lies.soft_side is not None:
        return Say("focus-soft-side", {"side": lies.soft_side})
    return None


def _soft_side(lies: FocusField) -> str:
    """The side toward which the sharpness falls off most, as the cameras see it."""
    if abs(lies.slope_x) >= abs(lies.slope_y):
        return "right" if lies.slope_x < 0 else "left"
    return "bottom" if lies.slope_y < 0 else "top"


def _uniform(whole: FocusState) -> bool:
    """Whether the pattern looks alike all over the picture: nearly every region has structure, of
    energies that differ by less than what a softer side does."""
    best = whole.region_best
    if best.size == 0:
        return False
    strong = float(np.median(best))
    return bool((best > 0.25 * strong).mean() > 0.95 and (best < 4.0 * strong).mean() > 0.95)


def aperture(rig: Rig, camera: str) -> Aperture | None:
    """Depth of field and diffraction of a camera's chosen aperture; None while something is not said."""
    c = next((c for c in rig.cameras if c.name == camera), None)
    if c is None or rig.stand_off_mm is None or not (c.focal_mm and c.f_number and c.pixel_um):
        return None
    if rig.stand_off_mm <= c.focal_mm:
        return None
    blur = limit("paper_sharp_px")
    depth = optics.depth_of_field(c.focal_mm, c.f_number, rig.stand_off_mm, blur * c.pixel_um / 1000.0)
    working = optics.working_f_number(c.f_number, c.focal_mm, rig.stand_off_mm)
    airy = optics.airy_diameter_um(working)
    most = optics.diffraction_limited_f_number(c.pixel_um, disc_px=limit("paper_airy_px"))
    return Aperture(
        camera=camera,
        f_number=c.f_number,
        stand_off_mm=rig.stand_off_mm,
        near_mm=depth.near_mm,
        far_mm=depth.far_mm if math.isfinite(depth.far_mm) else None,
        blur_px=blur,
        airy_um=airy,
        airy_px=airy / c.pixel_um,
        largest_f_number=most * c.f_number / working,
        too_small=airy / c.pixel_um > limit("paper_airy_px"),
    )
