"""Reading the small markers of a coded plate where the lattice says they must sit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray, Picture, Plate

from .charuco import dictionary_of
from .coded import DICTIONARY, MARKER_SHARE
from .placement import TURNS
from .tables import tables_of
from .viewmap import ViewMap

_MOST_WRONG_BITS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Modules seen at one lattice cell: bits (4, 25), one row for each way the plate may be turned
    (True = dark)."""

    cell: IntArray
    bits: NDArray[np.bool_]


@lru_cache(maxsize=8)
def dictionary_bits(name: str) -> NDArray[np.bool_]:
    """Inner modules of every marker of a dictionary, bool (ids, modules), row by row, True = dark."""
    chosen = dictionary_of(name)
    size = chosen.markerSize
    return np.stack(
        [
            chosen.generateImageMarker(n, size + 2, borderBits=1)[1:-1, 1:-1].ravel() < 128
            for n in range(len(chosen.bytesList))
        ]
    )


def read_cells(image: Picture, view: ViewMap, cells: IntArray) -> list[Reading]:
    """What stands at each of the lattice `cells` (n, 2), where it looks like a marker.

    image: full picture; view: lattice -> picture.  A marker has a dark border, a bright surround and
    nothing in between in doubt; modules are averages of nine samples.  Cells outside are skipped.
    """
    if len(cells) == 0:
        return []
    modules = 7
    unit = MARKER_SHARE / modules
    steps = (np.arange(modules + 2) - (modules + 1) / 2) * unit
    fine = np.array([-0.25, 0.0, 0.25]) * unit
    x = (steps[:, None] + fine[None]).ravel()
    grid = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    at = view((cells[:, None, :] + grid[None]).reshape(-1, 2).astype(np.float64))
    height, width = image.shape
    inside = (
        ((at > 0) & (at < np.array([width - 1, height - 1]))).all(axis=1).reshape(len(cells), -1).all(axis=1)
    )
    px = np.clip(np.round(at), 0, np.array([width - 1, height - 1])).astype(int)
    values = image[px[:, 1], px[:, 0]].astype(np.float64).reshape(len(cells), modules + 2, 3, modules + 2, 3)
    levels = values.mean(axis=(2, 4))
    out = []
    for cell, level in zip(cells[inside], levels[inside], strict=True):
        reading = _reading(cell, level)
        if reading is not None:
            out.append(reading)
    return out


def _reading(cell: IntArray, level: FloatArray) -> Reading | None:
    around = np.ones_like(level, bool)
    around[1:-1, 1:-1] = False
    border = ~around
    border[2:-2, 2:-2] = False
    bright, dark = float(np.median(level[around])), float(np.median(level[border]))
    if bright - dark < 0.15 * max(bright, 1.0):
        return None
    split = 0.5 * (bright + dark)
    if (level[border] < split).mean() < 0.9 or (level[around] > split).mean() < 0.75:
        return None
    inner = level[2:-2, 2:-2] < split
    turned = []
    for turn in TURNS:
        # plate module (mx, my) lies at lattice offset turn' (mx, my)
        my, mx = np.mgrid[-2:3, -2:3]
        u, v = turn[0, 0] * mx + turn[1, 0] * my, turn[0, 1] * mx + turn[1, 1] * my
        turned.append(inner[v + 2, u + 2].ravel())
    return Reading(cell, np.stack(turned))


@dataclass(frozen=True, slots=True)
class Vote:
    """A marker recognised: its number, how the plate is turned, the lattice cell, wrong bits."""

    marker_id: int
    turn: int
    cell: tuple[int, int]
    wrong: int


def recognise(readings: list[Reading], ids: IntArray, *, most_wrong: int) -> list[Vote]:
    """The best marker among `ids` for each reading, if it is clear: at most `most_wrong` bits off
    and two bits better than the next."""
    table = dictionary_bits(DICTIONARY)[ids]
    votes = []
    for reading in readings:
        wrong = (table[None] != reading.bits[:, None, :]).sum(axis=2)
        order = np.sort(wrong.ravel())
        turn, which = np.unravel_index(int(wrong.argmin()), wrong.shape)
        if order[0] <= most_wrong and (len(order) < 2 or order[1] >= order[0] + 2):
            votes.append(
                Vote(int(ids[which]), int(turn), (int(reading.cell[0]), int(reading.cell[1])), int(order[0]))
            )
    return votes


@dataclass(frozen=True, slots=True)
class Identity:
    """What the markers say: turn and shift of the plate (as in `Placement`) and how many agree; or,
    in `stranger`, the identity of another plate."""

    turn: int
    shift: tuple[int, int]
    votes: int
    stranger: int | None = None


def read_identity(image: Picture, view: ViewMap, cells: IntArray, plate: Plate) -> Identity | None:
    """Numbering of a coded plate by its own markers, or None when none could be read."""
    readings = read_cells(image, view, cells)
    ids = np.array([m.marker_id for m in plate.markers], dtype=np.int32)
    votes = recognise(readings, ids, most_wrong=_MOST_WRONG_BITS)
    everyone = recognise(readings, np.arange(1000, dtype=np.int32), most_wrong=0)
    mine = set(ids.tolist())
    strangers = [v.marker_id // 16 for v in everyone if v.marker_id not in mine]
    if len(strangers) >= 2 and len(strangers) > len([v for v in everyone if v.marker_id in mine]):
        return Identity(0, (0, 0), 0, max(set(strangers), key=strangers.count))
    if not votes:
        return None
    place = {
        m.marker_id: tables_of(plate).cells[gone]
        for m, gone in zip(plate.markers, _marker_points(plate), strict=True)
    }
    tally: dict[tuple[int, int, int], float] = {}
    for vote in votes:
        shift = place[vote.marker_id] - TURNS[vote.turn] @ np.array(vote.cell)
        key = (vote.turn, int(shift[0]), int(shift[1]))
        tally[key] = tally.get(key, 0.0) + (1.0 if vote.wrong == 0 else 0.6)
    (turn, du, dv), weight = max(tally.items(), key=lambda item: item[1])
    if weight < 1.0 or weight <= sum(tally.values()) - weight:
        return None
    return Identity(turn, (du, dv), round(weight))


def markers_agree(image: Picture, view_from_mm: ViewMap, plate: Plate) -> bool:
    """True when the plate's markers are where the map (plate mm -> picture) puts them: at least one
    is read as itself, and none as another."""
    places = np.array([[m.x_mm, m.y_mm] for m in plate.markers]) / plate.pitch_mm
    scaled = view_from_mm.homography @ np.diag([plate.pitch_mm, plate.pitch_mm, 1.0])
    view = ViewMap(scaled, view_from_mm.centre_px, view_from_mm.scale_px, view_from_mm.k1, view_from_mm.k2)
    readings = read_cells(image, view, np.round(places).astype(np.int32))
    ids = np.array([m.marker_id for m in plate.markers], dtype=np.int32)
    at = {(round(x), round(y)): m.marker_id for (x, y), m in zip(places, plate.markers, strict=True)}
    votes = recognise(readings, ids, most_wrong=_MOST_WRONG_BITS)
    return bool(votes) and all(v.turn == 0 and at[v.cell] == v.marker_id for v in votes)


def _marker_points(plate: Plate) -> list[int]:
    """Point number of the place where each marker sits."""
    return [
        round(m.y_mm / plate.pitch_mm) * plate.columns + round(m.x_mm / plate.pitch_mm) for m in plate.markers
    ]
