"""What is wrong with a shot, the most useful thing first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from holdstill.limits import limit
from holdstill.records import (
    FrameMeasures,
    Nothing,
    Place,
    Plate,
    ShotReport,
    Sighting,
    Stillness,
    Trouble,
)

from .state import State

Numbers = Mapping[str, float | int | str]


@dataclass(frozen=True, slots=True)
class Found:
    """A trouble, the camera that shows it (None: all, or no one camera), where, and numbers."""

    trouble: Trouble
    camera: str | None = None
    place: Place | None = None
    numbers: Numbers = field(default_factory=dict)


def first_trouble(
    state: State,
    report: ShotReport,
    sightings: Mapping[str, Sighting],
    still: Mapping[str, Stillness],
    *,
    typical_blur_px: float | None,
    plate_expected: bool,
) -> Found | None:
    """The most useful trouble of a shot, or None when it is clean.

    Order: what no pose can cure (files, partners, light) before what the hands can (where the
    plate is, what covers it), before what waiting cures (motion, focus).
    """
    for found in _of_files(state, report):
        return found
    for found in _of_light(report):
        return found
    if not plate_expected:
        return None
    for found in _of_plate(state, report, sightings):
        return found
    for found in _of_motion(report, still, sightings, typical_blur_px):
        return found
    return None


def _of_files(state: State, report: ShotReport) -> Iterator[Found]:
    for camera, message in report.refused.items():
        yield Found(Trouble.BAD_FILE, camera, numbers={"message": message})
    for camera in state.cameras:
        if camera not in report.sizes_px and camera not in report.refused:
            yield Found(Trouble.PARTNER_MISSING, camera)
    for entry in reversed(state.entries):
        for camera, size in report.sizes_px.items():
            before = entry.view.sightings.get(camera)
            if before is not None and before.image_size_px != size:
                yield Found(
                    Trouble.MISMATCH,
                    camera,
                    numbers={
                        "width_px": size[0],
                        "height_px": size[1],
                        "width_before_px": before.image_size_px[0],
                        "height_before_px": before.image_size_px[1],
                    },
                )
        break


def _of_light(report: ShotReport) -> Iterator[Found]:
    for camera, m in report.measures.items():
        seen = isinstance(report.sightings.get(camera), Sighting)
        bright = m.dot_fill if m.dot_fill is not None else m.mean_level / m.clip_level
        if seen and m.dot_fill is not None and m.dot_fill < limit("dark_dot_fill"):
            yield Found(Trouble.TOO_DARK, camera, numbers={"dot_fill": m.dot_fill})
        elif not seen and bright < limit("dark_mean"):
            yield Found(Trouble.TOO_DARK, camera, numbers={"mean_share": bright})
        elif not seen and m.saturated_share > limit("bright_share"):
            yield Found(Trouble.TOO_BRIGHT, camera, numbers={"saturated_share": m.saturated_share})
        elif seen and m.ground_fill is not None and m.ground_fill > limit("bright_ground_fill"):
            yield Found(Trouble.TOO_BRIGHT, camera, numbers={"ground_fill": m.ground_fill})


def _of_plate(
    state: State, report: ShotReport, sightings: Mapping[str, Sighting]
) -> Iterator[Found]:
    blind = [c for c in state.cameras if c not in sightings]
    whys = {c: n for c, n in report.sightings.items() if isinstance(n, Nothing)}
    for camera in blind:
        if whys.get(camera) is not None and whys[camera].why == "wrong plate":
            yield Found(Trouble.WRONG_PLATE, camera, numbers=whys[camera].numbers)
    for camera in blind:
        hidden = _hidden(report.measures.get(camera))
        if hidden is not None:
            yield Found(hidden, camera, numbers=whys[camera].numbers if camera in whys else {})
    if blind and len(blind) == len(state.cameras):
        yield Found(Trouble.NO_PLATE)
    elif blind:
        yield Found(Trouble.ONE_CAMERA, blind[0])
    for camera, sighting in sightings.items():
        found = _of_missing(state.plate, camera, sighting, report.measures.get(camera))
        if found is not None:
            yield found


def _hidden(measures: FrameMeasures | None) -> Trouble | None:
    """Why a plate that must be there was not found: glare, when much of the picture clips."""
    if measures is not None and measures.glare and max(g.plate_share for g in measures.glare) > 0:
        return Trouble.GLARE
    return None


def _of_missing(
    plate: Plate, camera: str, sighting: Sighting, measures: FrameMeasures | None
) -> Found | None:
    printed = plate.point_count - len(plate.absent)
    share = len(sighting.point_ids) / printed
    glare = measures.glare if measures is not None else ()
    glared = {i for g in glare for i in g.point_ids}
    numbers: dict[str, float | int | str] = {"found": len(sighting.point_ids), "wanted": printed}
    if glared and (share < 1.0 or max(g.plate_share for g in glare) > limit("glare_share")):
        return Found(Trouble.GLARE, camera, numbers={**numbers, "covered": len(glared)})
    if share >= limit("keep_points_share") and (sighting.absolute or _whole(plate, sighting)):
        return None
    if len(sighting.missing_ids) < printed - len(sighting.point_ids):
        return Found(Trouble.HALF_OUT, camera, numbers=numbers)
    return Found(Trouble.FINGER, camera, numbers=numbers)


def _whole(plate: Plate, sighting: Sighting) -> bool:
    """Whether the numbering is certain but for the half turn: every row and column was seen."""
    rows, columns = sighting.point_ids // plate.columns, sighting.point_ids % plate.columns
    return bool(
        rows.min() == 0
        and columns.min() == 0
        and rows.max() == plate.rows - 1
        and columns.max() == plate.columns - 1
    )


def _of_motion(
    report: ShotReport,
    still: Mapping[str, Stillness],
    sightings: Mapping[str, Sighting],
    typical_blur_px: float | None,
) -> Iterator[Found]:
    if report.single:
        for camera, measures in report.measures.items():
            motion = measures.motion_blur_px
            if motion is not None and motion > limit("motion_blur_px"):
                yield Found(Trouble.BLURRED, camera, numbers={"motion_blur_px": motion})
    for camera, sighting in sightings.items():
        blur = sighting.blur_px
        if blur is None:
            continue
        over_typical = typical_blur_px is not None and blur > limit("relative_blur") * typical_blur_px
        if blur > limit("single_blur_px") or over_typical:
            yield Found(Trouble.DEFOCUSED, camera, numbers={"blur_px": blur})
