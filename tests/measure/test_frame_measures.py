import cv2
import numpy as np
import pytest

from holdstill.errors import BadFrame
from holdstill.measure import frame_measures
from measure.drawn_scenes import PLATE, draw, expose, homography, sighting

SIZE = (800, 640)
H = homography(SIZE)


def measured(image, seen=None, full=255):
    return frame_measures(image, camera="left", full_scale=full, plate=PLATE, sighting=seen)


def rng(seed=1):
    return np.random.default_rng(seed)


def test_levels_of_a_well_lit_plate():
    m = measured(expose(draw(SIZE, H), rng()), sighting(H))
    assert m.dot_fill == pytest.approx(200 / 255, abs=0.02)
    assert m.ground_fill == pytest.approx(30 / 255, abs=0.02)
    assert m.saturated_share == 0
    assert m.saturated_in_dots == 0
    assert m.evenness > 0.97
    assert m.glare == ()
    assert m.hidden == ()
    assert m.noise_gray == pytest.approx(np.sqrt(0.03 * m.mean_level + 0.64 + 1 / 12), rel=0.12)
    assert len(m.sharpness_regions) == m.region_grid[0] * m.region_grid[1]


def test_overexposed_dots_saturate_inside_and_not_outside():
    m = measured(expose(draw(SIZE, H, bright=330.0), rng()), sighting(H))
    assert m.clip_seen
    assert m.clip_level == 255
    assert m.saturated_in_dots > 0.97
    assert m.saturated_outside < 0.004
    assert m.dot_fill == pytest.approx(1.0, abs=0.01)
    dots_area = PLATE.point_count * np.pi * (PLATE.dot_diameter_mm / 2 * 680 / 210) ** 2 / (SIZE[0] * SIZE[1])
    assert m.saturated_share == pytest.approx(dots_area, rel=0.15)


@pytest.mark.parametrize("blur", [0.6, 1.0, 2.0, 3.5])
def test_edge_width_is_that_of_the_blur(blur):
    m = measured(expose(draw(SIZE, homography(SIZE, fill=0.95), blur=blur, ss=3), rng()), None)
    pixel = 1 / 12 + 1 / 12 / 9  # area of a pixel and of the drawing's own, variance of a box
    assert m.edge_width_px == pytest.approx(2.5631 * np.sqrt(blur**2 + pixel), rel=0.07)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0])
def test_a_smear_is_told_with_its_length_and_direction(angle_deg):
    length = 5.0
    light = draw(SIZE, homography(SIZE, fill=0.95))
    kernel = np.zeros((15, 15), np.float32)
    for t in np.linspace(-length / 2, length / 2, 401):
        x, y = 7 + t * np.cos(np.radians(angle_deg)), 7 + t * np.sin(np.radians(angle_deg))
        i, j, a, b = int(x), int(y), x % 1, y % 1
        kernel[j : j + 2, i : i + 2] += np.array([[(1 - a) * (1 - b), a * (1 - b)], [(1 - a) * b, a * b]])
    m = measured(expose(cv2.filter2D(light, -1, kernel / kernel.sum()), rng()))
    assert m.motion_blur_px == pytest.approx(length, rel=0.2)
    turn = (m.motion_direction_deg - angle_deg + 90) % 180 - 90
    assert abs(turn) < 8


def test_no_smear_in_a_frame_blurred_all_round():
    m = measured(expose(draw(SIZE, homography(SIZE, fill=0.95), blur=1.5), rng()))
    assert m.motion_blur_px < 1.0


def test_glare_is_placed_on_the_plate_with_the_points_it_covers():
    light = draw(SIZE, H)
    at = sighting(H).points_px[47]
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    light = light + 600 * np.exp(-(((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 40.0**2))).astype(np.float32)
    image = expose(light, rng())
    covered = [46, 47, 48, 33, 61]
    m = measured(image, sighting(H, drop=covered))
    assert len(m.glare) == 1
    patch = m.glare[0]
    assert np.hypot(patch.x_px - at[0], patch.y_px - at[1]) < 6
    assert set(covered) <= set(patch.point_ids)
    assert np.hypot(patch.x_mm - PLATE.points_mm()[47, 0], patch.y_mm - PLATE.points_mm()[47, 1]) < 3
    assert 0.01 < patch.plate_share < 0.15
    assert [p.cause for p in m.hidden] == ["glare"]


def test_glare_on_dark_dots_swallows_them():
    light = draw(SIZE, H, dark_dots=True)
    at = sighting(H).points_px[47]
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    near = (x - at[0]) ** 2 + (y - at[1]) ** 2 < 70**2
    m = measured(expose(np.where(near, 400.0, light), rng()), sighting(H, drop=[46, 47, 48, 33, 61]))
    assert m.glare
    assert np.hypot(m.glare[0].x_px - at[0], m.glare[0].y_px - at[1]) < 12


def test_evenness_of_a_ramp():
    ramp = np.linspace(1.0, 0.5, SIZE[0], dtype=np.float32)[None, :]
    m = measured(expose(draw(SIZE, H) * ramp, rng()), sighting(H))
    left, right = sighting(H).points_px[[0, 13], 0]
    wanted = (1 - 0.5 * right / SIZE[0]) / (1 - 0.5 * left / SIZE[0])
    assert m.evenness == pytest.approx(wanted, abs=0.03)


@pytest.mark.parametrize(
    ("full", "clip", "shift", "wanted"),
    [
        (65535, 4095, 0, 4095),
        (65535, 4095, 4, 65520),
        (4095, 4095, 0, 4095),
        (255, 243, 0, 243),
        (65535, 3900, 0, 3900),
    ],
)
def test_the_clipping_level_is_found_from_the_data(full, clip, shift, wanted):
    bits12 = full != 255
    light = draw(SIZE, H, bright=330.0) * (16.0 if bits12 else 1.0)
    image = expose(light, rng(), gain=0.4 if bits12 else 0.03, full=full, clip=clip, shift_bits=shift)
    m = measured(image, sighting(H), full)
    assert m.clip_level == wanted
    assert m.clip_seen
    assert m.saturated_in_dots > 0.97


@pytest.mark.parametrize("stops", [-2.0, -0.5, 0.0, 0.2])
def test_no_clipping_is_seen_where_nothing_clips(stops):
    m = measured(expose(draw(SIZE, H), rng(), stops=stops), sighting(H))
    assert not m.clip_seen
    assert m.clip_level == 255
    assert m.saturated_share < 1e-3


def test_unclipped_12_bits_in_16_take_the_top_of_their_depth():
    light = draw(SIZE, H) * 16.0
    m = measured(expose(light, rng(), gain=0.4, full=65535), sighting(H), 65535)
    assert m.clip_level == 4095
    shifted = measured(expose(light, rng(), gain=0.4, full=65535, shift_bits=4), sighting(H), 65535)
    assert shifted.clip_level == 65520


def test_coverage_is_the_plates_share_of_the_picture():
    m = measured(expose(draw(SIZE, H), rng()), sighting(H))
    scale = 0.85 * 800 / 210
    wanted = (13 + 1.6) * 15 * (9 + 1.6) * 15 * scale**2 / (800 * 640)
    assert m.coverage == pytest.approx(wanted, rel=0.03)


@pytest.mark.parametrize(
    "bad", [np.zeros((64, 64, 3), np.uint8), np.zeros((64, 64), np.float32), np.zeros((8, 8), np.uint8)]
)
def test_bad_pictures_are_refused_in_words(bad):
    with pytest.raises(BadFrame, match="left"):
        measured(bad)


@pytest.mark.parametrize("level", [0, 255, 17])
def test_a_blank_picture_gives_numbers_and_no_crash(level):
    m = measured(np.full((480, 640), level, np.uint8))
    assert m.sharpness == 0
    assert m.edge_width_px is None
    assert m.mean_level == level
