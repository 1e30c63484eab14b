"""Sharpness of a frame on a grid of regions: gradient energy over mean squared, noise taken off."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from holdstill.records import FloatArray, Picture

from .noise import NoiseModel

GRID = (8, 9)
"""Regions: rows x columns."""
ROW_STEP = 4


@dataclass(frozen=True, slots=True, eq=False)
class GridSharpness:
    """Sharpness of the frame and of its regions.

    overall
        Dimensionless, >= 0; see `grid_sharpness`. `sigma`: its own standard deviation from noise.
    regions
        float64 (rows, columns), the same with each region's own mean.
    means
        float64 (rows, columns), grey values.
    anisotropy, direction_deg
        Of the gradient energies: (l1 - l2)/(l1 + l2) of the structure tensor, 0..1, and the
        direction in which gradients are *weak* (along which a smear would lie), degrees from the
        x axis toward y, -90..90.
    """

    overall: float
    sigma: float
    regions: FloatArray
    means: FloatArray
    anisotropy: float
    direction_deg: float


def grid_sharpness(
    image: Picture, noise: NoiseModel, *, black_level: float = 0.0, grid: tuple[int, int] = GRID
) -> GridSharpness:
    """Gradient energy over mean squared, noise-compensated; dimensionless, >= 0.

    image: uint8 or uint16 (rows, columns). Per region and axis the mean square of the central
    difference (I[x+1] - I[x-1])/2 less its expectation under white noise, var(mean)/2, divided by
    the squared mean above `black_level` (grey values): multiplying the light by a constant leaves
    it unchanged while nothing clips (Groen, Young & Ligthart, Cytometry 6 (1985) 81-91, from
    memory). Every fourth row is used. Comparable only within one scene; clipped areas lower it.
    """
    tall = image.shape[0] >= 256
    step = ROW_STEP if tall else 1
    rows = (image.shape[0] - 2) // step
    above = image[0 : rows * step : step]
    middle = image[1 : 1 + rows * step : step]
    below = image[2 : 2 + rows * step : step]
    dx = cv2.absdiff(middle[:, 2:], middle[:, :-2])
    dy = cv2.absdiff(below[:, 1:-1], above[:, 1:-1])
    n_rows, n_columns = grid
    ys = np.linspace(0, rows, n_rows + 1).astype(int)
    xs = np.linspace(0, dx.shape[1], n_columns + 1).astype(int)
    energy = np.empty((n_rows, n_columns, 2))
    means = np.empty((n_rows, n_columns))
    counts = np.empty((n_rows, n_columns))
    for i in range(n_rows):
        rows_i = slice(ys[i], ys[i + 1])
        for j in range(n_columns):
            columns = slice(xs[j], xs[j + 1])
            energy[i, j, 0] = cv2.norm(dx[rows_i, columns], cv2.NORM_L2SQR)
            energy[i, j, 1] = cv2.norm(dy[rows_i, columns], cv2.NORM_L2SQR)
            means[i, j] = cv2.mean(middle[rows_i, columns])[0]
            counts[i, j] = (ys[i + 1] - ys[i]) * (xs[j + 1] - xs[j])
    energy /= 4.0 * counts[..., None]
    noise_term = noise.variance(means) / 2.0
    signal = energy - noise_term[..., None]
    share = counts / counts.sum()
    lit = np.maximum(means - black_level, 0.25)
    overall_mean = float((share * lit).sum())
    total = float((share[..., None] * signal).sum())
    # (I[x+1]-I[x-1])/2 under white noise: variance of its square is 2 (var/2)^2 per sample, two
    # axes; neighbours two apart share a pixel, which adds half again.
    scatter = 2 * 2 * (noise_term**2) * 1.5 / counts
    sigma = float(np.sqrt((share**2 * scatter).sum())) / overall_mean**2
    j_xx = float((share * signal[..., 0]).sum())
    j_yy = float((share * signal[..., 1]).sum())
    j_xy = _cross(middle, above, below)
    spread = float(np.hypot(j_xx - j_yy, 2 * j_xy))
    whole = max(j_xx + j_yy, 1e-12)
    # The strong direction is at half the angle of (Jxx - Jyy, 2 Jxy); the weak one lies across it.
    strong = 0.5 * np.degrees(np.arctan2(2 * j_xy, j_xx - j_yy))
    weak = strong - 90.0 if strong > 0 else strong + 90.0
    regions = np.maximum(signal.sum(axis=2), 0.0) / lit**2
    return GridSharpness(
        max(total, 0.0) / overall_mean**2, sigma, regions, means, min(spread / whole, 1.0), float(weak)
    )


def _cross(middle: Picture, above: Picture, below: Picture) -> float:
    """Mean product of the x and y central differences over every fourth of the rows given."""
    pick = slice(None, None, 4 if middle.shape[0] >= 256 else 1)
    gx = cv2.subtract(middle[pick, 2:], middle[pick, :-2], dtype=cv2.CV_32F)
    gy = cv2.subtract(below[pick, 1:-1], above[pick, 1:-1], dtype=cv2.CV_32F)
    return float(np.vdot(gx, gy)) / (4.0 * gx.size)
