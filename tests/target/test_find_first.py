"""The door: what `find` gives back, on pictures drawn by a small renderer of the tests' own."""

import numpy as np
import pytest

from holdstill.errors import BadInput
from holdstill.records import Nothing, Sighting
from holdstill.target import find, half_turn, parse
from target.paint import paint

PLATE = parse("dots 14x10 14mm d6.3mm")


@pytest.fixture(scope="module")
def view():
    return paint(
        PLATE, size=(1224, 1024), tilt_deg=(20, 10), turn_deg=12, distance_mm=700, focal_px=3600, seed=1
    )


def test_every_dot_is_found_and_numbered(view):
    seen = find(view.image, PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    assert seen.point_ids.tolist() == list(range(140))
    assert np.abs(seen.points_px - view.points_px).max() < 0.1
    assert seen.missing_ids.size == 0
    assert seen.dark_dots is True
    assert not seen.absolute
    assert seen.image_size_px == (1224, 1024)


def test_a_half_turn_renumbers_and_back_again(view):
    seen = find(view.image, PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    turned = half_turn(seen, PLATE)
    assert np.array_equal(turned.points_px, seen.points_px[::-1])
    back = half_turn(turned, PLATE)
    assert np.array_equal(back.points_px, seen.points_px)


def test_a_blank_picture_is_nothing_with_a_reason():
    seen = find(np.full((480, 640), 90, np.uint8), PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why == "no plate"


def test_another_target_is_told_from_a_hidden_one(view):
    seen = find(view.image, parse("dots 11x9 14mm"), camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why == "wrong target"
    seen = find(view.image, parse("dots 16x10 14mm"), camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why == "wrong target"


def test_colour_is_refused_with_the_next_step():
    with pytest.raises(BadInput, match="grey"):
        find(np.zeros((480, 640, 3), np.uint8), PLATE, camera="left", full_scale=255)
