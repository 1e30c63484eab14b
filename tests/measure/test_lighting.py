import numpy as np
import pytest

from holdstill.measure import frame_measures, optics
from holdstill.measure.lighting import aim, aim_at, brightness_gap, light_field, plate_room
from measure.drawn_scenes import PLATE, draw, expose, homography, sighting

SIZE = (800, 640)


def lit(pattern, camera="left", stops=0.0, seen=True):
    h = homography(SIZE)
    image = expose(draw(SIZE, h) * pattern.astype(np.float32), np.random.default_rng(1), stops=stops)
    s = sighting(h, camera=camera) if seen else None
    return frame_measures(image, camera=camera, full_scale=255, plate=PLATE, sighting=s)


Y, X = np.mgrid[0:640, 0:800]
Y, X = Y / 320 - 1, X / 400 - 1


def uniform(pattern):
    rng = np.random.default_rng(2)
    return frame_measures(expose(120.0 * pattern, rng), camera="left", full_scale=255)


def test_a_hot_spot_is_not_a_slope():
    hot = light_field(uniform(1 - 0.3 * (X**2 + Y**2)))
    assert hot.hot_spot
    assert abs(hot.peak_x) < 0.2
    assert abs(hot.peak_y) < 0.2
    slope = light_field(uniform(1 + 0.3 * X))
    assert not slope.hot_spot
    assert slope.slope_x == pytest.approx(0.3, abs=0.02)
    assert slope.evenness == pytest.approx(0.7 / 1.3, abs=0.06)
    assert not light_field(uniform(np.ones_like(X))).hot_spot


def test_brightness_gap_between_cameras():
    flat = np.ones_like(X)
    gap = brightness_gap({"left": lit(flat), "right": lit(flat, "right", stops=-0.8)})
    assert (gap.brightest, gap.darkest) == ("left", "right")
    assert gap.stops == pytest.approx(0.8, abs=0.03)
    assert gap.matters
    clipped = brightness_gap({"left": lit(flat, stops=1.0), "right": lit(flat, "right", stops=0.2)})
    assert clipped.stops == pytest.approx(0.8, abs=0.05)
    assert brightness_gap({"left": lit(flat)}).why == "one camera"


@pytest.mark.parametrize(
    ("fill", "verdict"), [(0.4, "too small"), (0.78, "fits"), (0.95, "too big"), (1.2, "cut")]
)
def test_plate_size_in_the_field(fill, verdict):
    room = plate_room(sighting(homography(SIZE, fill=fill)), PLATE, stand_off_mm=700)
    assert room.verdict == verdict
    assert room.coverage == pytest.approx(fill, rel=0.06)


def test_room_to_tilt_and_sharp_tilt():
    depth = optics.depth_of_field(25, 8, 700, 0.00345)
    small = plate_room(sighting(homography(SIZE, fill=0.6)), PLATE, stand_off_mm=700, depth=depth)
    big = plate_room(sighting(homography(SIZE, fill=0.955)), PLATE, stand_off_mm=700, depth=depth)
    assert small.room_to_tilt_deg > big.room_to_tilt_deg
    assert 5 < small.sharp_tilt_deg < 90
    assert small.sharp_tilt_deg == big.sharp_tilt_deg
    assert plate_room(sighting(homography(SIZE)), PLATE).sharp_tilt_deg is None


def test_aim_tells_roll_height_and_overlap():
    first = sighting(homography(SIZE, fill=0.6))
    second = sighting(homography(SIZE, fill=0.6, turn_deg=3.0, shift=(60, -25)), camera="right")
    got = aim(first, second)
    assert got.roll_deg == pytest.approx(3.0, abs=0.05)
    assert got.shift_x_px == pytest.approx(60, abs=3)
    assert got.shift_y_px == pytest.approx(-25, abs=3)
    assert not got.level
    assert 0.8 < got.overlap < 0.97
    assert got.scale_ratio == pytest.approx(1.0, abs=0.01)


def test_a_stereo_angle_alone_is_no_roll():
    first = sighting(homography(SIZE, fill=0.6, tilt_deg=10))
    second = sighting(homography(SIZE, fill=0.6, tilt_deg=-10), camera="right")
    got = aim(first, second)
    assert abs(got.roll_deg) < 0.2
    assert got.level


def test_aim_from_any_matches_and_too_few():
    points = np.random.default_rng(3).uniform(100, 500, (20, 2))
    got = aim_at(points, points + np.array([30.0, 0.0]), SIZE, SIZE)
    assert got.shift_x_px == pytest.approx(30)
    assert got.overlap == pytest.approx(1 - 30 / 800, abs=0.05)
    few = sighting(homography(SIZE), drop=range(136))
    assert aim(few, few).why == "too few common points"
