"""Sharpness of a frame on a grid of regions: gradient energy over mean squared, noise taken off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .compiled import tile_sums
from .noise import SAMPLES, NoiseModel

NOISE_KNOWN = 3.4
"""Relative error of the noise variance taken off, times the root of the places read (see `noise_model`)."""
GRID = (8, 9)
"""Regions: rows x columns."""
ENOUGH_PX = 500_000
"""Of larger frames only every k-th row is used, to about this many pixels."""


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
    noise_share: float = 0.0
    """Part of the gradient energy that was noise, 0..1."""


@dataclass(frozen=True, slots=True, eq=False)
class TileEnergies:
    """Mean square of the central differences per tile.

    energy: float64 (rows, columns, 2): ((I[x+1] - I[x-1])/2)^2 and the same in y, noise included.
    means: float64 (rows, columns), grey values. counts: float64 (rows, columns), samples used.
    cross: float64 (rows, columns), mean product of the two differences.
    """

    energy: FloatArray
    means: FloatArray
    counts: FloatArray
    cross: FloatArray


AnyPicture = NDArray[Any]


def tile_energies(image: AnyPicture, *, grid: tuple[int, int], row_step: int) -> TileEnergies:
    """Energies of every `row_step`-th row of an image (uint8, uint16 or float32), by tile."""
    count = (image.shape[0] - 2) // row_step
    ys = np.linspace(0, count, grid[0] + 1).astype(np.int64)
    xs = np.linspace(0, image.shape[1] - 2, grid[1] + 1).astype(np.int64)
    sums = tile_sums(np.ascontiguousarray(image), row_step, ys, xs)
    counts = np.outer(np.diff(ys), np.diff(xs)).astype(np.float64)
    parts = sums / counts[..., None]
    return TileEnergies(parts[..., :2] / 4.0, parts[..., 3], counts, parts[..., 2] / 4.0)


def grid_sharpness(
    image: Picture,
    noise: NoiseModel,
    *,
    black_level: float = 0.0,
    grid: tuple[int, int] = GRID,
    noise_samples: int = SAMPLES,
) -> GridSharpness:
    """Gradient energy over mean squared, noise-compensated; dimensionless, >= 0.

    image: uint8 or uint16 (rows, columns). Per region and axis the mean square of the central
    difference (I[x+1] - I[x-1])/2 less its expectation under white noise, var(mean)/2, divided by
    the squared mean above `black_level` (grey values): multiplying the light by a constant leaves
    it unchanged while nothing clips (Groen, Young & Ligthart, Cytometry 6 (1985) 81-91, from
    memory). Frames above 0.5 MP are read on every k-th row. Comparable only within one scene;
    clipped areas lower it.
    """
    tiles = tile_energies(image, grid=grid, row_step=max(1, image.size // ENOUGH_PX))
    energy, means, counts = tiles.energy, tiles.means, tiles.counts
    noise_term = noise.variance(means) / 2.0
    signal = energy - noise_term[..., None]
    share = counts / counts.sum()
    lit = np.maximum(means - black_level, 0.25)
    overall_mean = float((share * lit).sum())
    total = float((share[..., None] * signal).sum())
    # (I[x+1]-I[x-1])/2 under white noise: variance of its square is 2 (var/2)^2 per sample, two
    # axes; neighbours two apart share a pixel, which adds half again.
    scatter = 2 * 2 * (noise_term**2) * 1.5 / counts
    known = NOISE_KNOWN / np.sqrt(noise_samples) * float((share * noise_term).sum()) * 2.0
    whole_noise = float((share * noise_term).sum()) * 2.0
    sigma = float(np.hypot(np.sqrt((share**2 * scatter).sum()), known)) / overall_mean**2
    j_xx = float((share * signal[..., 0]).sum())
    j_yy = float((share * signal[..., 1]).sum())
    j_xy = float((share * tiles.cross).sum())
    spread = float(np.hypot(j_xx - j_yy, 2 * j_xy))
    whole = max(j_xx + j_yy, 1e-12)
    # The strong direction is at half the angle of (Jxx - Jyy, 2 Jxy); the weak one lies across it.
    strong = 0.5 * np.degrees(np.arctan2(2 * j_xy, j_xx - j_yy))
    weak = strong - 90.0 if strong > 0 else strong + 90.0
    regions = np.maximum(signal.sum(axis=2), 0.0) / lit**2
    return GridSharpness(
        max(total, 0.0) / overall_mean**2,
        sigma,
        regions,
        means,
        min(spread / whole, 1.0),
        float(weak),
        min(whole_noise / max(total + whole_noise, 1e-12), 1.0),
    )

