"""What the Light step remembers from shot to shot, and its advice for the exposure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from holdstill.limits import limit
from holdstill.measure.exposure import (
    ExposureAdvice,
    ExposureGoal,
    ExposureShot,
    advise_exposure,
    plate_goal,
    specimen_goal,
)
from holdstill.records import (
    FrameMeasures,
    ShotReport,
    Sighting,
    SpecimenLight,
    Standstill,
)

PLATE, SPECIMEN = "plate", "specimen"
Numbers = dict[str, float | int | str]
SHOTS_REMEMBERED = 6


@dataclass(frozen=True, slots=True, eq=False)
class LightWatch:
    """Where the Light step stands. Disposable: lost on restart without harm.

    shots
        camera -> what its newest shots showed, one for each exposure, newest last.
    good_frames
        Shots in a row in which nothing stood against going on.
    specimens, standstill
        camera -> what the last closer look showed.
    setting, setting_shots
        The exposure loop as `LightSetup` tells it.
    """

    subject: str = PLATE
    shots: Mapping[str, tuple[ExposureShot, ...]] = field(default_factory=dict)
    good_frames: int = 0
    specimens: Mapping[str, SpecimenLight] = field(default_factory=dict)
    standstill: Mapping[str, Standstill] = field(default_factory=dict)
    watching: int = 0
    setting: str = ""
    setting_shots: int = 0
    can_set: bool = False


def exposure_shot(m: FrameMeasures, exposure: float | None, subject: str) -> ExposureShot | None:
    """What a frame says about the exposure; None where it shows nothing to judge by. Without a told
    exposure it counts as 1."""
    if subject == PLATE:
        if m.dot_fill is None or m.ground_fill is None:
            return None
        return ExposureShot(exposure or 1.0, m.dot_fill, m.ground_fill)
    if m.high_share is None or m.low_share is None:
        return None
    return ExposureShot(exposure or 1.0, m.high_share, m.low_share)


def advised(shots: Sequence[ExposureShot], goal: ExposureGoal, sighting: Sighting | None) -> ExposureAdvice:
    """The change of exposure to tell of, from the shots there happen to be.

    While the bright part clips and no darker shot has measured it, nobody knows how far over it is: it is
    called too bright only when the dark part says so, or dots that have grown beyond their size. (Setting
    the exposure goes down on purpose and measures.)
    """
    advice = advise_exposure(shots, goal)
    newest = shots[-1]
    if advice.sure or newest.bright < goal.bright * 2.0 ** -limit("light_good_stops"):
        return advice
    grown = sighting is not None and (sighting.dot_growth or 1.0) > limit("light_dot_growth")
    if newest.dark > goal.dark_most or grown or goal.bright <= 1.0:
        return advice
    return ExposureAdvice(0.0, False, newest.bright, advice.black)


def goal_of(subject: str, dark_dots: bool | None) -> ExposureGoal:
    """What the exposure should reach, for a plate by its polarity or for a specimen."""
    return specimen_goal() if subject == SPECIMEN else plate_goal(bright_dots=not dark_dots)


def product_ms(report: ShotReport, camera: str) -> float | None:
    """Exposure x linear gain, ms; None when not told."""
    exposure = report.exposure_ms.get(camera)
    return None if exposure is None else exposure * 10.0 ** (report.gain_db.get(camera, 0.0) / 20.0)


def polarity(sighting: Sighting | None) -> bool | None:
    """Whether the plate's dots are dark; None without a sighting."""
    return None if sighting is None else sighting.dark_dots


def with_subject(watch: LightWatch, subject: str) -> LightWatch:
    """The step begun anew for a plate or a specimen."""
    return replace(watch, subject=subject, shots={}, good_frames=0, setting="", setting_shots=0)
