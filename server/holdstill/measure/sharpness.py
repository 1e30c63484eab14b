"""Sharpness of a frame on a grid of regions: gradient energy over mean squared, noise taken off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .levels import row_step
from .noise import SAMPLES, NoiseModel
from .row_loops import sharpness_of, tile_sums

NOISE_KNOWN = 3.4
"""Relative error of the noise variance taken off, times the root of the places read (see `noise_model`)."""
GRID = (8, 9)
"""Regions: rows x columns."""


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
    ys, xs, counts = _tiles(image.shape[0], image.shape[1], grid, row_step)
    sums = tile_sums(np.ascontiguousarray(image), row_step, ys, xs)
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
    ys, xs, counts = _tiles(image.shape[0], image.shape[1], grid, row_step(image))
    sums = tile_sums(np.ascontiguousarray(image), row_step(image), ys, xs)
    known = NOISE_KNOWN / math.sqrt(noise_samples)
    regions, means, whole = sharpness_of(sums, counts, noise.gain, noise.floor, black_level, known)
    overall, sigma, noise_share, j_xx, j_yy, j_xy = whole.tolist()
    spread = math.hypot(j_xx - j_yy, 2 * j_xy)
    # The strong direction is at half the angle of (Jxx - Jyy, 2 Jxy); the weak one lies across it.
    strong = 0.5 * math.degrees(math.atan2(2 * j_xy, j_xx - j_yy))
    weak = strong - 90.0 if strong > 0 else strong + 90.0
    anisotropy = min(spread / max(j_xx + j_yy, 1e-12), 1.0)
    return GridSharpness(overall, sigma, regions, means, anisotropy, weak, noise_share)


@lru_cache(maxsize=64)
def _tiles(
    height: int, width: int, grid: tuple[int, int], step: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
    """Edges of the tiles in sampled rows and in columns, and the samples in each; not to be written to."""
    ys = np.linspace(0, (height - 2) // step, grid[0] + 1).astype(np.int64)
    xs = np.linspace(0, width - 2, grid[1] + 1).astype(np.int64)
    return ys, xs, np.outer(np.diff(ys), np.diff(xs)).astype(np.float64)
