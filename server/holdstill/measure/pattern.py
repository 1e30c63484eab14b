"""What a plate should look like: bright and dark parts on a raster in plate coordinates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray, Picture, Plate, PlateKind, Sighting

from .plate_loops import lattice_map, read_raster

SAMPLES_PER_PITCH = 6
_MARGIN = 0.5
"""Pitches that the raster reaches beyond the outermost points."""
_CORE = 0.65
"""Share of a dot's radius that counts as its plateau."""
_REACH = 1.15
"""Half sizes of the plate to which the lens's bend is followed; held constant beyond."""
_CLEAR = 1.4
"""Radii from a dot's centre at which the ground begins."""


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """Raster of a plate, row-major over (rows, columns) of samples, all flattened to (n,).

    points_mm: float64 (n, 2), plate frame. part: int8 (n,): 1 dot (or bright square of a board),
    2 ground (or dark square), 0 neither. point_of: int32 (n,), nearest lattice point. shape: (rows,
    columns). dot_radius_mm: None for boards.
    """

    points_mm: FloatArray
    part: NDArray[np.int8]
    point_of: IntArray
    shape: tuple[int, int]
    dot_radius_mm: float | None
    unit: NDArray[np.float32]
    """Coordinates about the plate's middle over its half size, with a one: float32 (n, 3)."""


@lru_cache(maxsize=16)
def pattern(plate: Plate, dot_radius_mm: float | None) -> Pattern:
    """Raster of `plate`, `SAMPLES_PER_PITCH` samples per pitch; dots of radius `dot_radius_mm`."""
    lattice = lattice_mm(plate)
    spacing = plate.pitch_mm / SAMPLES_PER_PITCH
    low = lattice.min(axis=0) - _MARGIN * plate.pitch_mm
    high = lattice.max(axis=0) + _MARGIN * plate.pitch_mm
    columns, rows = (int(v) for v in np.ceil((high - low) / spacing).astype(int) + 1)
    y, x = np.mgrid[0:rows, 0:columns]
    points = np.stack([low[0] + x.ravel() * spacing, low[1] + y.ravel() * spacing], axis=1)
    distance, nearest = _nearest(points, lattice)
    if dot_radius_mm is None:
        part = _squares(points, plate)
    else:
        part = _dots(distance, nearest, plate, dot_radius_mm)
        part[_near_markers(points, plate)] = 0
    centre, scale = _frame_of(plate)
    u = (points - centre) / scale
    unit = np.column_stack([u, np.ones(len(u))]).astype(np.float32)
    return Pattern(points, part, nearest, (rows, columns), dot_radius_mm, unit)


@lru_cache(maxsize=16)
def lattice_mm(plate: Plate) -> FloatArray:
    """The plate's points in its own plane, float64 (n, 2), mm; not to be written to."""
    points = np.ascontiguousarray(plate.points_mm()[:, :2])
    points.setflags(write=False)
    return points


@lru_cache(maxsize=16)
def lattice_unit(plate: Plate) -> FloatArray:
    """The plate's points about its middle over its half size, float64 (n, 2); not to be written to."""
    centre, scale = _frame_of(plate)
    points: FloatArray = (lattice_mm(plate) - centre) / scale
    points.setflags(write=False)
    return points


@lru_cache(maxsize=16)
def _frame_of(plate: Plate) -> tuple[FloatArray, float]:
    """Middle of the lattice and its half size (mm)."""
    lattice = lattice_mm(plate)
    centre = lattice.mean(axis=0)
    return centre, float(np.abs(lattice - centre).max())


def _nearest(points: FloatArray, lattice: FloatArray) -> tuple[FloatArray, IntArray]:
    best = np.full(len(points), np.inf)
    which = np.zeros(len(points), dtype=np.int32)
    for k, (x, y) in enumerate(lattice):
        d = (points[:, 0] - x) ** 2 + (points[:, 1] - y) ** 2
        closer = d < best
        best[closer] = d[closer]
        which[closer] = k
    return np.sqrt(best), which


def _dots(distance: FloatArray, nearest: IntArray, plate: Plate, radius: float) -> NDArray[np.int8]:
    part = np.zeros(len(distance), dtype=np.int8)
    odd = {mark.row * plate.columns + mark.column for mark in plate.marks} | set(plate.absent)
    plain = ~np.isin(nearest, list(odd))
    part[plain & (distance <= _CORE * radius)] = 1
    reach = 0.5 * plate.pitch_mm
    ground = (distance >= min(_CLEAR * radius, 0.5 * (radius + reach))) & (
        distance <= 1.05 * np.sqrt(2.0) * reach
    )
    part[plain & ground] = 2
    return part


def _near_markers(points: FloatArray, plate: Plate) -> NDArray[np.bool_]:
    near = np.zeros(len(points), dtype=bool)
    for marker in plate.markers:
        reach = 0.85 * marker.side_mm
        near |= (np.abs(points[:, 0] - marker.x_mm) < reach) & (np.abs(points[:, 1] - marker.y_mm) < reach)
    return near


def _squares(points: FloatArray, plate: Plate) -> NDArray[np.int8]:
    """Squares of one parity 1, of the other 2; which is the brighter one the picture must say."""
    u = points / plate.pitch_mm
    inside = np.abs(u - np.floor(u) - 0.5).max(axis=1) < 0.33
    parity = (np.floor(u).sum(axis=1).astype(int)) % 2
    return np.where(inside, 1 + parity, 0).astype(np.int8)


@dataclass(frozen=True, slots=True, eq=False)
class PlateMap:
    """From plate millimetres to pixels for one sighting: a homography and, with enough points, a
    cubic correction of what the lens bends (inside the found points' extent only)."""

    homography: FloatArray
    centre_mm: FloatArray
    scale_mm: float
    bend: FloatArray | None

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """float64 (n, 2) mm -> float64 (n, 2) px."""
        u = (points_mm - self.centre_mm) / self.scale_mm
        w = u @ self.homography[:, :2].T + self.homography[:, 2]
        px: FloatArray = w[:, :2] / w[:, 2:]
        if self.bend is not None:
            px = px + _terms(np.clip(u, -_REACH, _REACH)) @ self.bend
        return px

    def px_per_mm(self, points_mm: FloatArray) -> FloatArray:
        """Jacobian d px / d mm at the points: float64 (n, 2, 2), by central differences."""
        h = 1e-3 * self.scale_mm
        ex, ey = np.array([h, 0.0]), np.array([0.0, h])
        dx = (self.to_px(points_mm + ex) - self.to_px(points_mm - ex)) / (2 * h)
        dy = (self.to_px(points_mm + ey) - self.to_px(points_mm - ey)) / (2 * h)
        return np.stack([dx, dy], axis=2)


def _terms(u: FloatArray) -> FloatArray:
    x, y = u[:, 0], u[:, 1]
    one = np.ones_like(x)
    return np.stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], axis=1)


def plate_map(plate: Plate, sighting: Sighting) -> PlateMap | None:
    """Map of a sighting with at least 8 points that are not on one line, else None."""
    if len(sighting.point_ids) < 8:
        return None
    centre, scale = _frame_of(plate)
    u = lattice_unit(plate)[sighting.point_ids]
    homography, bend, carried = lattice_map(u, np.ascontiguousarray(sighting.points_px), len(u) >= 30)
    if not carried or not np.isfinite(homography).all():
        return None
    return PlateMap(homography, centre, scale, bend if len(u) >= 30 else None)


@dataclass(frozen=True, slots=True, eq=False)
class PlateSamples:
    """The picture read on the plate's raster.

    values: float32 (n,), grey values, NaN outside the picture. px: float32 (n, 2).
    """

    pattern: Pattern
    mapping: PlateMap
    values: NDArray[np.float32]
    px: NDArray[np.float32]


def dot_radius_mm(plate: Plate, sighting: Sighting, mapping: PlateMap) -> float | None:
    """Radius of the dots as printed (or, not told, as seen); None for boards."""
    if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        return None
    if plate.dot_diameter_mm is not None:
        return plate.dot_diameter_mm / 2.0
    if sighting.dot_diameter_px is None:
        return 0.25 * plate.pitch_mm
    jac = mapping.px_per_mm(plate.points_mm()[sighting.point_ids, :2])
    px_per_mm = float(np.median(np.sqrt(np.abs(np.linalg.det(jac)))))
    seen = sighting.dot_diameter_px / max(px_per_mm, 1e-9) / 2.0
    # Steps of 2 % of the pitch, so that a live series shares one raster.
    grain = 0.02 * plate.pitch_mm
    return float(np.clip(round(seen / grain) * grain, 0.1 * plate.pitch_mm, 0.45 * plate.pitch_mm))


def read_plate(image: Picture, plate: Plate, sighting: Sighting) -> PlateSamples | None:
    """The picture on the plate's raster, or None when the sighting can't carry a map."""
    mapping = plate_map(plate, sighting)
    if mapping is None:
        return None
    raster = pattern(plate, dot_radius_mm(plate, sighting, mapping))
    bend = mapping.bend if mapping.bend is not None else np.zeros((10, 2))
    whole = np.ascontiguousarray(image)
    values, px = read_raster(whole, mapping.homography, bend, raster.unit, _REACH)
    return PlateSamples(raster, mapping, values, px)
