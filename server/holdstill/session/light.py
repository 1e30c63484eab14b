"""The Light step, from shot to shot: what it remembers, whether it is done, what its page shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from holdstill.limits import limit
from holdstill.measure.exposure import camera_setting
from holdstill.records import (
    FrameMeasures,
    GlareMark,
    LightCamera,
    LightSetup,
    Rig,
    ShotReport,
    Sighting,
)

from .light_findings import findings, glare_told, on_plate
from .light_watch import (
    PLATE,
    SHOTS_REMEMBERED,
    SPECIMEN,
    LightWatch,
    advised,
    exposure_shot,
    goal_of,
    polarity,
    product_ms,
    with_subject,
)

__all__ = [
    "PLATE",
    "SPECIMEN",
    "LightWatch",
    "exposure_shot",
    "findings",
    "goal_of",
    "light_setup",
    "light_shown",
    "light_step",
    "on_plate",
    "product_ms",
    "with_subject",
]


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
    goal = goal_of(watch.subject, polarity(sighting))
    newest = exposure_shot(m, product_ms(report, camera), watch.subject)
    shots = watch.shots.get(camera)
    advice = advised(shots, goal, sighting) if shots and newest is not None else None
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
        for g in glare_told(m, sighting)
    )
