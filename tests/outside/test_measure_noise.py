"""Noise, matching and edge figures against their sources."""

import math

import cv2
import numpy as np
import pytest

from holdstill.measure import frame_measures
from holdstill.measure.edges import RISE_OVER_SIGMA, edge_blur, find_edges
from holdstill.measure.noise import noise_model, pair_variance, photon_transfer
from holdstill.measure.sharpness import grid_sharpness
from holdstill.measure.specimen import matching_noise_px


def test_matching_noise_example():
    """Pan et al., Opt. Express 16 (2008) 7037 (formula memory): sigma_n 2, SSSIG 1e5 -> .00894 px."""
    assert matching_noise_px(2.0, 1e5) == pytest.approx(0.00894, abs=5e-6)


def sensor(mean_e, rng, gain=0.021, dark_e=12.0, size=256, full=255):
    """Electrons to grey values by EMVA 1288's linear model, clipped at full scale."""
    electrons = rng.poisson(mean_e, (size, size)) + rng.normal(size=(size, size)) * dark_e
    return np.clip(np.rint(gain * electrons + 4.0), 0, full).astype(np.uint8)


def test_photon_transfer_recovers_the_gain():
    """EMVA 1288 R4.0 Linear (memory): var = K (mu - dark) + var_dark + 1/12; slope to 70 % of saturation,
    saturation where the variance is largest."""
    rng = np.random.default_rng(1)
    means, variances = [], []
    for electrons in np.linspace(0, 14000, 29):
        a, b = sensor(electrons, rng), sensor(electrons, rng)
        means.append((a.mean(dtype=float) + b.mean(dtype=float)) / 2)
        variances.append(pair_variance(a, b))
    got = photon_transfer(np.array(means), np.array(variances), dark_level=means[0])
    assert got.gain == pytest.approx(0.021, rel=0.03)
    assert got.dark_variance == pytest.approx((0.021 * 12) ** 2, rel=0.6)
    assert 225 < got.saturation_level < 255


def test_single_frame_noise_follows_the_same_line():
    """EMVA 1288 R4.0 Linear (memory), from one frame with a ramp of light."""
    rng = np.random.default_rng(2)
    ramp = np.repeat(np.linspace(500, 9500, 640)[None, :], 480, axis=0)
    picture = np.clip(np.rint(0.021 * (rng.poisson(ramp) + rng.normal(size=ramp.shape) * 12)), 0, 255)
    model = noise_model(picture.astype(np.uint8), clip_from=255)
    for electrons in (2000, 5000, 9000):
        level = 0.021 * electrons
        wanted = math.sqrt(0.021**2 * (electrons + 144) + 1 / 12)
        assert model.sigma(level) == pytest.approx(wanted, rel=0.08)


def test_edge_of_a_known_gaussian():
    """ISO 12233 method (partly read): MTF50 of a Gaussian of s px is .1874/s; its 10-90 % rise is 2.563 s."""
    x = np.arange(400)[None, :] - 200 + (np.arange(300)[:, None] - 150) * math.tan(math.radians(5))
    for s in (0.8, 1.5, 3.0):
        from_table = np.vectorize(lambda v, s=s: 0.5 * (1 + math.erf(v / s / math.sqrt(2))))
        edge = 40 + 150 * from_table(x)
        noisy = np.clip(np.rint(edge + np.random.default_rng(3).normal(size=edge.shape)), 0, 255).astype(
            np.uint8
        )
        got = edge_blur(find_edges(noisy, noise_gray=1.0, clip_from=255))
        assert got.sigma_px == pytest.approx(s, rel=0.06)
        assert got.width_px == pytest.approx(RISE_OVER_SIGMA * got.sigma_px)
        assert got.mtf50_cycles_per_px == pytest.approx(0.1874 / s, rel=0.06)


def test_sharpness_does_not_change_with_exposure():
    """Groen, Young & Ligthart, Cytometry 6 (1985) 81-91 (memory): gradient energy over mean squared is
    exactly invariant (unsaturated, offset removed)."""
    rng = np.random.default_rng(4)
    texture = cv2.GaussianBlur(rng.normal(size=(400, 500)).astype(np.float32), (0, 0), 1.5)
    light = 60 + 60 * texture / np.abs(texture).max()
    values = []
    for factor in (0.5, 1.0, 2.0):
        exposed = light * factor * 256
        shot = exposed + rng.normal(size=light.shape) * np.sqrt(exposed * 2)
        values.append(
            frame_measures(
                np.rint(shot).clip(0, 65535).astype(np.uint16), camera="a", full_scale=65535
            ).sharpness
        )
    assert max(values) / min(values) < 1.01


def test_black_level_is_taken_off():
    """Same source: with an offset the invariance needs the black level."""
    rng = np.random.default_rng(5)
    texture = cv2.GaussianBlur(rng.normal(size=(400, 500)).astype(np.float32), (0, 0), 1.5)
    light = 6000 + 6000 * texture / np.abs(texture).max()
    got = []
    for factor in (0.5, 1.0, 2.0):
        picture = np.rint(light * factor + 2000).astype(np.uint16)
        model = noise_model(picture, clip_from=65535)
        got.append(grid_sharpness(picture, model, black_level=2000).overall)
    assert max(got) / min(got) < 1.01
