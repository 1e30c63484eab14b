"""How much brighter or darker the next shot should be, learned from the shots so far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from holdstill.limits import limit


@dataclass(frozen=True, slots=True)
class ExposureShot:
    """What one shot showed. `exposure`: exposure time x linear gain, any fixed unit; `bright`,
    `dark`: levels of the two parts over the clipping level, 0..1 (dot fill and ground fill of a
    plate; 99th and 1st percentile of a specimen)."""

    exposure: float
    bright: float
    dark: float


@dataclass(frozen=True, slots=True)
class ExposureGoal:
    """What to reach: level of the bright part over the clipping level (above 1: just saturated),
    and the most that the dark part may have."""

    bright: float
    dark_most: float


@dataclass(frozen=True, slots=True)
class ExposureAdvice:
    """stops: change advised, positive brighter; 0 when the goal is met. sure: False while only a
    first guess is possible (everything clips). estimated_bright: where the bright part stands now
    over the clipping level, above 1 when it clips. black: level without light, over the clipping
    level, as far as it could be told."""

    stops: float
    sure: bool
    estimated_bright: float
    black: float


def plate_goal(*, bright_dots: bool) -> ExposureGoal:
    """Goal for frames of a plate: bright dots on a dark ground just saturated, with the ground clear
    (customary: dots just overexposed give the lower rms, common practice); dark dots on a bright
    ground, and boards, below clipping, where blooming would eat the dots."""
    level = limit("exposure_dots_goal") if bright_dots else limit("exposure_ground_goal")
    return ExposureGoal(level, limit("exposure_dark_most"))


def specimen_goal() -> ExposureGoal:
    """Goal for frames of a specimen: nothing saturated (digitalimagecorrelation.org primer, section
    4, read), the bright end well up."""
    return ExposureGoal(limit("exposure_specimen_goal"), 1.0)


_CLIPS = 0.975
"""Level over the clipping level from which the bright part says nothing about the light."""
_LEVEL_ERROR = 0.008
"""Error of a level over the clipping level, as it grows with the step taken from it."""


def advise_exposure(shots: Sequence[ExposureShot], goal: ExposureGoal) -> ExposureAdvice:
    """Change of exposure for the next shot, in stops; the newest shot last. ValueError without shots.

    Levels are straight lines in exposure, ``level = black + k exposure``, until they clip. With an
    unclipped bright part the goal follows at once; the black level is known from two unclipped
    shots at least half a stop apart (0 before). With everything bright clipped, the dark part times
    the plate's usual contrast guesses it, and the step goes on purpose to half the goal, so that the
    next shot measures; with the dark part clipped too, `exposure_blind_stops` down. Earlier shots are dropped
    when the newest does not fit their line (the light was changed). Within `exposure_good` of the
    goal nothing is advised, so the loop does not hunt. No more than six stops at a time.
    """
    if not shots:
        raise ValueError("no shots: an exposure can't be advised without one")
    now = shots[-1]
    used = _same_light(shots)
    black = _black(used)
    open_shots = [shot for shot in used if shot.bright < _CLIPS and shot.bright > black]
    if open_shots:
        best = max(open_shots, key=lambda shot: shot.bright)
        slope = (best.bright - black) / best.exposure
        wanted = (goal.bright - black) / slope
        dark = [shot for shot in used if black < shot.dark < _CLIPS]
        if dark:
            brightest = max(dark, key=lambda shot: shot.dark)
            dark_slope = (brightest.dark - black) / brightest.exposure
            if dark_slope > 0.02 * slope:
                wanted = min(wanted, max(goal.dark_most - black, 0.02) / dark_slope)
        estimated = black + slope * now.exposure
        stops = math.log2(wanted / now.exposure)
        if abs(stops) <= limit("exposure_good"):
            stops = 0.0
        return ExposureAdvice(_held(stops), True, estimated, black)
    if now.bright < _CLIPS:
        # Nothing above the black level: as dark as can be.
        return ExposureAdvice(limit("exposure_blind_stops"), False, now.bright, black)
    if now.dark >= _CLIPS:
        return ExposureAdvice(
            -limit("exposure_blind_stops"), False, 2.0 ** limit("exposure_blind_stops"), black
        )
    guess = max((now.dark - black) * limit("exposure_contrast"), 1.0)
    stops = math.log2(0.5 * goal.bright / guess)
    return ExposureAdvice(_held(min(stops, -1.0)), False, guess, black)


def _held(stops: float) -> float:
    return max(-6.0, min(6.0, stops))


def _black(shots: Sequence[ExposureShot]) -> float:
    """Level without light, from the pair of unclipped levels of one part (bright or dark) whose
    exposures lie furthest apart; 0 with none half a stop apart. Never above 0.9 of the darkest."""
    darkest = min(min(shot.dark, shot.bright) for shot in shots)
    best, apart = 0.0, 2**0.5
    for levels in ([(s.exposure, s.bright) for s in shots], [(s.exposure, s.dark) for s in shots]):
        open_levels = sorted(level for level in levels if level[1] < _CLIPS)
        if len(open_levels) < 2:
            continue
        (low_e, low), (high_e, high) = open_levels[0], open_levels[-1]
        if high_e / low_e >= apart:
            apart = high_e / low_e
            best = low - (high - low) / (high_e - low_e) * low_e
    return min(max(best, 0.0), 0.9 * darkest)


def _same_light(shots: Sequence[ExposureShot]) -> Sequence[ExposureShot]:
    """The newest shots that lie on one line with the last, judged by the dark part where both can be
    compared and by the bright one where neither clips."""
    now = shots[-1]
    for k in range(len(shots) - 2, -1, -1):
        before = shots[k]
        ratio = now.exposure / before.exposure
        if now.bright < _CLIPS and before.bright < _CLIPS:
            got, was = now.bright, before.bright
        elif now.dark < _CLIPS and before.dark < _CLIPS:
            got, was = now.dark, before.dark
        else:
            continue
        # With a black level between 0 and `was` the level may lie anywhere between these two.
        ends = sorted((was, was * ratio))
        slack = 0.15 * max(ends[1], 0.02) + _LEVEL_ERROR * max(ratio, 1.0)
        if not ends[0] - slack <= got <= ends[1] + slack:
            return shots[k + 1 :]
    return shots


@dataclass(frozen=True, slots=True)
class CameraSetting:
    """Exposure time (ms) and gain (dB) to set."""

    exposure_ms: float
    gain_db: float


def camera_setting(
    stops: float,
    *,
    exposure_ms: float,
    gain_db: float = 0.0,
    longest_ms: float = math.inf,
    shortest_ms: float = 0.01,
    most_gain_db: float = 24.0,
) -> CameraSetting:
    """Exposure and gain that are `stops` brighter than now; gain only when the time runs out.

    A stop is a factor of two; gain in dB of amplitude (20 log10). Gain already set is taken back
    first when getting darker, and traded for time while that stays below `longest_ms` (the limit
    from motion blur or frame rate).
    """
    product = exposure_ms * 10 ** (gain_db / 20.0) * 2.0**stops
    time = min(max(product, shortest_ms), longest_ms)
    gain = 20.0 * math.log10(max(product / time, 1.0))
    return CameraSetting(time, min(gain, most_gain_db))
