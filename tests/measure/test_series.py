import cv2
import numpy as np
import pytest

from holdstill.measure.series import Sharpest, black_level, series_frame, sharpest
from holdstill.records import Nothing
from measure.focus_sweeps import Stack, shoot

STACKS = {kind: Stack(kind, reach_px=9, step_px=0.25, size=256) for kind in ("speckle", "chessboard")}


def series(kind, z, rng, *, read=1.5, gain=0.05, exposures=None, black=0.0):
    exposures = np.ones(len(z)) * 0.7 if exposures is None else exposures
    return [
        series_frame(
            shoot(STACKS[kind].at(v), rng, read=read, gain=gain, exposure=e, black=black), full_scale=255
        )
        for v, e in zip(z, exposures, strict=True)
    ]


@pytest.mark.parametrize("kind", ["speckle", "chessboard"])
@pytest.mark.parametrize(("read", "gain"), [(0.5, 0.01), (5.0, 0.2)])
def test_the_peak_lies_within_a_quarter_of_half_a_depth_of_field(kind, read, gain):
    rng = np.random.default_rng(2)
    z = np.linspace(-7.3, 5.1, 15)
    got = sharpest(series(kind, z, rng, read=read, gain=gain))
    step = z[1] - z[0]
    true = float(np.interp(0, z, np.arange(15)))
    assert abs(got.peak - true) * step < 0.25
    assert got.index == round(true)
    assert not got.at_end
    assert 0.01 < got.sigma_frames < 0.5
    assert len(got.curve) == 15


def test_steps_of_exposure_do_not_move_it():
    rng = np.random.default_rng(3)
    z = np.linspace(-6, 5, 12)
    exposures = np.array([0.2, 0.2, 0.4, 0.4, 0.8, 0.8, 0.3, 0.3, 0.6, 0.6, 0.2, 0.2])
    got = sharpest(series("speckle", z, rng, exposures=exposures))
    assert got.peak == pytest.approx(np.interp(0, z, np.arange(12)), abs=0.25)


def test_a_black_level_does_not_move_it_either():
    rng = np.random.default_rng(3)
    z = np.linspace(-6, 5, 12)
    exposures = np.array([0.2, 0.2, 0.4, 0.4, 0.9, 0.9, 0.3, 0.3, 0.6, 0.6, 0.2, 0.2])
    ramp = np.linspace(0.5, 1.1, 256, dtype=np.float32)[None, :]
    frames = [
        series_frame(
            shoot(STACKS["speckle"].at(v) * ramp, rng, read=1, gain=0.02, exposure=e, black=40),
            full_scale=255,
        )
        for v, e in zip(z, exposures, strict=True)
    ]
    assert black_level(np.stack([f.means.ravel() for f in frames])) == pytest.approx(40, abs=4)
    assert sharpest(frames).peak == pytest.approx(np.interp(0, z, np.arange(12)), abs=0.35)


def test_a_series_that_does_not_reach_the_peak_says_so():
    got = sharpest(series("speckle", np.linspace(-7, -1, 8), np.random.default_rng(5)))
    assert got.at_end
    assert got.index == 7
    assert got.sigma_frames >= 0.5


def test_two_and_three_frames():
    rng = np.random.default_rng(6)
    assert sharpest(series("speckle", [4.0, 0.5], rng)).index == 1
    three = sharpest(series("speckle", [4.0, 0.5, -3.0], rng))
    assert three.index == 1
    assert three.sigma_frames > 0.05


def test_expected_failures_are_values():
    rng = np.random.default_rng(7)
    one = series("speckle", [0.0], rng)
    assert sharpest(one).why == "too few frames"
    small = series_frame(cv2.resize(shoot(STACKS["speckle"].at(0), rng), (128, 128)), full_scale=255)
    assert sharpest([*one, small]).why == "mixed sizes"
    blank = [series_frame(np.full((128, 128), 90, np.uint8), full_scale=255) for _ in range(3)]
    assert isinstance(sharpest(blank), Nothing)


def test_the_uncertainty_covers_the_error():
    """Over 12 noisy series the error stays within three of its sigmas, and sigma is not idle."""
    rng = np.random.default_rng(8)
    pulls, sigmas = [], []
    for _ in range(12):
        z0, n = rng.uniform(-2, 2), int(rng.integers(7, 16))
        z = np.linspace(-6, 6, n)
        got = sharpest(series("chessboard", z - z0, rng, read=4, gain=0.2))
        assert isinstance(got, Sharpest)
        pulls.append((got.peak - np.interp(z0, z, np.arange(n))) / got.sigma_frames)
        sigmas.append(got.sigma_frames * (z[1] - z[0]))
    assert np.sqrt(np.mean(np.square(pulls))) < 1.5
    assert np.mean(np.abs(pulls) < 3) >= 0.9
    assert np.mean(sigmas) < 0.5
