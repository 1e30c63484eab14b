"""Aim and drift from any scene; a specimen that does not fill the picture; a ring turned slowly."""

import cv2
import numpy as np
import pytest

from holdstill.measure.focus import FocusState
from holdstill.measure.lighting import Aim, aim_at
from holdstill.measure.matching import matched_points, scene_shift
from holdstill.measure.routine import Routine, RoutineSample, RoutineStep, routine_step
from holdstill.measure.specimen import specimen_measures
from holdstill.records import Nothing
from measure.focus_sweeps import scene

SIZE = 512


def surface(kind: str = "speckle", seed: int = 2) -> np.ndarray:
    return (235.0 * scene(kind, SIZE, seed)).astype(np.float32)


def noisy(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.clip(np.rint(light + rng.normal(0, 1.2, light.shape)), 0, 255).astype(np.uint8)


def turned(
    light: np.ndarray, *, deg: float = 0.0, x: float = 0.0, y: float = 0.0, squeeze: float = 1.0
) -> np.ndarray:
    middle = (SIZE - 1) / 2.0
    matrix = cv2.getRotationMatrix2D((middle, middle), deg, 1.0)
    matrix[0] *= squeeze
    matrix[0, 2] += (1 - squeeze) * middle + x
    matrix[1, 2] += y
    return cv2.warpAffine(light, matrix, (SIZE, SIZE), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


@pytest.mark.parametrize("kind", ["speckle", "natural"])
def test_aim_of_two_cameras_from_whatever_both_see(kind: str) -> None:
    rng, light = np.random.default_rng(1), surface(kind)
    first = noisy(light, rng)
    # OpenCV turns anticlockwise for positive angles: the picture's content turns by -2 degrees clockwise.
    second = noisy(turned(light, deg=2.0, x=31.0, y=-12.0, squeeze=0.94), rng)
    points = matched_points(first, second)
    assert not isinstance(points, Nothing)
    got = aim_at(*points, (SIZE, SIZE), (SIZE, SIZE))
    assert isinstance(got, Aim)
    assert got.roll_deg == pytest.approx(-2.0, abs=0.25)
    assert got.shift_x_px == pytest.approx(31.0, abs=1.5)
    assert got.shift_y_px == pytest.approx(-12.0, abs=1.5)


def test_scenes_that_have_nothing_in_common_give_no_aim() -> None:
    rng = np.random.default_rng(2)
    found = matched_points(noisy(surface("natural", 3), rng), noisy(surface("natural", 4), rng))
    assert isinstance(found, Nothing)
    assert found.why == "too few matches"


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.03, -0.02), (0.4, 0.2), (1.6, -0.7)])
def test_drift_of_a_scene_at_rest(shift: tuple[float, float]) -> None:
    rng, light = np.random.default_rng(3), surface()
    got = scene_shift(noisy(light, rng), noisy(turned(light, x=shift[0], y=shift[1]), rng), full_scale=255)
    assert not isinstance(got, Nothing)
    assert np.allclose(got, shift, atol=0.012)


def test_brighter_lamps_are_no_drift_and_hands_are_no_scene_at_rest() -> None:
    rng, light = np.random.default_rng(4), surface()
    dimmed = scene_shift(noisy(light, rng), noisy(light * 0.7, rng), full_scale=255)
    assert not isinstance(dimmed, Nothing)
    assert np.allclose(dimmed, 0.0, atol=0.012)
    moving = light.copy()
    moving[:, 150:] = turned(light, x=2.0)[:, 150:]
    moving[250:, :] = turned(light, y=-3.0)[250:, :]
    got = scene_shift(noisy(light, rng), noisy(moving, rng), full_scale=255)
    assert isinstance(got, Nothing)
    assert got.why == "not at rest"


def test_a_specimen_is_measured_where_it_is() -> None:
    rng, light = np.random.default_rng(5), surface()
    whole = specimen_measures(noisy(light, rng), full_scale=255, noise_gray=1.2)
    around = np.full((1024, 1280), 12.0, np.float32)
    around[:, 1100:1180] = 200.0  # a bright post
    around[200:712, 300:812] = light
    part = specimen_measures(noisy(around, rng), full_scale=255, noise_gray=1.2)
    assert part.speckle_px == pytest.approx(whole.speckle_px, rel=0.12)
    assert part.cover == pytest.approx(whole.cover, abs=0.06)
    assert part.match_sigma_px == pytest.approx(whole.match_sigma_px, rel=0.3)
    flat = specimen_measures(noisy(np.full((512, 512), 90.0), rng), full_scale=255)
    assert flat.speckle_px is None
    assert flat.match_sigma_px is None


def test_an_aperture_ring_turned_slowly_counts_like_one_turned_at_once() -> None:
    routine = Routine()
    for k in range(60):
        level = 10.0 * 2.0 ** (4.0 * min(max(k - 12, 0), 40) / 40)
        routine = routine_step(routine, RoutineSample(level, 0.0, 0.02, 5.0), FocusState())
    assert routine.done == (RoutineStep.OPEN_APERTURE,)
    walked = Routine()
    for k in range(40):
        sample = RoutineSample(10.0 if k < 20 else 40.0, 0.0, 0.02, 5.0, scene_changed=k == 20)
        walked = routine_step(walked, sample, FocusState())
    assert walked.done == ()
