"""What is printed on a plate, as shapes in millimetres of the page; drawn by `vector`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.phrases import say
from holdstill.records import FloatArray, MarkKind, Plate, PlateKind, Say

from .charuco import dictionary_of, is_legacy
from .coded import DOT_SHARE, MARGIN_SHARE
from .spec import words

LARGER, SMALLER, RING_HOLE = 1.4, 0.6, 0.5
"""Diameters of marked dots, and of a ring's hole, over the ordinary dot's."""
_RULER_HEIGHT_MM = 14.0


@dataclass(frozen=True, slots=True)
class Disc:
    """A dot: centre and radius, mm; `hole_mm`: radius of the hole of a ring, 0 for none."""

    x_mm: float
    y_mm: float
    radius_mm: float
    hole_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Label:
    """A line of text, its left end and letter height in mm."""

    x_mm: float
    y_mm: float
    height_mm: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A page to scale, mm, y downward.

    width_mm, height_mm
        The page. `plate_mm`: the plate's own rectangle x, y, width, height on it.
    origin_mm
        Where point 0 of the plate sits.
    inverted
        Bright print on a dark plate.
    discs, loops
        Dots, and closed outlines (n, 2) that are filled by the even-odd rule (squares, markers).
    ruler
        Lines (n, 4) x0, y0, x1, y1 outside the plate; `labels`: text outside the plate.
    """

    width_mm: float
    height_mm: float
    plate_mm: tuple[float, float, float, float]
    origin_mm: tuple[float, float]
    inverted: bool
    discs: tuple[Disc, ...]
    loops: tuple[FloatArray, ...]
    marker_loops: tuple[FloatArray, ...]
    ruler: FloatArray
    labels: tuple[Label, ...]
    title: str


def draw(plate: Plate) -> Drawing:
    """The plate as shapes, with a ruler below it to check a print against.

    Dots without a stated diameter are drawn at 0.45 of the pitch.
    """
    wide, high = plate.size_mm()
    boards = plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    margin = plate.pitch_mm * (1.5 if boards else MARGIN_SHARE)
    plate_wide, plate_high = wide + 2 * margin, high + 2 * margin
    ruler_mm = _ruler_length_mm(plate_wide)
    page_wide = max(plate_wide, ruler_mm + 2.0)
    left = (page_wide - plate_wide) / 2
    origin = np.array([left + margin, margin])
    loops = [loop + origin for loop in _square_loops(plate)]
    markers = [loop + origin for loop in _marker_loops(plate)]
    top = plate_high + 3.0
    lines, labels = _ruler((page_wide - ruler_mm) / 2, top, ruler_mm)
    title = words(plate)
    labels.append(Label((page_wide - ruler_mm) / 2, top + _RULER_HEIGHT_MM, 2.2, title))
    return Drawing(
        page_wide, top + _RULER_HEIGHT_MM + 3.0, (left, 0.0, plate_wide, plate_high),
        (float(origin[0]), float(origin[1])), plate.dark_dots is False, tuple(_discs(plate, origin)),
        tuple(loops), tuple(markers), lines, tuple(labels), title,
    )  # fmt: skip


def drawn_diameter_mm(plate: Plate) -> float:
    """Diameter of an ordinary dot as drawn, mm."""
    return plate.dot_diameter_mm if plate.dot_diameter_mm is not None else DOT_SHARE * plate.pitch_mm


def _discs(plate: Plate, origin: FloatArray) -> list[Disc]:
    if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        return []
    kinds = {m.row * plate.columns + m.column: m.kind for m in plate.marks}
    gone = set(plate.absent)
    radius = drawn_diameter_mm(plate) / 2
    out = []
    for number, (x, y) in enumerate(plate.points_mm()[:, :2] + origin):
        if number in gone:
            continue
        kind = kinds.get(number)
        share = {MarkKind.LARGER: LARGER, MarkKind.SMALLER: SMALLER}.get(kind, 1.0) if kind else 1.0
        hole = RING_HOLE * radius if kind is MarkKind.RING else 0.0
        out.append(Disc(float(x), float(y), share * radius, hole))
    return out


def _square_loops(plate: Plate) -> list[FloatArray]:
    """Black squares of a board, plate frame."""
    if plate.kind not in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        return []
    side = plate.pitch_mm
    black = 1 if plate.kind is PlateKind.CHARUCO and is_legacy(plate) else 0
    return [
        np.array([[c - 1, r - 1], [c, r - 1], [c, r], [c - 1, r]], dtype=np.float64) * side
        for r in range(plate.rows + 1)
        for c in range(plate.columns + 1)
        if (c + r) % 2 == black
    ]


def marker_modules(dictionary: str, marker_id: int) -> NDArray[np.bool_]:
    """Modules of a marker with its border, bool (n, n), True where dark."""
    chosen = dictionary_of(dictionary)
    size = chosen.markerSize + 2
    return np.asarray(chosen.generateImageMarker(marker_id, size, borderBits=1) < 128)


def _marker_loops(plate: Plate) -> list[FloatArray]:
    """Outlines of the markers' dark modules; on a dark plate a bright field one module wider, with
    the dark modules cut out of it, so that any reader of the open dictionary sees black on white."""
    loops = []
    for marker in plate.markers:
        modules = marker_modules(str(plate.marker_dictionary), marker.marker_id)
        unit = marker.side_mm / len(modules)
        corner = np.array([marker.x_mm, marker.y_mm]) - marker.side_mm / 2
        if plate.dark_dots is False:
            field = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
            loops.append(field * (marker.side_mm / 2 + unit) + corner + marker.side_mm / 2)
        loops += [loop * unit + corner for loop in _boundaries(modules)]
    return loops


def _boundaries(dark: NDArray[np.bool_]) -> list[FloatArray]:
    """Closed outlines of the dark cells of a grid, corners only; even-odd filling restores the cells.

    Every boundary edge is walked with the dark cell on its right; where two dark cells touch at a
    corner only, the walk turns so that loops stay apart.
    """
    padded = np.pad(dark, 1)
    edges: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for y, x in np.argwhere(padded):
        if not padded[y - 1, x]:
            edges.setdefault((x, y), []).append((x + 1, y))
        if not padded[y, x + 1]:
            edges.setdefault((x + 1, y), []).append((x + 1, y + 1))
        if not padded[y + 1, x]:
            edges.setdefault((x + 1, y + 1), []).append((x, y + 1))
        if not padded[y, x - 1]:
            edges.setdefault((x, y + 1), []).append((x, y))
    loops = []
    while edges:
        start = next(iter(edges))
        loop, here, came = [start], start, (0, 0)
        while True:
            ways = edges[here]
            turn = [w for w in ways if _turns_right(came, (w[0] - here[0], w[1] - here[1]))]
            there = (turn or ways)[0]
            ways.remove(there)
            if not ways:
                del edges[here]
            came, here = (there[0] - here[0], there[1] - here[1]), there
            if here == start:
                break
            loop.append(here)
        loops.append(_corners_only(np.array(loop, dtype=np.float64) - 1))
    return loops


def _turns_right(came: tuple[int, int], goes: tuple[int, int]) -> bool:
    return came[0] * goes[1] - came[1] * goes[0] > 0


def _corners_only(loop: FloatArray) -> FloatArray:
    back, ahead = loop - np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0) - loop
    return loop[np.abs(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]) > 1e-9]


def _ruler_length_mm(plate_wide_mm: float) -> float:
    """Longest of 20, 50, 100, 150, 200 mm ... that is no longer than the plate (20 at least)."""
    fitting = [n for n in (20, 50, 100, 150, 200, 250, 500) if n <= plate_wide_mm]
    return float(fitting[-1] if fitting else 20)


def _ruler(left: float, top: float, length_mm: float) -> tuple[FloatArray, list[Label]]:
    """Ticks every millimetre (every 5 on long rulers), longer at 5 and 10, numbers at each 10."""
    lines = [[left, top, left + length_mm, top]]
    labels = []
    step = 1 if length_mm <= 200 else 5
    every = 10 if length_mm <= 200 else 50
    for mm in range(0, int(length_mm) + 1, step):
        tick = 4.0 if mm % every == 0 else 3.0 if mm % (5 * step) == 0 else 1.8
        lines.append([left + mm, top, left + mm, top + tick])
        if mm % every == 0:
            labels.append(Label(left + mm - 0.6 * len(str(mm)), top + 6.5, 2.2, str(mm)))
    labels.append(Label(left, top + 10.0, 2.2, say(Say("target-ruler", {"length_mm": length_mm}))))
    return np.array(lines), labels


def drawn_size_mm(plate: Plate) -> tuple[float, float]:
    """Width and height of the drawing, ruler included, mm."""
    drawing = draw(plate)
    return drawing.width_mm, drawing.height_mm
