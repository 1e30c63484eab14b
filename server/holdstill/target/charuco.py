"""Where the markers of a ChArUco board sit (the open layout that OpenCV documents and draws)."""

from __future__ import annotations

import cv2

from holdstill.errors import BadInput
from holdstill.records import Marker, Plate, PlateKind


def is_dictionary(name: str) -> bool:
    """True when `name` is a marker dictionary that OpenCV carries (``DICT_...``)."""
    return name.startswith("DICT_") and hasattr(cv2.aruco, name)


def dictionary_of(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's dictionary called `name`."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def charuco_plate(
    squares_across: int,
    squares_down: int,
    square_mm: float,
    marker_mm: float,
    *,
    dictionary: str | None = None,
    legacy: bool = False,
    pitch_sigma_mm: float | None = None,
) -> Plate:
    """ChArUco board of `squares_across` x `squares_down` squares; its points are the inner corners.

    Markers sit in the white squares and are numbered along the rows; the top left square is black
    (`legacy`: white where the number of rows is even, as OpenCV drew before 4.6).  `dictionary`
    None takes the smallest of the 4x4 family that holds enough markers.  Raises BadInput when the
    dictionary holds too few.  Source: OpenCV 5.0 documentation, "Detection of ChArUco Boards".
    """
    white = 1 if not legacy or squares_down % 2 else 0
    cells = [(c, r) for r in range(squares_down) for c in range(squares_across) if (c + r) % 2 == white]
    if dictionary is None:
        sizes = [50, 100, 250, 1000]
        enough = [size for size in sizes if size >= len(cells)]
        dictionary = f"DICT_4X4_{(enough or sizes)[0 if enough else -1]}"
    held = len(dictionary_of(dictionary).bytesList)
    if held < len(cells):
        raise BadInput(
            f"A charuco board of {squares_across}x{squares_down} squares carries {len(cells)} markers, "
            f"{dictionary} holds {held}; name a larger dictionary, for example DICT_4X4_1000."
        )
    markers = tuple(
        Marker(number, (c - 0.5) * square_mm, (r - 0.5) * square_mm, marker_mm)
        for number, (c, r) in enumerate(cells)
    )
    return Plate(
        PlateKind.CHARUCO, squares_across - 1, squares_down - 1, square_mm,
        markers=markers, marker_dictionary=dictionary, pitch_sigma_mm=pitch_sigma_mm,
    )  # fmt: skip


def is_legacy(plate: Plate) -> bool:
    """True when the board was drawn with a white top left square."""
    return plate.markers[0].x_mm < 0 and plate.markers[0].y_mm < 0


def charuco_board(plate: Plate) -> cv2.aruco.CharucoBoard:
    """OpenCV's board object for `plate`."""
    board = cv2.aruco.CharucoBoard(
        (plate.columns + 1, plate.rows + 1), plate.pitch_mm, plate.markers[0].side_mm,
        dictionary_of(str(plate.marker_dictionary)),
    )  # fmt: skip
    board.setLegacyPattern(is_legacy(plate))
    return board
