"""Small drawings made from numbers: tilt dial, field map, falling trace, focus path."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from holdstill.records import Place, TiltMark, TracePoint

DIAL_DEG = 45.0
"""Tilt at the dial's rim (degrees)."""


@dataclass(frozen=True, slots=True)
class DialMark:
    """A tilt on the dial: place in the dial's box (0..100, y down), and whether it is the wish."""

    x: float
    y: float


def dial_mark(tilt: TiltMark, *, faces_cameras: bool) -> DialMark:
    """Where a tilt sits on the dial, drawn from the operator's side; beyond the rim it sits on it."""
    x = -tilt.x_deg if faces_cameras else tilt.x_deg
    length = math.hypot(x, tilt.y_deg)
    scale = 44.0 / DIAL_DEG if length <= DIAL_DEG else 44.0 / length
    return DialMark(50 + scale * x, 50 - scale * tilt.y_deg)


@dataclass(frozen=True, slots=True)
class FieldCell:
    """A ninth of the field, from the operator's side: column and row 0..2, views, name, wished."""

    column: int
    row: int
    views: int
    place: Place
    wished: bool


_ORDER = (
    Place.UPPER_LEFT, Place.TOP, Place.UPPER_RIGHT,
    Place.LEFT, Place.CENTRE, Place.RIGHT,
    Place.LOWER_LEFT, Place.BOTTOM, Place.LOWER_RIGHT,
)  # fmt: skip


def field_cells(
    field: Mapping[Place, int], wished: Place | None, *, faces_cameras: bool
) -> tuple[FieldCell, ...]:
    """The nine cells, row by row as the operator sees them."""
    cells = []
    for row in range(3):
        for column in range(3):
            place = _ORDER[3 * row + (2 - column if faces_cameras else column)]
            cells.append(FieldCell(column, row, field.get(place, 0), place, place is wished))
    return tuple(cells)


@dataclass(frozen=True, slots=True)
class Trace:
    """A falling trace in a box: path, its last point, the goal's height, and ticks (log scale)."""

    path: str
    last: tuple[float, float] | None
    goal_y: float
    width: float
    height: float
    reached: bool


def trace_drawing(
    trace: Sequence[TracePoint], goal: float, views_to_show: int, *, width: float = 240, height: float = 96
) -> Trace:
    """The headline quantity after each view on a logarithmic scale, with its goal line.

    Values that are not positive and finite are left out.
    """
    points = [p for p in trace if math.isfinite(p.value) and p.value > 0]
    top = max([p.value for p in points] + [goal * 4])
    bottom = min([p.value for p in points] + [goal]) * 0.7
    span = math.log(top / bottom)

    def y_of(value: float) -> float:
        return 6 + (height - 12) * math.log(top / value) / span

    last_view = max([p.views for p in points] + [views_to_show, 1])
    placed = [(4 + (width - 12) * p.views / last_view, y_of(p.value)) for p in points]
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in placed) if placed else ""
    last = placed[-1] if placed else None
    reached = bool(points) and points[-1].value <= goal
    return Trace(path, last, y_of(goal), width, height, reached)


@dataclass(frozen=True, slots=True)
class FocusPath:
    """Sharpness over the last moments: path, the now point, height of the best so far."""

    path: str
    now: tuple[float, float] | None
    best_y: float
    width: float
    height: float


def focus_path(
    values: Sequence[float], best: float | None, *, width: float = 300, height: float = 80
) -> FocusPath:
    """The last 120 sharpness values against the best so far, which stands near the top."""
    shown = [v for v in values[-120:] if math.isfinite(v)]
    top = max([best or 0.0, *shown, 1e-12]) * 1.08
    placed = [
        (width * (i + 1) / max(2, len(shown)) - 6, height * (1 - max(0.0, v) / top))
        for i, v in enumerate(shown)
    ]
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in placed) if placed else ""
    best_y = height * (1 - (best or 0.0) / top)
    return FocusPath(path, placed[-1] if placed else None, best_y, width, height)


def needle_deg(share: float) -> float:
    """Needle of the half-round gauge for a share 0..1: -80 degrees (nothing) to 80 (the best)."""
    return -80.0 + 160.0 * min(1.0, max(0.0, share))
