"""Our own plate: a dot grid with small scattered ArUco markers, each in the place of one dot.

Everything scales with the pitch p: dots of diameter 0.45 p, markers of side 0.62 p (7 x 7 modules
of DICT_5X5_1000) with a quiet zone of at least 0.19 p around them; the plate ends 0.9 p outside the
outer dots.  Markers are scattered over the inner dots, about one to twelve (`marker_places`).
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
    """Lattice places (column, row) that carry a marker: scattered, none on the outer line of dots.

    About one to twelve dots, at most 16. Rows of markers are shifted against each other by the
    golden ratio and every other marker steps down by one, so that no two windows look alike and
    none of about 5 x 4 dots is without a whole marker (see the tests).
    """
    wanted = min(IDS_PER_PLATE, max(1, round(columns * rows / 11.7)))
    down = max(1, round((wanted * rows / columns) ** 0.5))
    across = max(1, min(wanted // down, (columns - 1) // 2))
    places: list[tuple[int, int]] = []
    for j in range(down):
        shift = (0.3 + j * 0.6180339887) % 1
        for i in range(across):
            c = int((i + shift) * columns / across)
            r = int((j + 0.5) * rows / down - 0.5) + (i + j) % 2
            c, r = min(max(c, 1), columns - 2), min(max(r, 1), rows - 2)
            if all(max(abs(c - a), abs(r - b)) >= 2 for a, b in places):
                places.append((c, r))
    return places
