"""Setting the exposure by itself: shot, advice, setting, until the goal is met. Pure.

The loop sends changes in stops (``Source.control({"exposure": "-1.25"})``), the source splits them
between time and gain as it can, and the next shot that was taken with the exposure asked for is judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from holdstill.limits import limit
from holdstill.measure.exposure import ExposureGoal, ExposureShot, advise_exposure


@dataclass(frozen=True, slots=True)
class Seen:
    """What one camera's newest frame says: its levels with the exposure (1 where it is not told), and
    what they should reach. `told`: whether the exposure came with the frame; `coarse`: no plate was
    found, so that the levels are the whole picture's."""

    shot: ExposureShot
    goal: ExposureGoal
    told: bool = True
    coarse: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class ExposureRun:
    """A run of settings.

    state
        ``""`` (none), ``"setting"``, ``"set"`` or ``"gave up"``.
    shots
        camera -> the shots judged, newest last. `asked`: camera -> exposure asked for, in the unit of
        the shots. `judged`: how many shots were judged; `waited`: frames passed over since the last
        setting.
    """

    state: str = ""
    shots: Mapping[str, tuple[ExposureShot, ...]] = field(default_factory=dict)
    coarse: Mapping[str, bool] = field(default_factory=dict)
    asked: Mapping[str, float] = field(default_factory=dict)
    judged: int = 0
    waited: int = 0


def begin() -> ExposureRun:
    """A run that has only been asked for."""
    return ExposureRun("setting")


def exposure_step(run: ExposureRun, seen: Mapping[str, Seen]) -> tuple[ExposureRun, Mapping[str, float]]:
    """The run after one more shot, and the change to make (stops, by camera; empty: none).

    A shot counts when every camera took it with the exposure asked for; frames on their way are passed
    over, at most `exposure_wait_frames` of them. All cameras are changed alike while they need changes
    within half a stop of each other, else each by its own. Ends within `exposure_good` of the goal, or
    after `exposure_shots_most` shots: then *set* within a third of a stop, else *gave up*.
    """
    if run.state != "setting" or not seen:
        return run, {}
    if not _taken_so(run, seen):
        if run.waited < limit("exposure_wait_frames"):
            return replace(run, waited=run.waited + 1), {}
        stuck = all(
            _same(s.shot.exposure, run.shots[c][-1].exposure)
            for c, s in seen.items()
            if s.told and run.shots.get(c)
        )
        if stuck:
            return replace(run, state="gave up"), {}
    shots, coarse = dict(run.shots), dict(run.coarse)
    for camera, one in seen.items():
        shot = one.shot if one.told else replace(one.shot, exposure=run.asked.get(camera, 1.0))
        old = shots.get(camera, ()) if coarse.get(camera) == one.coarse else ()
        shots[camera], coarse[camera] = (*old, shot), one.coarse
    advice = {c: advise_exposure(shots[c], s.goal) for c, s in seen.items()}
    run = replace(run, shots=shots, coarse=coarse, judged=run.judged + 1, waited=0)
    stops = {c: a.stops for c, a in advice.items()}
    if not any(coarse[c] for c in seen):
        worst = max(abs(v) for v in stops.values())
        together = abs(sum(stops.values()) / len(stops))
        near = worst <= limit("light_good_stops") and together <= limit("exposure_good")
        if near or (run.judged >= limit("exposure_shots_most") and worst <= limit("light_good_stops")):
            return replace(run, state="set"), {}
    if run.judged > limit("exposure_shots_most"):
        return replace(run, state="gave up"), {}
    change = _change(stops, sure=all(a.sure for a in advice.values()))
    if all(abs(v) < 1e-9 for v in change.values()):
        # Right for what the whole picture shows, and still no plate: nothing more to be had here.
        return replace(run, state="gave up" if any(coarse[c] for c in seen) else "set"), {}
    asked = {c: shots[c][-1].exposure * 2.0 ** change[c] for c in seen}
    return replace(run, asked=asked), change


def _taken_so(run: ExposureRun, seen: Mapping[str, Seen]) -> bool:
    """Whether these frames were taken with what was asked for; untold ones after two frames."""
    if not run.asked:
        return True
    for camera, one in seen.items():
        if not one.told:
            if run.waited < 2:
                return False
        elif camera in run.asked and not _same(one.shot.exposure, run.asked[camera]):
            return False
    return True


def _same(first: float, second: float) -> bool:
    return abs(math.log2(first / second)) <= limit("light_same_stops")


def _change(stops: Mapping[str, float], *, sure: bool) -> dict[str, float]:
    """Stops by camera: all alike (the mean; the darkest wish while one only guesses), or each its own."""
    values = list(stops.values())
    if not sure:
        return dict.fromkeys(stops, min(values))
    if max(values) - min(values) <= limit("camera_gap_stops"):
        return dict.fromkeys(stops, sum(values) / len(values))
    return dict(stops)


def alike(change: Mapping[str, float]) -> bool:
    """Whether one setting serves all cameras."""
    return len({round(v, 6) for v in change.values()}) <= 1
