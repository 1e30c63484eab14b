"""What is printed on a plate, as circles and squares in millimetres, and how its faces reflect."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, MarkKind, Plate, PlateKind

from .coverage import polygon_coverage

DOT_SHARE = 0.45
"""Dot diameter over pitch where none was told."""
RING_HOLE = 0.5
"""Inner over outer diameter of a ring mark."""
LARGER = 1.4
"""Diameter of a larger mark over the plain dot's."""
SMALLER = 0.6
"""Diameter of a smaller mark over the plain dot's."""


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """One printed shape: a circle (diameter > 0) or a polygon, painted over what lies beneath.

    bright: painted with the plate's bright paint (True) or its dark one.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    corners_mm: FloatArray | None
    bright: bool

    def outline_mm(self, steps: int = 256) -> FloatArray:
        """Polygon (n, 2), plate frame, mm. A circle's polygon has the circle's exact area."""
        if self.corners_mm is not None:
            return _subdivided(self.corners_mm, 12)
        angle = 2 * np.pi * np.arange(steps) / steps
        area_share = np.sin(2 * np.pi / steps) * steps / (2 * np.pi)
        radius = self.diameter_mm / 2 / np.sqrt(area_share)
        return np.stack([self.x_mm + radius * np.cos(angle), self.y_mm + radius * np.sin(angle)], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class PlateBody:
    """A plate as a thing: figures, ground, outline and reflectance.

    ground_bright
        Whether the ground is the bright paint. Reflectances are shares of a white surface, 0..1.
    outline_mm
        (4, 2) corners of the plate itself, plate frame.
    gloss, gloss_width_deg
        Peak of the specular lobe over a white surface's diffuse level, and its half width.
    bow_um
        Sag of the middle of a bent plate over its longer side (+: middle away from the viewer).
    """

    plate: Plate
    figures: tuple[Figure, ...]
    ground_bright: bool
    outline_mm: FloatArray
    bright_share: float = 0.86
    dark_share: float = 0.055
    gloss: float = 5.0
    gloss_width_deg: float = 1.6
    bow_um: float = 0.0

    def ground_share(self) -> float:
        """Reflectance of the ground, 0..1."""
        return self.bright_share if self.ground_bright else self.dark_share

    def centre_mm(self) -> FloatArray:
        """Middle of the plate's points, (2,), plate frame."""
        width, height = self.plate.size_mm()
        return np.array([width / 2, height / 2])

    def surface_mm(self, xy_mm: FloatArray) -> FloatArray:
        """Points (n, 2) of the print on the true, perhaps bent, surface: (n, 3), plate frame."""
        xy = np.asarray(xy_mm, dtype=np.float64)
        if self.bow_um == 0:
            return np.concatenate([xy, np.zeros((*xy.shape[:-1], 1))], axis=-1)
        centre, half = self.centre_mm(), max(self.plate.size_mm()) / 2
        r2 = np.sum((xy - centre) ** 2, axis=-1) / half**2
        return np.concatenate([xy, (self.bow_um * 1e-3 * (1 - r2))[..., None]], axis=-1)


def dot_diameter_mm(plate: Plate) -> float:
    """The plate's dot diameter, or 0.45 of its pitch where none was told."""
    return plate.dot_diameter_mm if plate.dot_diameter_mm is not None else DOT_SHARE * plate.pitch_mm


def body(plate: Plate, *, margin_pitches: float = 0.9, bow_um: float = 0.0) -> PlateBody:
    """The plate as a thing: every figure of its kind in place, with a margin around the points.

    Dots whose polarity is not told are dark on white, as boards are and as a printer prints them.
    """
    board = plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    ground_bright = board or plate.dark_dots is not False
    figures = _board(plate) if board else _dots(plate, bright=not ground_bright)
    figures += tuple(f for m in range(len(plate.markers)) for f in _marker(plate, m, ground_bright))
    low, high = plate.points_mm()[:, :2].min(axis=0), plate.points_mm()[:, :2].max(axis=0)
    margin = plate.pitch_mm * (margin_pitches + (0.6 if board else 0.0))
    low, high = low - margin, high + margin
    outline = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    return PlateBody(plate, figures, ground_bright, outline, bow_um=bow_um)


def _dots(plate: Plate, *, bright: bool) -> tuple[Figure, ...]:
    diameter = dot_diameter_mm(plate)
    marks = {m.row * plate.columns + m.column: m.kind for m in plate.marks}
    figures: list[Figure] = []
    for number, (x, y, _) in enumerate(plate.points_mm()):
        if number in plate.absent:
            continue
        kind = marks.get(number)
        size = diameter * {MarkKind.LARGER: LARGER, MarkKind.SMALLER: SMALLER}.get(kind, 1.0)  # type: ignore[arg-type]
        figures.append(Figure(x, y, size, None, bright))
        if kind is MarkKind.RING:
            figures.append(Figure(x, y, diameter * RING_HOLE, None, not bright))
    return tuple(figures)


def _board(plate: Plate) -> tuple[Figure, ...]:
    """Dark squares. The corner square (before point 0) is dark, unless a marker sits in it."""
    side = plate.pitch_mm
    cells = [round(m.x_mm / side + 0.5) + round(m.y_mm / side + 0.5) for m in plate.markers]
    dark = 1 if any(cell % 2 == 0 for cell in cells) else 0
    return tuple(
        _square((column - 0.5) * side, (row - 0.5) * side, side, bright=False)
        for row in range(plate.rows + 1)
        for column in range(plate.columns + 1)
        if (row + column) % 2 == dark
    )


def _square(x_mm: float, y_mm: float, side_mm: float, *, bright: bool) -> Figure:
    h = side_mm / 2
    corners = np.array(
        [[x_mm - h, y_mm - h], [x_mm + h, y_mm - h], [x_mm + h, y_mm + h], [x_mm - h, y_mm + h]]
    )
    return Figure(x_mm, y_mm, 0.0, corners, bright)


def _marker(plate: Plate, number: int, ground_bright: bool) -> tuple[Figure, ...]:
    """An ArUco marker: on a dark ground a white field one cell wide around it, then black cells."""
    marker = plate.markers[number]
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, str(plate.marker_dictionary)))
    cells = int(dictionary.markerSize) + 2
    pixels = cv2.aruco.generateImageMarker(dictionary, marker.marker_id, cells, borderBits=1)
    cell = marker.side_mm / cells
    figures: list[Figure] = []
    if not ground_bright:
        figures.append(_square(marker.x_mm, marker.y_mm, marker.side_mm + 2 * cell, bright=True))
    for row in range(cells):
        for column in range(cells):
            if pixels[row, column] == 0:
                x = marker.x_mm + (column - (cells - 1) / 2) * cell
                y = marker.y_mm + (row - (cells - 1) / 2) * cell
                figures.append(_square(x, y, cell, bright=False))
    return tuple(figures)


def _subdivided(corners: FloatArray, steps: int) -> FloatArray:
    """A polygon with every side cut into `steps`, so that distortion bends it."""
    t = np.arange(steps) / steps
    following = np.roll(corners, -1, axis=0)
    return np.asarray((corners[:, None] + t[None, :, None] * (following - corners)[:, None]).reshape(-1, 2))


def texture(thing: PlateBody, px_per_mm: float, border_px: int = 8) -> tuple[NDArray[np.float32], FloatArray]:
    """Reflectance picture of a plate for the quick path, float32 (h, w), 0..1, and its map.

    The second value is (3, 3): texture pixel (homogeneous) from plate mm.  Every texture pixel
    carries the exact share that the shapes cover; the ground goes on beyond the plate's rim.
    """
    low = thing.outline_mm.min(axis=0)
    high = thing.outline_mm.max(axis=0)
    size = np.ceil((high - low) * px_per_mm).astype(int) + 2 * border_px
    offset = border_px - low * px_per_mm - 0.5
    step = thing.bright_share - thing.dark_share
    picture = np.full((int(size[1]), int(size[0])), thing.ground_share(), dtype=np.float64)
    for figure in thing.figures:
        points = figure.outline_mm(128) * px_per_mm + offset
        x0, y0 = np.floor(points.min(axis=0)).astype(int) - 1
        x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 2
        cover = polygon_coverage(points - (x0, y0), int(x1 - x0), int(y1 - y0))
        picture[y0:y1, x0:x1] += (step if figure.bright else -step) * cover
    matrix = np.array([[px_per_mm, 0, offset[0]], [0, px_per_mm, offset[1]], [0, 0, 1]])
    return picture.astype(np.float32), matrix
