"""A still scene found again: textures known in closed form, shifted by known amounts."""

from __future__ import annotations

import numpy as np
import pytest

from holdstill.measure.scene import scene_again, scene_floor, scene_start
from holdstill.records import Nothing
from holdstill.records.scene import NoiseFloor, SceneShift
from measure.blob_scene import HIGH, WIDE, Blobs


@pytest.fixture(scope="module")
def blobs() -> Blobs:
    return Blobs()


def again(blobs: Blobs, **later: object) -> SceneShift:
    start = scene_start(blobs.picture(), camera="left", full_scale=255)
    assert not isinstance(start, Nothing)
    found = scene_again(start, blobs.picture(**later, seed=7))  # type: ignore[arg-type]
    assert isinstance(found, SceneShift)
    return found


def test_marks_are_where_there_is_texture(blobs: Blobs) -> None:
    half = blobs.picture()
    half[:, : WIDE // 2] = np.random.default_rng(3).normal(60, 2, (HIGH, WIDE // 2)).astype(np.uint8)
    start = scene_start(half, camera="left", full_scale=255)
    assert not isinstance(start, Nothing)
    assert start.marks.points_px[:, 0].min() > WIDE // 2 - 20
    assert 40 <= len(start.marks.points_px) <= 72
    plain = scene_start(np.full((HIGH, WIDE), 60, np.uint8), camera="left", full_scale=255)
    assert isinstance(plain, Nothing)
    assert plain.why == "no texture"


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.25, -0.4), (3.7, 8.2), (-31.6, 12.1)])
def test_a_shift_is_found_to_a_hundredth_of_a_pixel(blobs: Blobs, shift: tuple[float, float]) -> None:
    found = again(blobs, shift=shift)
    assert found.found > 80
    off = found.shifts_px[np.isfinite(found.shifts_px[:, 0])] - shift
    assert np.abs(np.median(off, axis=0)).max() < 0.01
    assert np.median(np.abs(off)) < 0.015
    # what it says of itself holds within a half either way
    ratio = np.median(np.abs(off)) / 0.6745 / np.sqrt(np.mean(found.sigmas_px**2))
    assert 0.5 < ratio < 1.5


def test_a_small_turn_and_other_light_are_followed(blobs: Blobs) -> None:
    found = again(blobs, turn_deg=0.2, gain=0.7)
    good = np.isfinite(found.shifts_px[:, 0])
    start = scene_start(blobs.picture(), camera="left", full_scale=255)
    assert not isinstance(start, Nothing)
    from_middle = start.marks.points_px[good] - [WIDE / 2, HIGH / 2]
    true = np.radians(0.2) * np.stack([-from_middle[:, 1], from_middle[:, 0]], axis=1)
    assert np.median(np.abs(found.shifts_px[good] - true)) < 0.02


def test_something_else_in_the_picture_is_not_followed(blobs: Blobs) -> None:
    start = scene_start(blobs.picture(), camera="left", full_scale=255)
    assert not isinstance(start, Nothing)
    later = blobs.picture(seed=9)
    later[:, : WIDE // 3] = Blobs(seed=5).picture()[:, : WIDE // 3]
    found = scene_again(start, later)
    assert isinstance(found, SceneShift)
    covered = start.marks.points_px[:, 0] < WIDE // 3 - 20
    assert np.isnan(found.shifts_px[covered, 0]).mean() > 0.9
    assert np.isfinite(found.shifts_px[~covered, 0]).mean() > 0.9
    other = scene_again(start, Blobs(seed=6).picture())
    assert isinstance(other, Nothing)
    assert other.why == "another scene"
    smaller = scene_again(start, blobs.picture()[:400])
    assert isinstance(smaller, Nothing)
    assert smaller.numbers["got"] == "640 x 400"


def test_the_noise_floor_is_the_noise_and_not_the_shaking(blobs: Blobs) -> None:
    start = scene_start(blobs.picture(), camera="left", full_scale=255)
    assert not isinstance(start, Nothing)
    rng = np.random.default_rng(2)
    shakes = rng.normal(0, 0.3, (5, 2))
    shifts = [scene_again(start, blobs.picture(tuple(s), seed=20 + i)) for i, s in enumerate(shakes)]
    assert all(isinstance(s, SceneShift) for s in shifts)
    floor = scene_floor(start.marks, shifts)  # type: ignore[arg-type]
    assert isinstance(floor, NoiseFloor)
    assert floor.frames == 6
    assert 0.5 * floor.expected_px < floor.random_px < 1.3 * floor.expected_px
    true = np.vstack([np.zeros((1, 2)), shakes])
    assert floor.common_px == pytest.approx(float(np.sqrt(((true - true.mean(0)) ** 2).sum() / 10)), rel=0.1)
    assert isinstance(scene_floor(start.marks, shifts[:1]), Nothing)  # type: ignore[arg-type]
