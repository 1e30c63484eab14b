"""Real photographs: OpenCV's test pictures (opencv_extra, BSD), used where they lie beside the project.

Truth beside them is OpenCV's own finder; its centres agree with the eye's within its own error, its
indices exactly.  The residual about a homography with k1, k2 is independent of it.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from holdstill.records import Nothing, Sighting
from holdstill.target import find, parse

PHOTOS = Path(__file__).parents[2].parent / "shared" / "data" / "dot_photos"
pytestmark = pytest.mark.skipif(not PHOTOS.is_dir(), reason=f"no photographs at {PHOTOS}")
DOTS = {
    **{f"circles{n}": "dots 7x7 20mm" for n in range(1, 8)},
    "acircles1": "staggered-dots 7x13 20mm", "acircles4": "staggered-dots 5x5 20mm",
    "acircles7": "staggered-dots 3x9 20mm",
}  # fmt: skip
RESIDUAL_PX = {"circles1": 0.072, "circles2": 0.105, "acircles4": 0.072, "acircles7": 0.074}
"""Residuals of OpenCV's centres about a homography, from the data's own description."""


@pytest.mark.parametrize("name", DOTS)
def test_every_dot_is_indexed_as_opencv_does(name):
    plate = parse(DOTS[name])
    image = cv2.imread(str(PHOTOS / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
    seen = find(image, plate, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    assert seen.point_ids.tolist() == list(range(plate.point_count))
    file = cv2.FileStorage(
        str(PHOTOS / f"{name.replace('circles', 'circles_corners')}.dat"), cv2.FILE_STORAGE_READ
    )
    theirs = file.getNode("corners").mat().reshape(-1, 2)
    gaps = [np.abs(seen.points_px - order).max() for order in (theirs, theirs[::-1])]
    assert min(gaps) < 0.5
    if name in RESIDUAL_PX:
        assert seen.residual_px is not None
        assert seen.residual_px < RESIDUAL_PX[name]


@pytest.mark.parametrize("name", ["negative_1", "negative_2", "negative_3"])
@pytest.mark.parametrize("spec", ["dots 7x7 20mm", "staggered-dots 7x13 20mm", "chessboard 8x6 20mm"])
def test_a_picture_without_the_board_is_refused_with_a_reason(name, spec):
    image = cv2.imread(str(PHOTOS / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
    seen = find(image, parse(spec), camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why in ("no plate", "no board", "too few points", "wrong target")
