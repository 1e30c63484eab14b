"""The one door to the eye: a picture and a plate in, a sighting out."""

from __future__ import annotations

import numpy as np

from holdstill.errors import BadInput
from holdstill.records import Nothing, Picture, Plate, PlateKind, Sighting

from .blobs import to_8_bits, too_small
from .boards import find_board
from .dots import find_dots


def find(
    image: Picture, plate: Plate, *, camera: str, full_scale: int, hint: Sighting | None = None
) -> Sighting | Nothing:
    """The plate in one camera's picture: point numbers, exact centres and their own sigma.

    image
        uint8 or uint16 (H, W), as the camera delivered it.
    full_scale
        Largest value the picture's format can carry (255, 4095, 65535).
    hint
        The last `Sighting` of the same camera and plate, for tracking; it also settles which way
        round an ambiguous plate is numbered.

    Returns a `Sighting` (px, pixel centres at whole numbers), or `Nothing` with `why` one of
    ``"no plate"``, ``"no board"``, ``"too few points"``, ``"wrong target"``, ``"not flat"``,
    ``"dots too small"``, ``"wrong identity"``, ``"picture too small"``.
    Raises BadInput for an array that is no grey picture.
    """
    if image.ndim != 2 or image.dtype not in (np.uint8, np.uint16):
        raise BadInput(
            f"The eye got an array of shape {image.shape} and type {image.dtype}; wanted a grey picture "
            "(rows, columns) of 8 or 16 bits. Reduce colour to grey before."
        )
    small = too_small(image)
    if small is not None:
        return small
    image = np.ascontiguousarray(image)  # type: ignore[assignment]
    if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        return find_board(image, to_8_bits(image, full_scale), plate, camera=camera)
    return find_dots(image, plate, camera=camera, full_scale=full_scale, hint=hint)
