from dataclasses import replace

import numpy as np
import pytest

from holdstill.measure import stillness
from holdstill.records import Nothing
from measure.drawn_scenes import homography, sighting

H = homography()


def moved(seen, dx, dy, rng=None, sigma=0.0):
    noise = rng.normal(size=seen.points_px.shape) * sigma if rng is not None else 0.0
    return replace(seen, points_px=seen.points_px + np.array([dx, dy]) + noise)


def test_speed_shift_and_blur_of_a_known_motion():
    s = stillness(sighting(H), moved(sighting(H), 3.0, 4.0), seconds=0.1, exposure_ms=4.0)
    assert s.shift_px == pytest.approx(5.0, rel=1e-3)
    assert s.speed_px_per_s == pytest.approx(50.0, rel=1e-3)
    assert s.blur_px == pytest.approx(0.2, rel=1e-3)
    assert s.points == 140


def test_noise_alone_is_not_motion():
    rng = np.random.default_rng(3)
    seen = replace(sighting(H), sigmas_px=np.full(140, 0.05))
    a, b = moved(seen, 0, 0, rng, 0.05), moved(seen, 0, 0, rng, 0.05)
    assert stillness(a, b, seconds=0.1, exposure_ms=None).shift_px < 0.03


def test_a_wrong_point_does_not_count():
    after = moved(sighting(H), 0.0, 0.0)
    after.points_px[7] += 40
    assert stillness(sighting(H), after, seconds=0.1, exposure_ms=1.0).shift_px < 0.05


def test_a_jump_of_numbers_is_not_motion():
    before = replace(sighting(H), absolute=False)
    after = replace(before, points_px=before.points_px[::-1].copy())
    assert stillness(before, after, seconds=0.1, exposure_ms=1.0).shift_px == pytest.approx(0.0, abs=1e-6)


def test_expected_failures_are_values():
    a = sighting(H)
    assert stillness(a, a, seconds=0.0, exposure_ms=1.0) == Nothing("no time between", {"seconds": 0.0})
    few = replace(a, point_ids=a.point_ids[:3], points_px=a.points_px[:3], sigmas_px=a.sigmas_px[:3])
    assert stillness(a, few, seconds=1.0, exposure_ms=1.0).why == "too few common points"
    with pytest.raises(ValueError, match="two cameras"):
        stillness(a, replace(a, camera="right"), seconds=1.0, exposure_ms=1.0)
