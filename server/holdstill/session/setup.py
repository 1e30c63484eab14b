"""The Rig, Focus and Light steps together: what the pictures showed, what to say, what pages show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

from holdstill.limits import limit
from holdstill.measure.focus import FocusOrder
from holdstill.measure.routine import Routine, RoutineStep
from holdstill.records import (
    Advice,
    Order,
    Say,
    Setup,
    ShotReport,
    Sighting,
    Step,
    Tone,
    View,
)
from holdstill.records import events as ev

from .aiming import RigWatch, rig_setup
from .focusing import Focusing, focus_setup, focus_shown, focusing_step, gauge_words
from .light import PLATE, LightWatch, findings, light_setup, light_shown, light_step
from .state import State

SETTING_UP = (Step.RIG, Step.FOCUS, Step.LIGHT)


@dataclass(frozen=True, slots=True, eq=False)
class SettingUp:
    """The passing moment of the first three steps; see the parts. Lost on restart without harm."""

    focus: Focusing = field(default_factory=Focusing)
    light: LightWatch = field(default_factory=LightWatch)
    rig: RigWatch = field(default_factory=RigWatch)


def setting_up_step(
    before: SettingUp, state: State, report: ShotReport, sightings: Mapping[str, Sighting]
) -> SettingUp:
    """The moment after one more shot; the later steps leave it as it was. Pure."""
    if state.step not in SETTING_UP:
        return before
    focus = focusing_step(before.focus, report, routine=state.step in (Step.FOCUS, Step.LIGHT))
    light = before.light
    if state.step is Step.LIGHT:
        light = light_step(light, report, sightings, state.rig)
    return replace(before, focus=focus, light=light)


def shown(state: State, moment: SettingUp, report: ShotReport, now_ms: float) -> ev.StepShown | None:
    """The event for a step whose work the pictures have just shown to be done; None when there is none."""
    cameras = tuple(report.measures)
    if state.step is Step.FOCUS and Step.FOCUS not in state.shown and focus_shown(moment.focus, cameras):
        widths = {
            f"edge_width_px.{c}": round(w, 3)
            for c in cameras
            if (w := report.measures[c].edge_width_px) is not None
        }
        return ev.StepShown(now_ms, Step.FOCUS, widths)
    lit = state.step is Step.LIGHT and light_shown(moment.light, single=report.single)
    if lit and Step.LIGHT not in state.shown:
        seen = {c: s[-1].bright for c, s in moment.light.shots.items() if c in cameras}
        fills = {f"fill.{camera}": round(fill, 3) for camera, fill in seen.items()}
        return ev.StepShown(now_ms, Step.LIGHT, {"subject": moment.light.subject, **fills})
    return None


def focus_done(state: State) -> bool:
    """Whether the focus was seen to be right: on the Focus step, or in the views kept."""
    if Step.FOCUS in state.shown:
        return True
    blurs: dict[str, list[float]] = {c: [] for c in state.cameras}
    for view in (*state.standing(proof=False), *state.standing(proof=True)):
        for camera, sighting in view.sightings.items():
            if sighting.blur_px is not None:
                blurs.setdefault(camera, []).append(sighting.blur_px)
    enough = [b for b in blurs.values() if len(b) >= limit("least_views")]
    return len(enough) == len(blurs) > 0 and all(median(b) <= limit("focus_seen_px") for b in enough)


def light_done(state: State) -> bool:
    """Whether the light was seen to be right: on the Light step, or in the views kept."""
    if Step.LIGHT in state.shown:
        return True
    fills: dict[str, list[float]] = {c: [] for c in state.cameras}
    grounds: list[float] = []
    for view in (*state.standing(proof=False), *state.standing(proof=True)):
        for camera, m in view.measures.items():
            if m.dot_fill is not None and m.ground_fill is not None:
                fills.setdefault(camera, []).append(m.dot_fill)
                grounds.append(m.ground_fill)
    enough = [f for f in fills.values() if len(f) >= limit("least_views")]
    if len(enough) != len(fills) or not fills:
        return False
    dim = min(median(f) for f in enough) < limit("light_seen_fill")
    return not dim and median(grounds) <= limit("light_ground_fill")


def dim_views(views: Sequence[View]) -> tuple[float, float] | None:
    """Median dot fill (0..1) of views that were darker than needed, and by how many stops they could have
    been brighter; None where they were bright enough or it can't be told."""
    fills = [m.dot_fill for v in views for m in v.measures.values() if m.dot_fill is not None]
    dark = [s.dark_dots for v in views for s in v.sightings.values()]
    goal = limit("exposure_ground_goal") if any(dark) else 1.0
    if not fills:
        return None
    fill = median(fills)
    if fill >= limit("light_seen_fill") * goal or fill <= 0:
        return None
    return fill, math.log2(goal / fill)


def setup(
    state: State, moment: SettingUp, report: ShotReport | None, sightings: Mapping[str, Sighting]
) -> Setup:
    """What the pages of the first three steps show; empty on the later ones. Pure."""
    if state.step not in SETTING_UP:
        return Setup()
    rig = state.rig
    return Setup(
        rig=rig_setup(moment.rig, sightings, state.cameras, state.plate, rig),
        focus=focus_setup(moment.focus, state.cameras, rig),
        light=light_setup(moment.light, report, sightings, state.cameras, rig),
    )


def advise_setting_up(
    state: State, moment: SettingUp, report: ShotReport, sightings: Mapping[str, Sighting]
) -> Advice:
    """What the phone says on the first three steps: one thing to do. Pure."""
    if state.step is Step.FOCUS:
        return _advise_focus(state, moment.focus)
    if state.step is Step.LIGHT:
        return _advise_light(state, moment.light, report, sightings)
    seen = rig_setup(moment.rig, sightings, state.cameras, state.plate, state.rig)
    turn = next((say for aim in seen.aims for say in aim.says), None)
    return Advice(state.step, Say("advice.step.rig"), Order.WAIT, Tone.SILENT, remedy=turn)


_RING = (RoutineStep.TURN_PAST_AND_BACK, RoutineStep.LOCK_RING)
"""Steps of the routine during which the ring's own orders are said."""


def _advise_focus(state: State, focus: Focusing) -> Advice:
    camera = focus.turned if focus.turned in state.cameras else next(iter(state.cameras), None)
    if camera is None:
        return Advice(Step.FOCUS, Say("focus.no-picture"), Order.WAIT, Tone.SILENT)
    routine = focus.routines.get(camera, Routine())
    gauge = focus.gauge(camera)
    wanted = routine.next_step
    which = Say("focus.which", {"camera": camera}) if len(state.cameras) > 1 else None
    rests = gauge is None or (gauge.closer == 0 and gauge.share > 1.0 - limit("focus_drop"))
    if focus_shown(focus, state.cameras) and wanted is None and rests:
        lost = min((r.focus_shift or 0.0 for r in focus.routines.values()), default=0.0)
        if lost < -limit("focus_drop"):
            percent = 100.0 * (math.exp(lost) - 1.0)
            shift = Say("routine-focus-shift", {"percent": percent})
            return Advice(Step.FOCUS, Say("focus.shifted"), Order.WAIT, Tone.SILENT, remedy=shift)
        return Advice(Step.FOCUS, Say("focus.done"), Order.DONE, Tone.SILENT)
    turning = gauge is not None and (gauge.closer != 0 or gauge.passed or not rests)
    if gauge is None or (wanted is not None and wanted not in _RING and not turning):
        say = gauge_words(None) if gauge is None or wanted is None else Say(f"routine-{wanted.value}")
        return Advice(Step.FOCUS, say, Order.WAIT, Tone.SILENT, remedy=which)
    locked = RoutineStep.LOCK_RING in routine.done
    if locked and gauge.order is FocusOrder.THERE and wanted is not None:
        return Advice(
            Step.FOCUS, Say(f"routine-{wanted.value}"), Order.WAIT, Tone.SILENT, remedy=which, nearness=1.0
        )
    tone = Tone.WARMER if gauge.closer > 0 else Tone.COLDER if gauge.closer < 0 else Tone.SILENT
    if gauge.order is FocusOrder.THERE:
        tone = Tone.STILL
    return Advice(
        Step.FOCUS, gauge_words(gauge), Order.WAIT, tone, remedy=which, nearness=_pitch(gauge.share)
    )


def _pitch(share: float) -> float:
    """0..1 for the tone: a tenth of the best or less is 0, the best is 1. Rounded, so that a page is
    told anew only when it can be heard."""
    return round(min(1.0, max(0.0, 1.0 + math.log(max(share, 1e-6)) / math.log(10.0))), 2)


def _advise_light(
    state: State, light: LightWatch, report: ShotReport, sightings: Mapping[str, Sighting]
) -> Advice:
    # A plate stays in view while it is judged, and out of it while the specimen is.
    order = Order.WAIT if light.subject == PLATE else Order.DONE
    if light.watching:
        return Advice(Step.LIGHT, Say("light.watching"), order, Tone.SILENT)
    if light.setting == "setting":
        return Advice(Step.LIGHT, Say("light.setting"), order, Tone.SILENT)
    found = findings(light, report, sightings, state.rig)
    if light.setting == "gave up" and any(f.kind in ("dark", "bright") for f in found):
        return Advice(
            Step.LIGHT, Say("light.gave-up"), order, Tone.SILENT, remedy=Say("light.gave-up.remedy")
        )
    if found and (found[0].stops_it or (light.subject == PLATE and sightings)):
        return Advice(Step.LIGHT, found[0].what, order, Tone.SILENT, remedy=found[0].remedy)
    if light.subject == PLATE and not sightings:
        return Advice(Step.LIGHT, Say("light.no-plate"), order, Tone.SILENT)
    if found:
        return Advice(Step.LIGHT, found[0].what, order, Tone.SILENT, remedy=found[0].remedy)
    return Advice(Step.LIGHT, Say("light.good"), order, Tone.SILENT)
