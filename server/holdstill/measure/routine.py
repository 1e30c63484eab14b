"""The focus and light routine as a list that ticks itself from what the pictures show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from holdstill.limits import limit

from .focus import FocusOrder, FocusState


class RoutineStep(StrEnum):
    """The customary order of getting a lens right."""

    OPEN_APERTURE = "open the aperture"
    SHORTEN_EXPOSURE = "shorten the exposure"
    TURN_PAST_AND_BACK = "turn past the sharpest point and back"
    LOCK_RING = "lock the ring"
    STOP_DOWN = "stop down"
    LOCK_APERTURE = "lock the aperture"
    RAISE_EXPOSURE = "raise the exposure"
    CHECK_AGAIN = "check the sharpness again"


@dataclass(frozen=True, slots=True)
class RoutineSample:
    """What one frame (or a short mean) shows: mean level (any unit that stays the same, black taken
    off), clipped share, sharpness, exposure x gain as told by the source, or None, and whether the
    scene changed since the frame before."""

    level: float
    saturated_share: float
    sharpness: float
    exposure: float | None = None
    scene_changed: bool = False


@dataclass(frozen=True, slots=True)
class Routine:
    """Where the routine stands. `done`: steps ticked, in order of ticking; `seen`: among them, those
    that the pictures showed (the rest were ticked by hand). `light_stops`: opening of the aperture
    found (stops, + wider), cumulated over the routine; `sharpness_there`: sharpness when the ring was
    locked; `focus_shift`: log of the sharpness after stopping down over then, None before."""

    done: tuple[RoutineStep, ...] = ()
    seen: tuple[RoutineStep, ...] = ()
    light_stops: float = 0.0
    sharpness_there: float | None = None
    focus_shift: float | None = None
    last: RoutineSample | None = None
    still: int = 0
    """Frames in a row in which neither light nor sharpness changed."""
    anchor: RoutineSample | None = None
    """The light before the change that is under way: a ring is turned over many frames."""

    @property
    def next_step(self) -> RoutineStep | None:
        """First step after the last one done; None after the end. What was passed over was not needed."""
        order = list(RoutineStep)
        last = max((order.index(step) for step in self.done), default=-1)
        return order[last + 1] if last + 1 < len(order) else None


def tick_by_hand(routine: Routine, step: RoutineStep) -> Routine:
    """The routine with `step` ticked by the operator."""
    return routine if step in routine.done else replace(routine, done=(*routine.done, step))


def routine_step(routine: Routine, sample: RoutineSample, focus: FocusState) -> Routine:
    """The routine after one more frame.

    Light is compared with the last steady frame, so that a ring turned slowly counts as one turned at
    once. With the exposure told, a change of level that it does not explain is the aperture: brighter
    by `routine_stops` ticks *open*, darker, once the ring is locked, ticks *stop down*. Without it
    brightness goes to whatever is the next step: brighter is *open* or *raise the exposure*, darker
    is *shorten* or *stop down*. *Turn past and back* follows the focus gauge, the two locks ten still
    frames after the step before, *check again* the sharpness after the last change against the one
    at the lock. Light switched on or off in between is taken for one of the steps; a changed scene is
    not.
    """
    last, anchor = routine.last, routine.anchor
    routine = replace(routine, last=sample)
    if sample.scene_changed or last is None or anchor is None or min(last.level, sample.level) <= 0:
        return replace(routine, anchor=sample, still=0)
    step, step_told = _stops(last, sample)
    changing = abs(step) > limit("routine_steady_stops") or abs(step_told) > limit("routine_steady_stops")
    sharper = abs(math.log(max(sample.sharpness, 1e-12) / max(last.sharpness, 1e-12)))
    steady = not changing and sharper < limit("focus_there")
    routine = replace(routine, still=routine.still + 1 if steady else 0)
    brighter, told = _stops(anchor, sample)
    known = anchor.exposure is not None and sample.exposure is not None
    aperture = brighter - told if known else _unsplit(routine, brighter)
    exposure = told if known else brighter - aperture
    before = routine.done
    routine = _changed(routine, aperture, exposure)
    if routine.done != before or routine.still >= _STILL:
        routine = replace(routine, anchor=sample, light_stops=routine.light_stops + aperture)
    return _settled(routine, sample, focus)


_STILL = 10
"""Frames in a row without change that make a state of the light."""


def _stops(before: RoutineSample, after: RoutineSample) -> tuple[float, float]:
    """Change of brightness, and the part of it that a told exposure explains, stops."""
    told = 0.0
    if before.exposure and after.exposure:
        told = math.log2(after.exposure / before.exposure)
    return math.log2(after.level / before.level), told


def _unsplit(routine: Routine, brighter: float) -> float:
    """Part of a change of brightness that goes to the aperture when the exposure is not told."""
    wanted = routine.next_step
    aperture = (
        (wanted is RoutineStep.OPEN_APERTURE and brighter > 0)
        or (wanted is RoutineStep.LOCK_RING and brighter < 0)
        or (wanted is RoutineStep.STOP_DOWN and brighter < 0)
    )
    return brighter if aperture else 0.0


def _changed(routine: Routine, aperture: float, exposure: float) -> Routine:
    """Ticks that follow from a change of light."""
    step = limit("routine_stops")
    locked = RoutineStep.LOCK_RING in routine.done or RoutineStep.TURN_PAST_AND_BACK in routine.done
    if aperture >= step and not locked:
        routine = _tick(routine, RoutineStep.OPEN_APERTURE)
    if exposure <= -step and not locked:
        routine = _tick(routine, RoutineStep.SHORTEN_EXPOSURE)
    if aperture <= -step and locked:
        routine = _tick(_tick(routine, RoutineStep.LOCK_RING), RoutineStep.STOP_DOWN)
    if exposure >= step and RoutineStep.STOP_DOWN in routine.done:
        routine = _tick(_tick(routine, RoutineStep.LOCK_APERTURE), RoutineStep.RAISE_EXPOSURE)
    return routine


def _settled(routine: Routine, sample: RoutineSample, focus: FocusState) -> Routine:
    """Ticks that follow from focus and stillness."""
    done = routine.done
    if focus.passed and focus.order is FocusOrder.THERE and RoutineStep.STOP_DOWN not in done:
        routine = _tick(routine, RoutineStep.TURN_PAST_AND_BACK)
        routine = replace(routine, sharpness_there=sample.sharpness)
    if routine.still < _STILL:
        return routine
    if RoutineStep.TURN_PAST_AND_BACK in done and focus.order is FocusOrder.THERE:
        routine = _tick(routine, RoutineStep.LOCK_RING)
    if RoutineStep.STOP_DOWN in done:
        routine = _tick(routine, RoutineStep.LOCK_APERTURE)
    if RoutineStep.RAISE_EXPOSURE in done and routine.sharpness_there:
        shift = math.log(max(sample.sharpness, 1e-12) / routine.sharpness_there)
        routine = _tick(replace(routine, focus_shift=shift), RoutineStep.CHECK_AGAIN)
    return routine


def _tick(routine: Routine, step: RoutineStep) -> Routine:
    if step in routine.done:
        return routine
    return replace(routine, done=(*routine.done, step), seen=(*routine.seen, step))


@dataclass(frozen=True, slots=True)
class Warmth:
    """Drift of a warming camera: px per minute over the newest stretch, its standard deviation, and
    whether the picture has settled."""

    drift_px_per_min: float
    sigma_px_per_min: float
    settled: bool
    minutes: float


def warm_up(times_min: Sequence[float], shifts_px: Sequence[tuple[float, float]]) -> Warmth | None:
    """Whether a still scene's place in the picture has settled; None with fewer than six samples.

    times_min: minutes, ascending; shifts_px: common shift of a still scene (x, y) at those times.
    A straight line through the newest `warm_window_min` minutes; settled when the drift, with two
    of its standard deviations, stays below `warm_drift_px_per_min`. Cameras customarily warm up 30
    minutes or more (common practice).
    """
    if len(times_min) < 6:
        return None
    since = times_min[-1] - limit("warm_window_min")
    chosen = [(t, s) for t, s in zip(times_min, shifts_px, strict=True) if t >= since]
    if len(chosen) < 6:
        chosen = list(zip(times_min, shifts_px, strict=True))[-6:]
    t_mean = sum(t for t, _ in chosen) / len(chosen)
    spread = sum((t - t_mean) ** 2 for t, _ in chosen)
    if spread <= 0:
        return None
    slopes, rest = [], 0.0
    for axis in (0, 1):
        mean = sum(s[axis] for _, s in chosen) / len(chosen)
        slope = sum((t - t_mean) * (s[axis] - mean) for t, s in chosen) / spread
        slopes.append(slope)
        rest += sum((s[axis] - mean - slope * (t - t_mean)) ** 2 for t, s in chosen)
    sigma = math.sqrt(rest / (2 * (len(chosen) - 2)) / spread)
    drift = math.hypot(*slopes)
    long_enough = chosen[-1][0] - chosen[0][0] >= 0.8 * limit("warm_window_min")
    settled = long_enough and drift + 2 * sigma < limit("warm_drift_px_per_min")
    return Warmth(drift, sigma, settled, chosen[-1][0] - chosen[0][0])
