"""Noise of a frame: from one picture, from two, and the sensor's own curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from holdstill.records import FloatArray, Nothing, Picture

from .compiled import histogram_medians, second_differences


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
_CELLS = 1024
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
    step = max(1, image.size // wanted)
    rows = (image.shape[0] - 2) // step
    whole = np.ascontiguousarray(image)
    counts, scale, width = second_differences(whole, step, rows, clip_from, _BINS, _CELLS)
    if int(counts.sum()) < 400:
        counts, scale, width = second_differences(whole, step, rows, np.inf, _BINS, _CELLS)
    totals = counts.sum(axis=1)
    centres = (np.arange(_BINS) + 0.5) * width
    use = totals >= max(200, 0.004 * totals.sum())
    sigma = histogram_medians(counts) * scale / (0.6745 * 6.0)
    return _line(centres[use], sigma[use] ** 2, totals[use].astype(np.float64))


def _line(level: FloatArray, variance: FloatArray, weight: FloatArray) -> NoiseModel:
    """Weighted line with slope >= 0; a constant when the levels don't spread."""
    if level.size == 0:
        return NoiseModel(0.0, 0.0)
    mean_level = float(np.average(level, weights=weight))
    mean_variance = float(np.average(variance, weights=weight))
    spread = float(np.average((level - mean_level) ** 2, weights=weight))
    if level.size < 3 or spread < (0.02 * mean_level) ** 2:
        return NoiseModel(0.0, mean_variance)
    # Texture lifts a bin's variance, never lowers it: fit, then refit without what stands above.
    keep = np.ones(level.size, dtype=bool)
    slope, start = 0.0, mean_variance
    for _ in range(3):
        slope, start = (
            np.polyfit(level[keep], variance[keep], 1, w=np.sqrt(weight[keep]))
            if keep.sum() > 2
            else (slope, start)
        )
        line = slope * level + start
        again = variance <= 1.6 * np.maximum(line, 1e-9)
        if (again == keep).all() or again.sum() < 3:
            break
        keep = again
    if slope < 0:
        return NoiseModel(0.0, float(np.average(variance[keep], weights=weight[keep])))
    return NoiseModel(float(slope), float(start))


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
