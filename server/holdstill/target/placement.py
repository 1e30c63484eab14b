"""Which lattice cell is which point of the plate; and whether this is the plate at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray, Plate, PlateKind

from .lattice import Lattice
from .sites import Sites
from .tables import tables_of

TURNS = (
    np.array([[1, 0], [0, 1]]),
    np.array([[0, -1], [1, 0]]),
    np.array([[-1, 0], [0, -1]]),
    np.array([[0, 1], [-1, 0]]),
)
_HIDDEN_COST = 0.2
_BARE_COST = 1.0
_STRAY_LINES = 2


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Numbering of a lattice: ``plate cell = turn @ lattice cell + shift``.

    cost
        How much speaks against it: bare places where a dot is expected 1 each, hidden ones 0.2,
        dots where the plate has none 2.
    stray
        Found dots that fall on no point of the plate. bare, expected: expected places in the picture
        that show bare ground; expected places in all.
    """

    turn: NDArray[np.int64]
    shift: NDArray[np.int64]
    cost: float
    stray: int
    bare: int
    expected: int
    bare_line: bool


def cells_to_mm(plate: Plate, cells: FloatArray) -> FloatArray:
    """Plate frame coordinates (mm) of lattice coordinates (n, 2)."""
    if plate.kind is PlateKind.STAGGERED_DOTS:
        half = plate.pitch_mm / np.sqrt(2.0)
        return np.asarray(np.stack([cells[:, 0] - cells[:, 1], cells[:, 0] + cells[:, 1]], axis=1) * half)
    return np.asarray(cells * plate.pitch_mm)


def trimmed(plate: Plate, lattice: Lattice, *, always: bool = False) -> Lattice:
    """The lattice without the thin lines at its rim that make it larger than the plate (always: all such).

    Finger nails and bright bits beside the plate can happen to lie where the next dot would. A rim
    line goes while the lattice spans more cells than the plate has along its longer side and the line
    holds at most two spots and at most a quarter of what a usual line holds.
    """
    longest = max(tables_of(plate).number.shape)
    keep = np.ones(len(lattice), dtype=bool)
    while True:
        cells = lattice.cells[keep]
        low, high = cells.min(axis=0), cells.max(axis=0)
        rims = [
            (int((cells[:, axis] == end).sum()), axis, int(end))
            for axis in (0, 1)
            if always or high[axis] - low[axis] + 1 > longest
            for end in (low[axis], high[axis])
        ]
        if not rims:
            break
        count, axis, end = min(rims)
        usual = len(cells) / (high[axis] - low[axis] + 1)
        if count > 2 or count > 0.25 * usual:
            break
        keep &= lattice.cells[:, axis] != end
    if keep.all():
        return lattice
    return Lattice(lattice.cells[keep], lattice.spots[keep], lattice.view, lattice.residual_px)


def placements(plate: Plate, lattice: Lattice, sites: Sites) -> list[Placement]:
    """All sensible numberings, least cost first; none when the lattice is larger than the plate."""
    tables = tables_of(plate)
    points = tables.cells[tables.present].astype(np.int64)
    out: list[Placement] = []
    for turn in TURNS:
        inverse = turn.T
        turned = points @ inverse.T
        low_p, high_p = turned.min(axis=0), turned.max(axis=0)
        low_f, high_f = lattice.cells.min(axis=0).astype(int), lattice.cells.max(axis=0).astype(int)
        spare = (high_p - low_p) - (high_f - low_f)
        if (spare < -_STRAY_LINES).any():
            continue
        first = low_f - low_p - np.maximum(spare, 0)
        last = low_f - low_p + np.maximum(-spare, 0)
        for dv in range(first[1], last[1] + 1):
            for du in range(first[0], last[0] + 1):
                shift = np.array([du, dv])
                out.append(_weigh(turn, shift, turned + shift, found=len(lattice), sites=sites))
    return sorted(out, key=lambda p: p.cost)


def placement_of(
    plate: Plate, lattice: Lattice, sites: Sites, turn: int, shift: tuple[int, int]
) -> Placement:
    """The numbering with a given turn (index into `TURNS`) and shift, with its cost."""
    matrix = TURNS[turn]
    tables = tables_of(plate)
    points = tables.cells[tables.present].astype(np.int64)
    back = -(matrix.T @ np.array(shift, dtype=np.int64))
    return _weigh(matrix, back, points @ matrix + back, found=len(lattice), sites=sites)


def _weigh(
    turn: NDArray[np.int64],
    shift: NDArray[np.int64],
    cells: NDArray[np.int64],
    *,
    found: int,
    sites: Sites,
) -> Placement:
    """Cost of one numbering: `cells` are the plate's points in lattice coordinates."""
    rows, columns = sites.dot.shape
    at = cells - sites.low
    ok = (at >= 0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    x, y = at[ok, 0], at[ok, 1]
    hit, bare, inside = sites.dot[y, x], sites.bare[y, x], sites.inside[y, x]
    stray = found - int(hit.sum())
    bare_count = int(bare.sum())
    hidden = int((inside & ~hit & ~bare).sum())
    cost = _BARE_COST * bare_count + _HIDDEN_COST * hidden + 2.0 * stray
    line = len(x) > 0 and _has_bare_line(at[ok], hit, bare, inside)
    return Placement(turn, -(turn @ shift), cost, stray, bare_count, int(inside.sum()), line)


def _has_bare_line(
    at: NDArray[np.int64], hit: NDArray[np.bool_], bare: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> bool:
    """True when the plate as numbered has outermost lines in the picture that are not there.

    One line of bare ground is enough; lines that show anything else must be empty on two opposite
    sides (a hand covers one side, not exactly both).
    """
    for axis in (0, 1):
        empty = []
        for edge in (at[:, axis].min(), at[:, axis].max()):
            line = (at[:, axis] == edge) & inside
            if line.sum() >= 4 and bare[line].mean() > 0.8:
                return True
            empty.append(line.sum() >= 4 and not hit[line].any() and inside[at[:, axis] == edge].mean() > 0.9)
        if all(empty):
            return True
    return False


def lattice_to_plate(plate: Plate, placement: Placement, cells: IntArray) -> IntArray:
    """Point numbers of lattice cells under a numbering; -1 where the plate has no point."""
    tables = tables_of(plate)
    at = cells @ placement.turn.T + placement.shift - tables.low
    rows, columns = tables.number.shape
    there = (at >= 0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    out = np.full(len(cells), -1, dtype=np.int32)
    out[there] = tables.number[at[there, 1], at[there, 0]]
    return out


def plate_to_lattice(placement: Placement, cells: FloatArray) -> FloatArray:
    """Lattice coordinates of plate cells under a numbering."""
    return np.asarray((cells - placement.shift) @ placement.turn)


def lattice_from_mm(plate: Plate, placement: Placement) -> FloatArray:
    """Affine map (3, 3) from plate millimetres to lattice coordinates, to compose with a lattice's view."""
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    mm = cells_to_mm(plate, corners)
    to_mm = np.column_stack([mm[1] - mm[0], mm[2] - mm[0]])
    to_cell = np.linalg.inv(to_mm)
    out = np.eye(3)
    turn = placement.turn.T.astype(np.float64)
    out[:2, :2] = turn @ to_cell
    out[:2, 2] = -turn @ placement.shift
    return out
