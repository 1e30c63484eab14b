"""Our own plate: a dot grid with small scattered ArUco markers, each in the place of one dot.

Everything scales with the pitch p: dots of diameter 0.45 p, markers of side 0.62 p (7 x 7 modules
of DICT_5X5_1000) with a quiet zone of at least 0.19 p around them; the plate ends 0.9 p outside the
outer dots.  Markers stand one to a block of the grid, at a place in the block that changes from
block to block, so that every window of about two blocks holds one and no two windows look alike.
Plate identity n owns the marker ids 16 n .. 16 n + 15.
"""

from __future__ import annotations

from holdstill.errors import BadInput
from holdstill.records import Marker, Plate, PlateKind

DICTIONARY = "DICT_5X5_1000"
IDS_PER_PLATE = 16
IDENTITIES = 1000 // IDS_PER_PLATE
DOT_SHARE = 0.45
MARKER_SHARE = 0.62
MARGIN_SHARE = 0.9
STANDARD_COLUMNS, STANDARD_ROWS = 14, 10
STANDARD_PITCHES_MM = (1.6, 2.4, 3.2, 4.0, 5.0, 6.0, 8.0, 10.0, 14.0, 20.0, 28.0, 40.0)
COPIES = 4
"""Identities per standard size, so that four plates of one size can be told apart."""
FREE_IDENTITY = len(STANDARD_PITCHES_MM) * COPIES
"""First identity of plates of any other size."""
_BLOCK = 4


def standard_plate(plate_id: int) -> Plate | None:
    """The standard plate that owns identity `plate_id`, or None where the size must be given.

    Identities 0..47: twelve pitches from 1.6 to 40 mm (plates 25 to 600 mm wide), four copies each,
    14 x 10 dots.
    """
    if not 0 <= plate_id < FREE_IDENTITY:
        return None
    return coded_plate(
        STANDARD_COLUMNS, STANDARD_ROWS, STANDARD_PITCHES_MM[plate_id // COPIES], plate_id=plate_id
    )


def identity_of_marker(marker_id: int) -> int:
    """Plate identity that owns a marker id."""
    return marker_id // IDS_PER_PLATE


def coded_plate(
    columns: int,
    rows: int,
    pitch_mm: float,
    *,
    plate_id: int | None = None,
    dot_diameter_mm: float | None = None,
    dark_dots: bool | None = None,
    pitch_sigma_mm: float | None = None,
) -> Plate:
    """Coded plate of `columns` x `rows` lattice places (markers included) at `pitch_mm`.

    `plate_id` None: the standard identity of that size, else the first free one.  Raises BadInput
    for an identity out of range.
    """
    if plate_id is None:
        plate_id = _identity_for(columns, rows, pitch_mm)
    if not 0 <= plate_id < IDENTITIES:
        raise BadInput(f"id{plate_id} is not an identity of a coded plate; wanted id0 to id{IDENTITIES - 1}.")
    places = marker_places(columns, rows)
    markers = tuple(
        Marker(plate_id * IDS_PER_PLATE + n, c * pitch_mm, r * pitch_mm, MARKER_SHARE * pitch_mm)
        for n, (c, r) in enumerate(places)
    )
    return Plate(
        PlateKind.CODED_DOTS, columns, rows, pitch_mm,
        dot_diameter_mm=dot_diameter_mm, markers=markers, marker_dictionary=DICTIONARY,
        absent=tuple(sorted(r * columns + c for c, r in places)), plate_id=plate_id,
        pitch_sigma_mm=pitch_sigma_mm, dark_dots=dark_dots,
    )  # fmt: skip


def _identity_for(columns: int, rows: int, pitch_mm: float) -> int:
    """Identity of the standard plate of this size (pitch within 2 %), else the first free one."""
    if (columns, rows) == (STANDARD_COLUMNS, STANDARD_ROWS):
        for number, pitch in enumerate(STANDARD_PITCHES_MM):
            if abs(pitch_mm / pitch - 1) < 0.02:
                return number * COPIES
    return FREE_IDENTITY


def marker_places(columns: int, rows: int) -> list[tuple[int, int]]:
    """Lattice places (column, row) that carry a marker, scattered, never on the plate's corners.

    One to a block of about 4 x 4 places (larger on large plates, so that at most 16 are needed).
    """
    block = _BLOCK
    while -(-columns // block) * -(-rows // block) > IDS_PER_PLATE:
        block += 1
    across, down = max(1, round(columns / block)), max(1, round(rows / block))
    while across * down > IDS_PER_PLATE:
        across, down = (across - 1, down) if across >= down else (across, down - 1)
    places: list[tuple[int, int]] = []
    for j in range(down):
        for i in range(across):
            c0, c1 = columns * i // across, columns * (i + 1) // across
            r0, r1 = rows * j // down, rows * (j + 1) // down
            places.append(
                _place_in_block(i + across * j, (c0, c1), (r0, r1), columns=columns, rows=rows, taken=places)
            )
    return places


def _place_in_block(
    number: int,
    across: tuple[int, int],
    down: tuple[int, int],
    *,
    columns: int,
    rows: int,
    taken: list[tuple[int, int]],
) -> tuple[int, int]:
    """Place of marker `number` within its block: the R2 sequence, moved until it has room.

    Source: plastic-number sequence, M. Roberts, "The unreasonable effectiveness of quasirandom
    sequences" (2018), from memory.
    """
    wide, high = across[1] - across[0], down[1] - down[0]
    for step in range(wide * high):
        n = number + 1 + step * 16
        c = across[0] + int((0.7548776662 * n) % 1 * wide)
        r = down[0] + int((0.5698402910 * n) % 1 * high)
        corner = c in (0, columns - 1) and r in (0, rows - 1)
        close = any(max(abs(c - a), abs(r - b)) < 2 for a, b in taken)
        if not corner and not close:
            return c, r
    return across[0] + wide // 2, down[0] + high // 2
