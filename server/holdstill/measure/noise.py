"""Noise of a frame: from one picture, from two, and the sensor's own curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from holdstill.records import FloatArray, Nothing, Picture

from .levels import row_step
from .row_loops import noise_line


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of the noise against level: ``gain * level + floor``, grey values squared.

    gain
        Slope (grey values per grey value), >= 0. `floor`: intercept at level 0, may be negative
        (a black level above zero), the variance itself never is.
    """

    gain: float
    floor: float

    def variance(self, level: FloatArray) -> FloatArray:
        """Variance at `level` (grey values, any shape), grey values squared, >= 0."""
        return np.maximum(self.gain * level + self.floor, 0.0)

    def sigma(self, level: float) -> float:
        """Standard deviation at one level, grey values."""
        return float(np.sqrt(max(self.gain * level + self.floor, 0.0)))


_BINS = 24
_CELLS = 512
SAMPLES = 45_000
"""About how many places are read of a large frame: the noise is then known to about 1.6 percent."""
MANY_SAMPLES = 180_000
"""The same where the noise matters, and of small frames: known to about 0.9 percent."""
_SMALL_PX = 600_000


def noise_model(image: Picture, *, clip_from: float, samples: int | None = None) -> NoiseModel:
    """Noise against level from a single frame, grey values squared.

    image: uint8 or uint16 (rows, columns); samples at or above `clip_from` are left out. `samples`: about how
    many places to read.

    The double second difference [1 -2 1] in x and y answers to white noise with 36 times its
    variance and hardly at all to blurred structure; the median of its size within bins of level
    is then insensitive to the edges that remain (mask: Immerkaer, Comput. Vis. Image Underst. 64
    (1996) 300-302; median: Donoho & Johnstone, Biometrika 81 (1994) 425-455; both from memory).
    A line through the bins gives gain and floor (EMVA 1288: variance linear in level). Reads low
    where noise is correlated between pixels (interpolated colour, strong JPEG), high where
    texture finer than about 1.5 px fills the whole frame.
    """
    wanted = samples or (SAMPLES if image.size > _SMALL_PX else MANY_SAMPLES)
    shared = row_step(image)
    step = max(1, image.size // wanted)
    step = step // shared * shared if step >= shared else step
    rows = (image.shape[0] - 2) // step
    gain, floor = noise_line(np.ascontiguousarray(image), step, rows, clip_from, _BINS, _CELLS)
    return NoiseModel(gain, floor)


def pair_variance(first: Picture, second: Picture) -> float:
    """Temporal noise variance from two frames of one still scene, grey values squared.

    ``<(A-B)^2>/2 - (<A>-<B>)^2/2``: fixed patterns and the scene cancel, a change of brightness
    between the two is taken off (EMVA 1288 R4.0 Linear, section on temporal noise; from memory).
    first, second: uint8 or uint16 (rows, columns), same shape and type.
    """
    a, b = first.astype(np.float64), second.astype(np.float64)
    return float(((a - b) ** 2).mean() / 2.0 - (a.mean() - b.mean()) ** 2 / 2.0)


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """A sensor's noise curve: system gain (grey values per electron), dark variance (grey values
    squared, quantisation taken off) and the level of largest variance (the saturation point)."""

    gain: float
    dark_variance: float
    saturation_level: float


def photon_transfer(
    mean_levels: FloatArray, variances: FloatArray, *, dark_level: float
) -> PhotonTransfer | Nothing:
    """System gain from a series of exposures: ``var = K (mu - mu_dark) + var_dark + 1/12``.

    mean_levels, variances: float64 (n,), grey values (squared), ordered or not. The slope is
    fitted from dark to 70 % of the saturation point, which is where the variance is largest, not
    full scale (EMVA 1288 R4.0 Linear; from memory).
    """
    order = np.argsort(mean_levels)
    mu, var = np.asarray(mean_levels)[order], np.asarray(variances)[order]
    peak = int(np.argmax(var))
    saturation = float(mu[peak])
    use = mu <= dark_level + 0.7 * (saturation - dark_level)
    if int(use.sum()) < 3:
        return Nothing("too few levels", {"found": int(use.sum()), "needed": 3})
    slope, start = np.polyfit(mu[use] - dark_level, var[use], 1)
    return PhotonTransfer(float(slope), float(start - 1.0 / 12.0), saturation)


def halved(image: Picture) -> Picture:
    """The picture at half size, 2 x 2 means (rows and columns rounded down)."""
    rows, columns = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    half = cv2.resize(image[:rows, :columns], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return cast(Picture, half)
