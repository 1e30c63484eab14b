"""Which lattice cell is which point of the plate; and whether this is the plate at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray, Plate, PlateKind

from .compiled import compiled
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
    hit, bare, hidden, inside, line = _counted(cells, sites.low, sites.dot, sites.bare, sites.inside)
    stray = found - hit
    cost = _BARE_COST * bare + _HIDDEN_COST * hidden + 2.0 * stray
    return Placement(turn, -(turn @ shift), cost, stray, bare, inside, line)


@compiled
def _counted(
    cells: NDArray[np.int64],
    low: IntArray,
    dot: NDArray[np.bool_],
    bare: NDArray[np.bool_],
    inside: NDArray[np.bool_],
) -> tuple[int, int, int, int, bool]:
    """Of the plate's points at lattice `cells`: how many are dots found, bare, hidden, in the picture; and
    whether the plate as numbered has outermost lines in the picture that are not there.

    One line of bare ground is enough for that; lines that show anything else must be empty on two
    opposite sides (a hand covers one side, not exactly both).
    """
    rows, columns = dot.shape
    hits, bares, hidden, within = 0, 0, 0, 0
    ends = np.array([[1 << 30, -(1 << 30)], [1 << 30, -(1 << 30)]])
    for i in range(len(cells)):
        u, v = cells[i, 0] - low[0], cells[i, 1] - low[1]
        if u < 0 or v < 0 or u >= columns or v >= rows:
            continue
        hits += 1 if dot[v, u] else 0
        bares += 1 if bare[v, u] else 0
        within += 1 if inside[v, u] else 0
        hidden += 1 if inside[v, u] and not dot[v, u] and not bare[v, u] else 0
        ends[0, 0], ends[0, 1] = min(ends[0, 0], u), max(ends[0, 1], u)
        ends[1, 0], ends[1, 1] = min(ends[1, 0], v), max(ends[1, 1], v)
    gone = False
    for axis in range(2):
        empty = 0
        for side in range(2):
            whole, seen, dots, bald = 0, 0, 0, 0
            for i in range(len(cells)):
                u, v = cells[i, 0] - low[0], cells[i, 1] - low[1]
                if u < 0 or v < 0 or u >= columns or v >= rows or (u, v)[axis] != ends[axis, side]:
                    continue
                whole += 1
                if inside[v, u]:
                    seen += 1
                    dots += 1 if dot[v, u] else 0
                    bald += 1 if bare[v, u] else 0
            gone = gone or (seen >= 4 and bald > 0.8 * seen)
            empty += 1 if seen >= 4 and dots == 0 and seen > 0.9 * whole else 0
        gone = gone or empty == 2
    return hits, bares, hidden, within, gone


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
