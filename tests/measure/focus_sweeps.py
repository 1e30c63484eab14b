"""Focus sweeps for the tests: a scene through a defocus disc, an exposure and a noisy sensor.

Distance from best focus is told in px of blur circle, so that one unit is half a depth of field at
one pixel of blur. The disc's transfer is the Airy-like 2 J1(x)/x of a uniform pupil's shadow
(geometric defocus), times a Gaussian for lens and pixel.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import j1

SIZE = 512


def scene(kind: str, size: int = SIZE, seed: int = 0) -> np.ndarray:
    """Reflectance 0.12..0.85, float64 (size, size)."""
    rng = np.random.default_rng(seed)
    fine = 2
    y, x = np.mgrid[0 : size * fine, 0 : size * fine] / fine
    if kind == "dots":
        pitch, radius = 37.0, 9.5
        u, v = (x + 0.13 * y + 5) / pitch, (y - 0.13 * x + 9) / pitch
        d = np.hypot(u - np.rint(u), v - np.rint(v)) * pitch
        mask = d < radius
    elif kind == "chessboard":
        u, v = (x + 0.1 * y) / 41.0, (y - 0.1 * x) / 41.0
        mask = (np.floor(u) + np.floor(v)) % 2 == 0
    elif kind == "speckle":
        mask = np.zeros(x.shape, dtype=bool)
        for cx, cy, r in zip(
            rng.uniform(0, size, 9000), rng.uniform(0, size, 9000), rng.uniform(1.6, 3.0, 9000), strict=True
        ):
            i0, i1 = int(max((cy - r) * fine, 0)), int((cy + r) * fine) + 2
            j0, j1_ = int(max((cx - r) * fine, 0)), int((cx + r) * fine) + 2
            part = (x[i0:i1, j0:j1_] - cx) ** 2 + (y[i0:i1, j0:j1_] - cy) ** 2 < r * r
            mask[i0:i1, j0:j1_] |= part
    elif kind == "natural":
        f = np.hypot(np.fft.fftfreq(size * fine)[:, None], np.fft.fftfreq(size * fine)[None, :])
        f[0, 0] = 1
        field = np.fft.ifft2(np.fft.fft2(rng.normal(size=x.shape)) / f**1.1).real
        field = (field - field.mean()) / field.std()
        picture = np.clip(0.45 + 0.15 * field, 0.1, 0.9)
        return picture.reshape(size, fine, size, fine).mean(axis=(1, 3))
    else:
        raise ValueError(kind)
    picture = np.where(mask, 0.85, 0.12)
    return picture.reshape(size, fine, size, fine).mean(axis=(1, 3))


@lru_cache(maxsize=16)
def _spectrum(kind: str, size: int, seed: int):
    return np.fft.rfft2(scene(kind, size, seed))


def light(
    kind: str, defocus_px: float, *, size: int = SIZE, seed: int = 0, lens_sigma_px: float = 0.6
) -> np.ndarray:
    """The scene through a blur circle of `defocus_px` px and a Gaussian of `lens_sigma_px`."""
    fx = np.fft.rfftfreq(size)[None, :]
    fy = np.fft.fftfreq(size)[:, None]
    f = np.hypot(fx, fy)
    z = np.pi * abs(defocus_px) * f
    with np.errstate(invalid="ignore", divide="ignore"):
        disc = np.where(z > 1e-9, 2 * j1(z) / z, 1.0)
    gauss = np.exp(-2 * (np.pi * lens_sigma_px * f) ** 2)
    return np.fft.irfft2(_spectrum(kind, size, seed) * disc * gauss, s=(size, size))


class Stack:
    """The scene at many distances from focus, to be drawn from quickly."""

    def __init__(
        self, kind: str, *, reach_px: float = 14.0, step_px: float = 0.1, size: int = SIZE, seed: int = 0
    ):
        self.step = step_px
        self.frames = [
            light(kind, k * step_px, size=size, seed=seed).astype(np.float32)
            for k in range(round(reach_px / step_px) + 1)
        ]

    def at(self, defocus_px: float) -> np.ndarray:
        return self.frames[min(round(abs(defocus_px) / self.step), len(self.frames) - 1)]


def shoot(reflectance, rng, *, exposure=1.0, read=0.8, gain=0.03, full=255, black=0.0):
    """uint8 frame; exposure 1 puts a reflectance of 1 at full scale; `read` in grey values."""
    level = reflectance * exposure * (full - black)
    noisy = level + rng.standard_normal(level.shape, dtype=np.float32) * np.sqrt(
        np.maximum(gain * level, 0) + read**2
    )
    return np.clip(np.rint(noisy + black), 0, full).astype(np.uint8)
