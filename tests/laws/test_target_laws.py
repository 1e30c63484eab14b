"""Laws of the eye: what must not change anything, and what may only go one way."""

from functools import cache

import numpy as np
import pytest

from holdstill.records import Sighting
from holdstill.target import find, parse
from target.paint import finger, paint
from target.scenes import HALF

PLATE = parse("coded-dots 14x10 14mm")
POSE = {**HALF, "distance_mm": 800, "tilt_deg": (20.0, -10.0), "turn_deg": 8.0}


@cache
def seen_at(**change) -> Sighting:
    view = paint(PLATE, **{**POSE, **change})
    seen = find(view.image, PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    return seen


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_picture_turns_the_points_and_nothing_else(quarter_turns):
    image = paint(PLATE, **POSE).image
    plain, turned = (
        seen_at(),
        find(np.rot90(image, quarter_turns).copy(), PLATE, camera="left", full_scale=255),
    )
    assert isinstance(turned, Sighting)
    height, width = image.shape
    points = plain.points_px
    for _ in range(quarter_turns):
        points = np.column_stack([points[:, 1], width - 1 - points[:, 0]])
        height, width = width, height
    assert np.array_equal(turned.point_ids, plain.point_ids)
    assert np.abs(turned.points_px - points).max() < 2e-3


def test_scaling_the_levels_changes_nothing():
    image = paint(PLATE, **POSE).image.astype(np.uint16)
    small, large = (find(image * k, PLATE, camera="left", full_scale=255 * k) for k in (16, 48))
    assert isinstance(small, Sighting)
    assert isinstance(large, Sighting)
    assert np.array_equal(small.point_ids, large.point_ids)
    assert np.abs(small.points_px - large.points_px).max() < 1e-3
    assert small.sigmas_px == pytest.approx(large.sigmas_px, rel=0.02)


def test_the_same_picture_gives_the_same_answer_whatever_came_before():
    image = paint(PLATE, **POSE).image
    first = find(image, PLATE, camera="left", full_scale=255)
    find(paint(PLATE, **{**POSE, "turn_deg": 100.0}).image, PLATE, camera="left", full_scale=255)
    again = find(image, PLATE, camera="left", full_scale=255)
    assert isinstance(first, Sighting)
    assert isinstance(again, Sighting)
    assert np.array_equal(first.points_px, again.points_px)


@pytest.mark.parametrize("at", [(300, 300), (700, 600), (900, 350)])
def test_adding_a_finger_never_moves_the_other_dots_indices(at):
    view = paint(PLATE, **POSE, touches=(finger(at, 80, 200.0),))
    seen = find(view.image, PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    gap = np.hypot(*(seen.points_px - view.points_px[seen.point_ids]).T)
    assert gap.max() < 1.0


def test_more_noise_never_lowers_the_stated_sigma():
    medians = [float(np.median(seen_at(gain=gain).sigmas_px)) for gain in (0.0255, 0.06, 0.15, 0.4)]
    assert medians == sorted(medians)
