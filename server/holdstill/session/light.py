"""The Light step, from shot to shot: levels, advice for the exposure, what is wrong and its remedy."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.measure.exposure import (
    ExposureGoal,
    ExposureShot,
    advise_exposure,
    camera_setting,
    plate_goal,
    specimen_goal,
)
from holdstill.measure.lighting import BrightnessGap, brightness_gap
from holdstill.records import (
    Finding,
    FrameMeasures,
    GlareMark,
    LightCamera,
    LightSetup,
    Rig,
    Say,
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


def goal_of(subject: str, dark_dots: bool | None) -> ExposureGoal:
    """What the exposure should reach, for a plate by its polarity or for a specimen."""
    return specimen_goal() if subject == SPECIMEN else plate_goal(bright_dots=not dark_dots)


def product_ms(report: ShotReport, camera: str) -> float | None:
    """Exposure x linear gain, ms; None when not told."""
    exposure = report.exposure_ms.get(camera)
    return None if exposure is None else exposure * 10.0 ** (report.gain_db.get(camera, 0.0) / 20.0)


def light_step(
    before: LightWatch, report: ShotReport, sightings: Mapping[str, Sighting], rig: Rig
) -> LightWatch:
    """The Light step after one more shot."""
    shots = dict(before.shots)
    for camera, measures in report.measures.items():
        new = exposure_shot(measures, product_ms(report, camera), before.subject)
        if new is None:
            continue
        told = report.exposure_ms.get(camera) is not None
        old = shots.get(camera, ()) if told else ()
        same = [s for s in old if abs(math.log2(s.exposure / new.exposure)) > limit("light_same_stops")]
        shots[camera] = (*same, new)[-SHOTS_REMEMBERED:]
    after = replace(before, shots=shots)
    good = not any(f.stops_it for f in findings(after, report, sightings, rig))
    seen = all(c in sightings for c in report.measures) if after.subject == PLATE else bool(after.specimens)
    return replace(after, good_frames=before.good_frames + 1 if good and seen and report.measures else 0)


def light_shown(watch: LightWatch, *, single: bool) -> bool:
    """Whether the pictures showed the light to be right: nothing against it for some shots in a row."""
    return watch.good_frames >= (1 if single else limit("light_good_frames"))


def with_subject(watch: LightWatch, subject: str) -> LightWatch:
    """The step begun anew for a plate or a specimen."""
    return replace(watch, subject=subject, shots={}, good_frames=0, setting="", setting_shots=0)


# -- what is wrong ---------------------------------------------------------------------------------


def findings(
    watch: LightWatch, report: ShotReport, sightings: Mapping[str, Sighting], rig: Rig
) -> tuple[Finding, ...]:
    """What is wrong with the light, most useful first: nothing seen, exposure, glare, where the light
    lies, the cameras against each other, what would not stand still. Empty when nothing is."""
    found: list[Finding] = []
    for camera, measures in report.measures.items():
        covered = _covered(camera, measures, report)
        if covered is not None:
            found.append(covered)
            continue
        dark = _polarity(sightings.get(camera))
        found += _exposure(watch, camera, measures, report, dark)
        found += _specimen(watch, camera, measures) if watch.subject == SPECIMEN else []
        found += _glare(camera, measures, sightings.get(camera))
        found += _lies(camera, measures)
    found += _gap(report.measures)
    found += _unrest(watch)
    found += _slow(report, rig)
    return tuple(sorted(_shared(found, report), key=lambda f: (not f.stops_it, _ORDER.index(f.kind))))


def _shared(found: list[Finding], report: ShotReport) -> list[Finding]:
    """One finding for all cameras where every picture is too dark, or too bright."""
    out = list(found)
    for kind in ("dark", "bright"):
        own = [f for f in found if f.kind == kind]
        if len(own) > 1 and len(own) == len(report.measures):
            together = replace(own[0], what=Say(f"light.all.{kind}"), camera=None)
            out = [together, *(f for f in out if f.kind != kind)]
    return out


_ORDER = (
    "covered", "bright", "dark", "saturated", "ground", "glare", "moved", "vibration", "flicker", "shimmer",
    "hot spot", "uneven", "gap", "pattern", "fine", "coarse", "cover", "matching", "slow",
)  # fmt: skip


def _polarity(sighting: Sighting | None) -> bool | None:
    return None if sighting is None else sighting.dark_dots


def _covered(camera: str, m: FrameMeasures, report: ShotReport) -> Finding | None:
    """A camera that sees nothing at all: its cap is on, or its aperture shut."""
    if m.high_share is None or m.high_share > limit("light_covered_share"):
        return None
    alone = any(
        o.high_share is not None and o.high_share > limit("light_covered_share")
        for c, o in report.measures.items()
        if c != camera
    )
    remedy = "light.covered.remedy" if alone else "light.covered.all.remedy"
    return Finding("covered", Say("light.covered", {"camera": camera}), Say(remedy), camera)


def _exposure(
    watch: LightWatch, camera: str, m: FrameMeasures, report: ShotReport, dark_dots: bool | None
) -> Iterator[Finding]:
    shots = watch.shots.get(camera)
    newest = exposure_shot(m, product_ms(report, camera), watch.subject)
    if not shots or newest is None:
        return
    goal = goal_of(watch.subject, dark_dots)
    advice = advise_exposure(shots, goal)
    if watch.subject == SPECIMEN and m.saturated_share > limit("light_specimen_saturated"):
        yield Finding(
            "saturated",
            Say("light.specimen.saturated", {"camera": camera, "percent": 100 * m.saturated_share}),
            _by_stops(min(advice.stops, -limit("light_good_stops")), camera, report),
            camera,
        )
    elif abs(advice.stops) > limit("light_good_stops"):
        kind = "dark" if advice.stops > 0 else "bright"
        what = "light.plate" if watch.subject == PLATE else "light.specimen"
        yield Finding(
            kind, Say(f"{what}.{kind}", {"camera": camera}), _by_stops(advice.stops, camera, report), camera
        )
    elif watch.subject == PLATE and newest.dark > limit("light_ground_fill"):
        values: Numbers = {"camera": camera, "percent": 100 * newest.dark}
        yield Finding("ground", Say("light.ground", values), Say("light.ground.remedy"), camera)


def _by_stops(stops: float, camera: str, report: ShotReport) -> Say:
    """The advice in stops, and in ms and dB where the exposure is told."""
    way = "brighter" if stops > 0 else "darker"
    exposure = report.exposure_ms.get(camera)
    if exposure is None:
        return Say(f"exposure-{way}-stops", {"stops": abs(stops)})
    wanted = exposure * 2.0**stops
    return Say(f"exposure-{way}", {"stops": abs(stops), "exposure_ms": wanted})


def _glare(camera: str, m: FrameMeasures, sighting: Sighting | None) -> Iterator[Finding]:
    if sighting is None or not m.glare:
        return
    share = sum(g.plate_share for g in m.glare)
    if share <= limit("cause_glare_share"):
        return
    worst = max(m.glare, key=lambda g: g.plate_share)
    place = on_plate(worst.x_px, worst.y_px, sighting)
    values: Numbers = {"camera": camera, "place": place, "percent": 100 * share}
    yield Finding(
        "glare", Say("light.patch", values), Say("light.patch.remedy"), camera, share > limit("glare_share")
    )


def on_plate(x_px: float, y_px: float, sighting: Sighting) -> str:
    """Which ninth of the plate (as the cameras see it) holds a point of the picture: ``"upper left"``,
    ``"centre"`` ..."""
    low, high = sighting.points_px.min(axis=0), sighting.points_px.max(axis=0)
    column = min(2, max(0, int(3 * (x_px - low[0]) / max(high[0] - low[0], 1.0))))
    row = min(2, max(0, int(3 * (y_px - low[1]) / max(high[1] - low[1], 1.0))))
    names = (
        ("upper left", "top", "upper right"),
        ("left", "centre", "right"),
        ("lower left", "bottom", "lower right"),
    )
    return names[row][column]


def _lies(camera: str, m: FrameMeasures) -> Iterator[Finding]:
    if m.light is None or m.evenness is None:
        return
    if m.light.fall > limit("hot_spot_share"):
        values: Numbers = {"camera": camera, "percent": 100 * m.light.fall}
        yield Finding("hot spot", Say("light.hot", values), Say("light.hot.remedy"), camera, False)
    elif m.evenness < limit("light_evenness"):
        sideways = abs(m.light.slope_x) >= abs(m.light.slope_y)
        slope = m.light.slope_x if sideways else m.light.slope_y
        side = ("left" if slope > 0 else "right") if sideways else ("top" if slope > 0 else "bottom")
        percent = 100 * (1 - m.evenness)
        values = {"camera": camera, "percent": percent, "place": side}
        yield Finding("uneven", Say("light.falls", values), Say("light.falls.remedy", values), camera, False)


def _gap(measures: Mapping[str, FrameMeasures]) -> Iterator[Finding]:
    gap = brightness_gap(measures)
    if isinstance(gap, BrightnessGap) and gap.matters:
        values: Numbers = {"camera": gap.darkest, "stops": gap.stops}
        yield Finding("gap", Say("light.gap", values), Say("light.gap.remedy"), gap.darkest, False)


_UNREST = {
    "flicker": ("flicker", "flicker_share", 100.0),
    "vibration": ("vibration", "vibration_px", 1.0),
    "heat shimmer": ("shimmer", "shimmer_px", 1.0),
    "moved camera": ("moved", "step_px", 1.0),
}


def _unrest(watch: LightWatch) -> Iterator[Finding]:
    """What the last watch of a still scene showed: each cause once, by the camera it is worst in."""
    for cause, (kind, strength, scale) in _UNREST.items():
        hit = [s for s in watch.standstill.values() if cause == s.cause or cause in s.others]
        if hit:
            worst = max(hit, key=lambda s: float(getattr(s, strength)))
            size = scale * float(getattr(worst, strength))
            values: Numbers = {"camera": worst.camera, "size": size}
            yield Finding(
                kind, Say(f"light.unrest.{kind}", values), Say(f"light.unrest.{kind}.remedy"), worst.camera
            )


def _slow(report: ShotReport, rig: Rig) -> Iterator[Finding]:
    """An exposure so long that a plate held in the hands blurs."""
    for camera, exposure in report.exposure_ms.items():
        most = hand_held_ms(rig, camera)
        if most is not None and exposure > limit("light_slow_factor") * most:
            values: Numbers = {"camera": camera, "exposure_ms": exposure, "most_ms": most}
            yield Finding("slow", Say("light.slow", values), Say("light.slow.remedy"), camera, False)


def hand_held_ms(rig: Rig, camera: str) -> float | None:
    """Longest exposure, ms, at which a plate held in the hands stays sharp; None when not known."""
    c = next((c for c in rig.cameras if c.name == camera), None)
    if c is None or rig.stand_off_mm is None or not (c.focal_mm and c.pixel_um):
        return None
    if rig.stand_off_mm <= c.focal_mm:
        return None
    scale = optics.image_scale_um_per_px(c.focal_mm, rig.stand_off_mm, c.pixel_um)
    return optics.longest_exposure_ms(limit("paper_tremor_mm_per_s"), scale, limit("still_blur_px"))


def _specimen(watch: LightWatch, camera: str, m: FrameMeasures) -> Iterator[Finding]:
    del m
    seen = watch.specimens.get(camera)
    if seen is None:
        return
    if seen.speckle_px is None or seen.cover is None:
        yield Finding("pattern", Say("light.no-pattern", {"camera": camera}), Say("light.no-pattern.remedy"))
        return
    values: Numbers = {"camera": camera, "px": seen.speckle_px}
    if seen.speckle_px < limit("speckle_least_px"):
        yield Finding("fine", Say("light.speckle.fine", values), Say("light.speckle.fine.remedy"), camera)
    elif seen.speckle_px > limit("speckle_most_px"):
        yield Finding(
            "coarse", Say("light.speckle.coarse", values), Say("light.speckle.coarse.remedy"), camera, False
        )
    if abs(seen.cover - 0.5) > limit("speckle_cover_off"):
        percent: Numbers = {"camera": camera, "percent": 100 * seen.cover}
        yield Finding("cover", Say("light.cover", percent), Say("light.cover.remedy"), camera, False)
    if seen.match_sigma_px is not None and seen.match_sigma_px > limit("match_most_px"):
        noise: Numbers = {"camera": camera, "px": seen.match_sigma_px}
        yield Finding("matching", Say("light.matching", noise), Say("light.matching.remedy"), camera, False)


# -- what the page shows ---------------------------------------------------------------------------


def light_setup(
    watch: LightWatch,
    report: ShotReport | None,
    sightings: Mapping[str, Sighting],
    cameras: Sequence[str],
    rig: Rig,
) -> LightSetup:
    """What the Light page shows."""
    return LightSetup(
        subject=watch.subject,
        cameras=tuple(_camera(watch, report, sightings.get(c), c) for c in cameras),
        findings=findings(watch, report, sightings, rig) if report is not None else (),
        can_set=watch.can_set,
        setting=watch.setting,
        setting_shots=watch.setting_shots,
        watching=watch.watching,
        standstill=tuple(watch.standstill.values()),
    )


def _camera(
    watch: LightWatch, report: ShotReport | None, sighting: Sighting | None, camera: str
) -> LightCamera:
    m = report.measures.get(camera) if report is not None else None
    if report is None or m is None:
        return LightCamera(camera)
    goal = goal_of(watch.subject, _polarity(sighting))
    newest = exposure_shot(m, product_ms(report, camera), watch.subject)
    shots = watch.shots.get(camera)
    advice = advise_exposure(shots, goal) if shots and newest is not None else None
    exposure, gain = report.exposure_ms.get(camera), report.gain_db.get(camera)
    setting = None
    if advice is not None and exposure is not None:
        setting = camera_setting(
            advice.stops,
            exposure_ms=exposure,
            gain_db=gain or 0.0,
            longest_ms=max(exposure, limit("exposure_longest_ms")),
            most_gain_db=max(gain or 0.0, limit("exposure_most_gain_db")),
        )
    good = limit("light_good_stops")
    return LightCamera(
        camera=camera,
        fill=newest.bright if newest else None,
        ground=newest.dark if newest else None,
        goal_low=goal.bright * 2.0**-good,
        goal_high=goal.bright * 2.0**good,
        estimated=advice.estimated_bright if advice else None,
        stops=advice.stops if advice else None,
        exposure_ms=exposure,
        gain_db=gain,
        advised_ms=setting.exposure_ms if setting else None,
        advised_gain_db=setting.gain_db if setting else None,
        clip_level=m.clip_level,
        clip_seen=m.clip_seen,
        saturated_share=m.saturated_share,
        saturated_in_dots=m.saturated_in_dots,
        saturated_outside=m.saturated_outside,
        evenness=m.evenness,
        glare=_marks(m, sighting, report.sizes_px.get(camera)),
        specimen=watch.specimens.get(camera),
    )


def _marks(
    m: FrameMeasures, sighting: Sighting | None, size: tuple[int, int] | None
) -> tuple[GlareMark, ...]:
    if size is None or sighting is None:
        return ()
    return tuple(
        GlareMark(
            round(g.x_px / size[0], 4),
            round(g.y_px / size[1], 4),
            round(g.radius_px / size[0], 4),
            on_plate(g.x_px, g.y_px, sighting),
            round(g.plate_share, 4),
        )
        for g in m.glare
        if g.plate_share > 0
    )
