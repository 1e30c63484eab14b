"""Light over the field and between the cameras, and how a plate sits in the pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from holdstill.limits import limit
from holdstill.records import FloatArray, FrameMeasures, Nothing, Plate, Sighting

from .optics import DepthOfField, sharp_tilt_deg


@dataclass(frozen=True, slots=True)
class LightField:
    """How the light lies over a picture.

    peak_x, peak_y
        Where it is brightest, -1..1 from the left to the right and from the top to the bottom.
    hot_share
        Brightest over the median of the fitted surface, less one: 0 = flat.
    slope_x, slope_y
        Change over the half width and half height, over the mean (towards right, down).
    hot_spot
        True for a bright middle that falls off on all sides (a lamp between or under the cameras, or
        a ring light), False for light that only slopes.
    evenness
        Lowest over highest of the surface, 0..1.
    """

    peak_x: float
    peak_y: float
    hot_share: float
    slope_x: float
    slope_y: float
    hot_spot: bool
    evenness: float


def light_field(measures: FrameMeasures) -> LightField | Nothing:
    """Surface of the light from the means of the picture's regions.

    Takes what is in view as alike everywhere on the scale of a region (a plate or a speckled surface
    that fills the picture). A quadratic surface; a hot spot needs the peak inside the picture, at
    least `hot_spot_share` above the edges in both directions. Nothing ("no regions").
    """
    rows, columns = measures.region_grid
    means = np.asarray(measures.region_means, dtype=np.float64)
    if means.size != rows * columns or means.size < 12:
        return Nothing("no regions", {"found": int(means.size)})
    row, column = np.divmod(np.arange(means.size), columns)
    x, y = (column + 0.5) / columns * 2 - 1, (row + 0.5) / rows * 2 - 1
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fit, *_ = np.linalg.lstsq(terms, means, rcond=None)
    surface = terms @ fit
    level = max(float(np.median(surface)), 1e-9)
    k = int(np.argmax(surface))
    bend = np.array([[2 * fit[3], fit[4]], [fit[4], 2 * fit[5]]])
    falls = np.linalg.eigvalsh(bend)
    inside = abs(x[k]) < 0.7 and abs(y[k]) < 0.7
    hot = bool(inside and falls.max() < 0 and -0.5 * falls.max() > limit("hot_spot_share") * level)
    return LightField(
        peak_x=float(x[k]),
        peak_y=float(y[k]),
        hot_share=float(surface.max() / level - 1),
        slope_x=float(fit[1] / level),
        slope_y=float(fit[2] / level),
        hot_spot=hot,
        evenness=float(np.clip(surface.min() / max(surface.max(), 1e-9), 0, 1)),
    )


@dataclass(frozen=True, slots=True)
class BrightnessGap:
    """Brightest and darkest camera, and how many stops lie between them; `matters`: more than
    `camera_gap_stops`."""

    brightest: str
    darkest: str
    stops: float
    matters: bool


def brightness_gap(measures: Mapping[str, FrameMeasures]) -> BrightnessGap | Nothing:
    """Difference in brightness between the cameras of one shot, in stops.

    By the plate's bright part where every camera sees it unclipped, then by its dark part, else by
    the pictures' means, each over the camera's clipping level. Nothing ("one camera", "dark").
    """
    if len(measures) < 2:
        return Nothing("one camera", {"found": len(measures)})
    level = _comparable(measures)
    if min(level.values()) <= 0:
        return Nothing("dark", {"level": min(level.values())})
    brightest = max(level, key=lambda name: level[name])
    darkest = min(level, key=lambda name: level[name])
    stops = math.log2(level[brightest] / level[darkest])
    return BrightnessGap(brightest, darkest, stops, stops > limit("camera_gap_stops"))


def _comparable(measures: Mapping[str, FrameMeasures]) -> dict[str, float]:
    fills = {name: m.dot_fill for name, m in measures.items()}
    if all(fill is not None and fill < 0.975 for fill in fills.values()):
        return {name: fill or 0.0 for name, fill in fills.items()}
    grounds = {name: m.ground_fill for name, m in measures.items()}
    if all(ground is not None and ground > 0.01 for ground in grounds.values()):
        return {name: ground or 0.0 for name, ground in grounds.items()}
    return {name: m.mean_level / m.clip_level for name, m in measures.items()}


@dataclass(frozen=True, slots=True)
class PlateRoom:
    """How a plate as held now sits in one picture.

    coverage
        Share of the picture's larger extent (width or height, whichever the plate fills more) that
        the plate spans, 0..; customary 0.75 to 0.80.
    margin_px
        Least distance of the outline from the border, px; negative when it is cut.
    room_to_tilt_deg
        Tilt about the picture's axes at which the nearer edge, grown by perspective, would leave the
        picture; 90 where it never does.
    sharp_tilt_deg
        Tilt at which the plate's edge leaves the depth of field; None when that is not known.
    verdict
        ``"fits"``, ``"too small"``, ``"too big"`` or ``"cut"``.
    """

    coverage: float
    margin_px: float
    room_to_tilt_deg: float
    sharp_tilt_deg: float | None
    verdict: str


def plate_room(
    sighting: Sighting,
    plate: Plate,
    *,
    stand_off_mm: float | None = None,
    depth: DepthOfField | None = None,
) -> PlateRoom:
    """Whether the plate's size suits the field, and how far it may be tilted (see `PlateRoom`).

    Perspective: an edge tilted toward the camera by the angle t stands at ``h cos t / (1 - h sin t
    / s)`` of its half size h at the stand-off s. Without a stand-off ten half sizes are taken.
    """
    width, height = sighting.image_size_px
    low, high = sighting.outline_px.min(axis=0), sighting.outline_px.max(axis=0)
    spans = (float((high[0] - low[0]) / width), float((high[1] - low[1]) / height))
    margin = float(min(low.min(), width - 1 - high[0], height - 1 - high[1]))
    size = plate.size_mm()
    half_mm = max(size) / 2.0 + 0.8 * plate.pitch_mm
    distance = stand_off_mm if stand_off_mm is not None else 10.0 * half_mm
    room = _room_to_tilt(max(spans), half_mm, distance)
    sharp = None
    if depth is not None and stand_off_mm is not None:
        sharp = sharp_tilt_deg(depth, stand_off_mm, half_mm)
    coverage = max(spans)
    if margin <= 0:
        verdict = "cut"
    elif coverage > limit("plate_most_coverage"):
        verdict = "too big"
    elif coverage < limit("plate_least_coverage"):
        verdict = "too small"
    else:
        verdict = "fits"
    return PlateRoom(coverage, margin, room, sharp, verdict)


def _room_to_tilt(span: float, half_mm: float, distance_mm: float) -> float:
    """Smallest tilt (degrees) at which the nearer edge of a plate that spans `span` leaves the field."""
    angles = np.radians(np.arange(0.0, 90.0, 0.5))
    reach = span * np.cos(angles) / np.maximum(1.0 - half_mm / distance_mm * np.sin(angles), 1e-6)
    out = np.flatnonzero(reach > 1.0)
    return float(np.degrees(angles[out[0]])) if out.size else 90.0


@dataclass(frozen=True, slots=True)
class Aim:
    """How two cameras look at the same thing, from points seen by both.

    shift_x_px, shift_y_px
        Where the second camera sees, against the first, what the first has in its middle (px from
        its own middle; right, down).
    height_px
        Difference in height of the common points, px (second minus first, about the middles):
        vertical aim.
    roll_deg
        Turn of the second picture against the first about the optical axis, degrees, clockwise as
        seen in the picture positive.
    scale_ratio
        Size of things in the second picture over the first.
    overlap
        Share of the first picture's area that the second sees too, 0..1.
    points
        How many were common.
    """

    shift_x_px: float
    shift_y_px: float
    height_px: float
    roll_deg: float
    scale_ratio: float
    overlap: float
    points: int

    @property
    def level(self) -> bool:
        """True when the roll is within `aim_roll_deg`."""
        return abs(self.roll_deg) <= limit("aim_roll_deg")


def aim(first: Sighting, second: Sighting) -> Aim | Nothing:
    """Aim of two cameras against each other from a plate that both see (or matched points).

    A least-squares map of the second camera's points from the first's: affine, of which the
    turn of the vertical direction is the roll (a stereo angle squeezes the horizontal one, it does
    not turn the vertical), exact for a plate parallel to the baseline. Nothing ("too few common
    points") below 6. See `aim_at` for any matched points.
    """
    _, i, j = np.intersect1d(first.point_ids, second.point_ids, return_indices=True)
    if len(i) < 6:
        return Nothing("too few common points", {"found": len(i), "needed": 6})
    return aim_at(first.points_px[i], second.points_px[j], first.image_size_px, second.image_size_px)


def aim_at(
    first_px: FloatArray, second_px: FloatArray, first_size: tuple[int, int], second_size: tuple[int, int]
) -> Aim:
    """Aim from matched points, float64 (n, 2) each, n >= 3 not on one line; sizes (width, height) px."""
    middle_1 = (np.array(first_size) - 1) / 2.0
    middle_2 = (np.array(second_size) - 1) / 2.0
    a, b = first_px - middle_1, second_px - middle_2
    terms = np.column_stack([a, np.ones(len(a))])
    fit, *_ = np.linalg.lstsq(terms, b, rcond=None)
    down = fit[1]
    roll = math.degrees(math.atan2(-down[0], down[1]))
    height = float(np.median(b[:, 1] - a[:, 1]))
    w, h = first_size
    y, x = np.mgrid[0:21, 0:21] / 20.0
    grid = np.column_stack([x.ravel() * (w - 1), y.ravel() * (h - 1)]) - middle_1
    there = np.column_stack([grid, np.ones(len(grid))]) @ fit + middle_2
    seen = (there >= 0).all(axis=1) & (there <= np.array(second_size) - 1).all(axis=1)
    return Aim(
        shift_x_px=float(fit[2, 0]),
        shift_y_px=float(fit[2, 1]),
        height_px=height,
        roll_deg=float(roll),
        scale_ratio=float(np.hypot(*down)),
        overlap=float(seen.mean()),
        points=len(a),
    )
