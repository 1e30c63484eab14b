"""Taps of the Rig, Focus and Light steps."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill import target
from holdstill.intake.rig_file import write_rig
from holdstill.measure.routine import Routine, RoutineStep, tick_by_hand
from holdstill.records import Nothing, Say, Step, Tap
from holdstill.records import events as ev
from holdstill.session.focusing import Focusing
from holdstill.session.light import PLATE, SPECIMEN, with_subject
from holdstill.session.rig_form import described

if TYPE_CHECKING:
    from .runner import Runner

Answer = Say | Nothing
RIG_FILE = "rig.toml"
SMALLEST_PART = 0.04
"""Least side of a dragged part, as a share of the picture: less was a touch, and means all of it."""


def _done(tap: Tap, **values: str | int | float) -> Say:
    return Say(f"tap.done.{tap.kind.value}", values)


def _put(runner: Runner, focus: Focusing) -> None:
    runner.live = replace(runner.live, setup=replace(runner.live.setup, focus=focus))


def _camera(runner: Runner, tap: Tap) -> str | None:
    named = tap.values.get("camera", "")
    return named if named in runner.state.cameras else None


async def focus_part(runner: Runner, tap: Tap) -> Answer:
    """Watch a part of one camera's picture; the whole one again without a box."""
    camera = _camera(runner, tap)
    if camera is None:
        return Nothing("tap.refused.bad-value")
    focus = runner.live.setup.focus
    boxes = {c: b for c, b in focus.boxes.items() if c != camera}
    sides = [tap.values.get(side, "") for side in ("left", "top", "right", "bottom")]
    if any(sides):
        try:
            left, top, right, bottom = (min(max(float(side), 0.0), 1.0) for side in sides)
        except ValueError:
            return Nothing("tap.refused.bad-value")
        if right - left >= SMALLEST_PART and bottom - top >= SMALLEST_PART:
            boxes[camera] = (left, top, right, bottom)
    gauges = {
        c: {part: g for part, g in own.items() if c != camera or part != "chosen"}
        for c, own in focus.gauges.items()
    }
    _put(runner, replace(focus, boxes=boxes, gauges=gauges))
    return _done(tap)


async def focus_camera(runner: Runner, tap: Tap) -> Answer:
    """Whose ring is being turned; without a name the pictures tell again."""
    focus = runner.live.setup.focus
    camera = _camera(runner, tap)
    if camera is None and tap.values.get("camera", ""):
        return Nothing("tap.refused.bad-value")
    _put(runner, replace(focus, turned=camera or focus.turned, held=camera is not None))
    return _done(tap)


async def tick(runner: Runner, tap: Tap) -> Answer:
    """A step of the routine that the operator says is done."""
    camera = _camera(runner, tap)
    named = {step.value: step for step in RoutineStep}
    wanted = tap.values.get("step", "")
    if camera is None or wanted not in named:
        return Nothing("tap.refused.bad-value")
    focus = runner.live.setup.focus
    routine = tick_by_hand(focus.routines.get(camera, Routine()), named[wanted])
    _put(runner, replace(focus, routines={**focus.routines, camera: routine}))
    return _done(tap)


async def routine_again(runner: Runner, tap: Tap) -> Answer:
    """The routine of one camera from the beginning."""
    camera = _camera(runner, tap)
    if camera is None:
        return Nothing("tap.refused.bad-value")
    focus = runner.live.setup.focus
    gauges = {c: g for c, g in focus.gauges.items() if c != camera}
    routines = {c: r for c, r in focus.routines.items() if c != camera}
    _put(runner, replace(focus, gauges=gauges, routines=routines, turned=camera))
    return _done(tap)


async def light_subject(runner: Runner, tap: Tap) -> Answer:
    """Judge a plate's pictures or a specimen's."""
    subject = tap.values.get("subject", "")
    if subject not in (PLATE, SPECIMEN):
        return Nothing("tap.refused.bad-value")
    setup = runner.live.setup
    runner.live = replace(runner.live, setup=replace(setup, light=with_subject(setup.light, subject)))
    return _done(tap, subject=subject)


async def watch_still(runner: Runner, tap: Tap) -> Answer:
    """Watch a scene that stands still for some seconds."""
    if runner.state.step is not Step.LIGHT or runner.live.report is None:
        return Nothing("tap.refused.not-now")
    return _done(tap) if await runner.setup.watch() else Nothing("tap.refused.not-now")


async def set_exposure(runner: Runner, tap: Tap) -> Answer:
    """Set the exposure until the goal is met (``stops``: by so many stops, once)."""
    if "stops" in tap.values:
        why = runner.parts.source.control({"exposure": tap.values["stops"]})
    else:
        why = runner.setup.set_exposure()
    return _done(tap) if why is None else Nothing("tap.refused.no-exposure-control", {"why": why})


async def describe_rig(runner: Runner, tap: Tap) -> Answer:
    """The rig as the Rig step's form describes it."""
    rig = described(runner.state.rig, tap.values, runner.state.cameras)
    if isinstance(rig, Say):
        return Nothing(rig.key, dict(rig.values))
    if await runner.append(ev.RigDescribed(runner.parts.now_ms(), rig)):
        # Beside the journal, to be given with --rig the next time. The journal is what counts.
        file = runner.parts.journal.folder / RIG_FILE
        with contextlib.suppress(OSError):
            await asyncio.to_thread(write_rig, file, rig, target.words(runner.state.plate))
        return _done(tap)
    return Nothing("tap.refused.not-now")
