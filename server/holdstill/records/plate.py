"""The flat target ("plate"): what is printed on it and where.

Plate frame, used everywhere: origin at point 0, x along a row (increasing column), y along a
column (increasing row, downward when the plate is upright and seen from its front), z into the
plate, away from whoever looks at its front.  Millimetres.  Right-handed.  A plate held facing a
camera, upright, has a rotation of identity with respect to that camera's frame (x right, y down,
z forward).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]


class PlateKind(StrEnum):
    """What is printed. `CODED_DOTS` is our own plate: dots with small scattered ArUco markers."""

    CHESSBOARD = "chessboard"
    CHARUCO = "charuco"
    DOTS = "dots"
    STAGGERED_DOTS = "staggered-dots"
    CODED_DOTS = "coded-dots"


class MarkKind(StrEnum):
    """How a marked dot differs from its neighbours."""

    RING = "ring"
    LARGER = "larger"
    SMALLER = "smaller"


@dataclass(frozen=True, slots=True)
class Mark:
    """A dot that differs from the others and so fixes the plate's orientation."""

    column: int
    row: int
    kind: MarkKind


@dataclass(frozen=True, slots=True)
class Marker:
    """A small ArUco marker set into the plate: dictionary id, centre (mm, plate frame), side (mm)."""

    marker_id: int
    x_mm: float
    y_mm: float
    side_mm: float


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate. Points are numbered ``row * columns + column``.

    columns, rows
        Points per row and rows of points: inner corners of a chessboard, dots of a grid.  For
        ``CHARUCO`` too: the inner corners, one less than the squares that its SPEC counts.
    pitch_mm
        Distance to the nearest point (square side, dot pitch; for a staggered grid the distance
        to the nearest dot, which lies diagonally).
    absent
        Point numbers that are not printed (a coded plate leaves out dots where markers sit).
    """

    kind: PlateKind
    columns: int
    rows: int
    pitch_mm: float
    dot_diameter_mm: float | None = None
    marks: tuple[Mark, ...] = ()
    markers: tuple[Marker, ...] = ()
    marker_dictionary: str | None = None
    absent: tuple[int, ...] = ()
    plate_id: int | None = None
    pitch_sigma_mm: float | None = None
    """Standard uncertainty of the pitch, if it was measured; None when only nominal."""
    dark_dots: bool | None = None
    """True: dark dots on a bright ground, False: bright on dark, None: found out from the picture."""

    @property
    def point_count(self) -> int:
        """Number of lattice points, absent ones included."""
        return self.columns * self.rows

    def points_mm(self) -> FloatArray:
        """All lattice points, float64 (columns*rows, 3), plate frame, millimetres, z = 0."""
        row, column = np.divmod(np.arange(self.point_count), self.columns)
        if self.kind is PlateKind.STAGGERED_DOTS:
            half = self.pitch_mm / np.sqrt(2.0)
            x, y = (2 * column + row % 2) * half, row * half
        else:
            x, y = column * self.pitch_mm, row * self.pitch_mm
        return np.stack([x, y, np.zeros(self.point_count)], axis=1).astype(np.float64)

    def size_mm(self) -> tuple[float, float]:
        """Width and height spanned by the points (mm)."""
        low, high = self.points_mm().min(axis=0), self.points_mm().max(axis=0)
        return float(high[0] - low[0]), float(high[1] - low[1])

    def turned_ids(self) -> IntArray | None:
        """Point numbers after the half turn that leaves the plate looking the same, or None.

        int32 (points,): entry ``i`` is the number that point ``i`` would get if the plate were
        read turned by 180 degrees.  None when the printed pattern tells the two apart (coded and
        charuco plates, marked dots, a chessboard with one even and one odd count, a staggered
        grid with an odd number of rows, whose first and last rows are indented alike).
        """
        if self.kind in (PlateKind.CHARUCO, PlateKind.CODED_DOTS) or self.marks:
            return None
        if self.kind is PlateKind.CHESSBOARD and (self.columns + self.rows) % 2 == 1:
            return None
        if self.kind is PlateKind.STAGGERED_DOTS and self.rows % 2 == 1:
            return None
        return np.arange(self.point_count - 1, -1, -1, dtype=np.int32)
