import cv2
import numpy as np
import pytest

from holdstill.measure.noise import pair_variance
from holdstill.measure.specimen import autocorrelation, specimen_measures, speckle_size_px
from holdstill.records import Nothing


def speckled(diameter, cover, rng, size=384, noise=2.0, dark=30, bright=200):
    """Random discs of one size over `cover` of the surface (Boolean model), blurred as by a good lens."""
    fine = 4
    mask = np.zeros((size * fine, size * fine), np.uint8)
    count = int(-np.log(1 - cover) * size * size / (np.pi * diameter**2 / 4))
    for x, y in rng.uniform(0, size * fine, (count, 2)):
        radius = (diameter / 2 - 0.12) * fine
        cv2.circle(mask, (int(x * 16), int(y * 16)), int(radius * 16), 1, -1, cv2.LINE_8, 4)
    light = cv2.resize((1 - mask).astype(np.float32), (size, size), interpolation=cv2.INTER_AREA)
    light = dark + (bright - dark) * cv2.GaussianBlur(light, (0, 0), 0.6)
    frames = [
        np.clip(np.rint(light + rng.normal(size=light.shape) * noise), 0, 255).astype(np.uint8) for _ in "ab"
    ]
    return frames, float(mask.mean())


@pytest.mark.parametrize("diameter", [3.0, 5.0, 8.0])
@pytest.mark.parametrize("cover", [0.35, 0.55])
def test_speckle_size_and_cover(diameter, cover):
    frames, true_cover = speckled(diameter, cover, np.random.default_rng(1))
    got = specimen_measures(frames[0], full_scale=255)
    assert got.speckle_px == pytest.approx(diameter, rel=0.12)
    assert got.cover == pytest.approx(true_cover, abs=0.05)
    assert got.saturated_share == 0
    assert got.contrast == pytest.approx(170 / 255, abs=0.08)


def test_matching_noise_agrees_with_a_trial():
    """The formula's sigma against matches of noisy copies by one Gauss-Newton step (own derivation)."""
    rng = np.random.default_rng(2)
    frames, _ = speckled(5.0, 0.5, rng, noise=0.0)
    light = frames[0].astype(np.float64)
    sigma, side = 4.0, 21
    gx = (light[:, 2:] - light[:, :-2]) / 2
    steps = []
    for y in range(30, 330, 30):
        for x in range(30, 330, 30):
            g = gx[y : y + side, x - 1 : x - 1 + side]
            a, b = (rng.normal(size=(side, side)) * sigma for _ in "ab")
            steps.append(float((g * (b - a)).sum() / (g * g).sum()))
    noisy = np.clip(np.rint(light + rng.normal(size=light.shape) * sigma), 0, 255).astype(np.uint8)
    got = specimen_measures(noisy, full_scale=255, subset_px=side, noise_gray=sigma)
    assert got.match_sigma_px == pytest.approx(np.std(steps), rel=0.25)
    assert got.match_worst_px >= got.match_sigma_px


def test_two_frames_give_the_noise_that_one_can_not():
    frames, _ = speckled(3.0, 0.5, np.random.default_rng(3), noise=3.0)
    assert np.sqrt(pair_variance(*frames)) == pytest.approx(3.0, rel=0.03)


def test_no_pattern_is_told():
    flat = np.random.default_rng(4).normal(120, 3, (256, 256)).round().astype(np.uint8)
    got = specimen_measures(flat, full_scale=255)
    assert got.speckle_px is None
    assert got.match_sigma_px is None
    assert isinstance(speckle_size_px(flat, noise_gray=3.0), Nothing)


def test_autocorrelation_is_one_at_zero_and_falls():
    frames, _ = speckled(5.0, 0.5, np.random.default_rng(5), size=128)
    got = autocorrelation(frames[0].astype(np.float64))
    assert got[64, 64] == pytest.approx(1.0)
    assert abs(got[64, 64 + 20 : 64 + 30].mean()) < 0.2
