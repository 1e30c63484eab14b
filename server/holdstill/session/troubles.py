"""What is wrong with a shot, the most useful thing first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from holdstill import measure
from holdstill.limits import limit
from holdstill.records import FrameMeasures, Nothing, Place, Plate, ShotReport, Sighting, Stillness, Trouble

from .state import State

Numbers = Mapping[str, float | int | str]


@dataclass(frozen=True, slots=True)
class Found:
    """A trouble, the camera that shows it (None: all, or no one camera), where, and numbers."""

    trouble: Trouble
    camera: str | None = None
    place: Place | None = None
    numbers: Numbers = field(default_factory=dict)
    way: str | None = None
    """What would mend it, where there is more than one way: the edge to bring toward the cameras (a
    `Place` value, as the cameras see it) so that glare leaves the plate, or ``"covered"``."""


HANDS = (Trouble.GLARE, Trouble.FINGER, Trouble.SHADOW, Trouble.HALF_OUT, Trouble.BLURRED, Trouble.DEFOCUSED)
"""What the hands can mend, in the order in which equal ones are told."""


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
    if not plate_expected:
        return None
    for found in _of_plate(state, report, sightings):
        return found
    for found in _of_blur(sightings, typical_blur_px):
        return found
    return None


def _of_files(state: State, report: ShotReport) -> Iterator[Found]:
    for camera, message in report.refused.items():
        yield Found(Trouble.BAD_FILE, camera, numbers={"message": message})
    for camera in state.cameras:
        if camera not in report.sizes_px and camera not in report.refused:
            yield Found(Trouble.PARTNER_MISSING, camera)
    for entry in state.entries[-1:]:
        for camera, size in report.sizes_px.items():
            before = entry.view.sightings.get(camera)
            if before is not None and before.image_size_px != size:
                numbers: dict[str, float | int | str] = {
                    "width_px": size[0],
                    "height_px": size[1],
                    "width_before_px": before.image_size_px[0],
                    "height_before_px": before.image_size_px[1],
                }
                yield Found(Trouble.MISMATCH, camera, numbers=numbers)


def _of_plate(state: State, report: ShotReport, sightings: Mapping[str, Sighting]) -> Iterator[Found]:
    whys = {c: n for c, n in report.sightings.items() if isinstance(n, Nothing)}
    strange = [n for n in whys.values() if n.why in ("wrong target", "wrong identity")]
    if strange and len(strange) == len(report.sightings):
        yield Found(Trouble.WRONG_PLATE, numbers=strange[0].numbers)
    found = _causes(state, report, sightings)
    covered = _covered(found, report, sightings)
    if covered is not None:
        yield covered
    light = [f for f in found if f.trouble in (Trouble.TOO_DARK, Trouble.TOO_BRIGHT)]
    yield from _shared(light, state)
    hands = sorted((f for f in found if f.trouble in HANDS), key=lambda f: HANDS.index(f.trouble))
    blind = [c for c in state.cameras if c not in sightings]
    if blind and len(blind) < len(state.cameras):
        # Glare in a picture that shows the plate does not keep another camera from seeing it.
        hands = [f for f in hands if f.trouble is not Trouble.GLARE or f.camera in blind]
    yield from _shared(hands, state)
    if blind and len(blind) == len(state.cameras):
        yield Found(Trouble.NO_PLATE)
    elif blind:
        yield Found(Trouble.ONE_CAMERA, blind[0])
    for camera, sighting in sightings.items():
        short = _too_few(state.plate, camera, sighting)
        if short is not None:
            yield short


def _shared(found: list[Found], state: State) -> Iterator[Found]:
    """The same, a trouble that every camera has being told of no one camera."""
    for one in found:
        having = {f.camera for f in found if f.trouble is one.trouble}
        everywhere = len(state.cameras) > 1 and having >= set(state.cameras)
        yield replace(one, camera=None) if everywhere else one


def _covered(
    found: list[Found], report: ShotReport, sightings: Mapping[str, Sighting]
) -> Found | None:
    """A camera that is dark while another, exposed alike, sees the plate well: its lens is covered."""
    dark = [f for f in found if f.trouble is Trouble.TOO_DARK and f.camera not in sightings]
    lit = [c for c in sightings if all(f.camera != c for f in found if f.trouble is Trouble.TOO_DARK)]
    for one in dark:
        mine = report.exposure_ms.get(one.camera or "")
        theirs = [report.exposure_ms[c] for c in lit if c in report.exposure_ms]
        alike = mine is None or not theirs or mine > min(theirs) / limit("covered_exposure_ratio")
        if lit and alike:
            return Found(Trouble.ONE_CAMERA, one.camera, numbers=one.numbers, way="covered")
    return None


def _causes(state: State, report: ShotReport, sightings: Mapping[str, Sighting]) -> list[Found]:
    """What `measure` sees in each camera, where it costs points or the whole plate."""
    out: list[Found] = []
    for camera, measures in report.measures.items():
        seen: Sighting | Nothing | None = sightings.get(camera) or report.sightings.get(camera)
        if seen is None:
            continue
        others = {c: s for c, s in report.sightings.items() if c != camera}
        for cause in measure.causes(seen, measures, plate=state.plate, others=others):
            if _matters(cause, seen, state.plate):
                way = _tip(seen, measures) if cause.trouble is Trouble.GLARE else None
                out.append(Found(cause.trouble, camera, _place(cause, report), cause.numbers, way))
    return out


def _tip(seen: Sighting | Nothing, measures: FrameMeasures) -> str | None:
    """The edge of the plate to bring toward the cameras so that the largest glare patch leaves over it.

    A patch lies where the plate's normal halves the angle between camera and lamp. Turning an edge
    toward the cameras moves it toward that edge (law of reflection), so the nearest edge is the one.
    """
    if not isinstance(seen, Sighting) or not measures.glare:
        return None
    patch = max(measures.glare, key=lambda g: g.plate_share)
    (left, top), (right, bottom) = seen.outline_px.min(axis=0), seen.outline_px.max(axis=0)
    gaps = {
        Place.LEFT: patch.x_px - float(left),
        Place.RIGHT: float(right) - patch.x_px,
        Place.TOP: patch.y_px - float(top),
        Place.BOTTOM: float(bottom) - patch.y_px,
    }
    return min(gaps, key=lambda place: gaps[place]).value


def _matters(cause: measure.Cause, seen: Sighting | Nothing, plate: Plate) -> bool:
    """Whether a cause spoils the view: glare always, a finger or shadow once it hides enough, smear
    once it is clear of what still photographs show."""
    if not isinstance(seen, Sighting):
        return True
    if cause.trouble is Trouble.GLARE:
        return cause.weight > limit("glare_share")
    if cause.trouble is Trouble.BLURRED:
        smear = cause.numbers.get("smear_px", 0.0)
        return isinstance(smear, float) and smear > limit("refuse_smear_px")
    if cause.trouble in (Trouble.FINGER, Trouble.SHADOW, Trouble.HALF_OUT):
        return cause.weight > 1.0 - limit("keep_points_share")
    return True


def _place(cause: measure.Cause, report: ShotReport) -> Place | None:
    x, y = cause.numbers.get("x_px"), cause.numbers.get("y_px")
    size = report.sizes_px.get(cause.camera)
    if isinstance(x, float) and isinstance(y, float) and size is not None:
        return ninth(x, y, size)
    return None


def ninth(x_px: float, y_px: float, size_px: tuple[int, int]) -> Place:
    """The part of the picture (a ninth) that holds a point, as the cameras see it."""
    column = min(2, max(0, int(3 * x_px / size_px[0])))
    row = min(2, max(0, int(3 * y_px / size_px[1])))
    return tuple(Place)[3 * row + column]


def _too_few(plate: Plate, camera: str, sighting: Sighting) -> Found | None:
    """Too few points, or a numbering that can't be trusted, whatever the cause."""
    printed = plate.point_count - len(plate.absent)
    share = len(sighting.point_ids) / printed
    if share >= limit("keep_points_share") and (sighting.absolute or _whole(plate, sighting)):
        return None
    numbers: dict[str, float | int | str] = {"found": len(sighting.point_ids), "wanted": printed}
    border = _border(sighting)
    if border is not None:
        return Found(Trouble.HALF_OUT, camera, border, numbers)
    return Found(Trouble.FINGER, camera, numbers=numbers)


def _border(sighting: Sighting) -> Place | None:
    """The picture's border that cuts the plate: a point found lies within a row of it; None: none."""
    width, height = sighting.image_size_px
    row_px = 2.5 * (sighting.dot_diameter_px or 0.02 * width)
    (left, top), (right, bottom) = sighting.points_px.min(axis=0), sighting.points_px.max(axis=0)
    gaps = {
        Place.LEFT: float(left),
        Place.TOP: float(top),
        Place.RIGHT: width - 1 - float(right),
        Place.BOTTOM: height - 1 - float(bottom),
    }
    nearest = min(gaps, key=lambda place: gaps[place])
    return nearest if gaps[nearest] < row_px else None


def _whole(plate: Plate, sighting: Sighting) -> bool:
    """Whether the numbering is certain but for the half turn: every border row and column was seen."""
    rows, columns = sighting.point_ids // plate.columns, sighting.point_ids % plate.columns
    return bool(
        rows.min() == 0
        and columns.min() == 0
        and rows.max() == plate.rows - 1
        and columns.max() == plate.columns - 1
    )


def _of_blur(sightings: Mapping[str, Sighting], typical_blur_px: float | None) -> Iterator[Found]:
    for camera, sighting in sightings.items():
        blur = sighting.blur_px
        if blur is None:
            continue
        over_typical = typical_blur_px is not None and blur > max(
            1.0, limit("relative_blur") * typical_blur_px
        )
        if blur > limit("single_blur_px") or over_typical:
            yield Found(Trouble.DEFOCUSED, camera, numbers={"blur_px": blur})
