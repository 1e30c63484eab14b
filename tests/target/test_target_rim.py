"""Bright bits beside the plate that lie where the next dot would: nails, highlights."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from holdstill import target
from holdstill.records import Nothing, Sighting

FRAMES = Path(__file__).parents[2] / "sample_frames"
SPEC = "dots 14x10 12mm d6mm bright"


@pytest.mark.parametrize("number", range(1, 15))
@pytest.mark.parametrize("camera", ["left", "right"])
def test_every_good_sample_frame_is_seen(camera: str, number: int) -> None:
    image = cv2.imread(str(FRAMES / "good" / f"fork_{camera}_{number:03d}.png"), cv2.IMREAD_UNCHANGED)
    assert image is not None
    seen = target.find(np.asarray(image, np.uint8), target.parse(SPEC), camera=camera, full_scale=255)
    assert isinstance(seen, Sighting), seen
    assert len(seen.point_ids) >= 130


def test_another_plate_is_still_told_as_such() -> None:
    image = cv2.imread(str(FRAMES / "trouble" / "fork_left_011.png"), cv2.IMREAD_UNCHANGED)
    assert image is not None
    seen = target.find(np.asarray(image, np.uint8), target.parse(SPEC), camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why == "wrong target"


def test_bright_bits_on_a_hand_do_not_shift_a_part_of_a_plate():
    image = cv2.imread(str(FRAMES / "trouble" / "fork_right_010.png"), cv2.IMREAD_GRAYSCALE)
    seen = target.find(image, target.parse(SPEC), camera="right", full_scale=255)
    assert isinstance(seen, Sighting)
    columns = seen.point_ids % 14
    assert (columns.min(), columns.max()) == (3, 13)  # the last column stands beside bare plate
    assert seen.points_px[columns == 13][:, 0].min() > 460
