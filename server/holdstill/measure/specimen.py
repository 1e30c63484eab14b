"""Frames of a speckled specimen: contrast, speckle size and cover, and the matching noise to expect."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Picture, SpecimenLight

from .levels import checked, level_shares, levels
from .noise import NoiseModel, noise_model
from .sharpness import tile_energies

_HALF_OVERLAP = 0.8079
"""Full width at half height of the overlap of two equal discs, over their diameter (geometry)."""
_BINS = 64
_TILE_PX = 256
_BUSY_PX = 128
_BUSY_MOST = 24


def specimen_measures(
    image: Picture,
    *,
    full_scale: int,
    box: tuple[int, int, int, int] | None = None,
    subset_px: int = 21,
    noise_gray: float | None = None,
    blur_px: float = 0.7,
) -> SpecimenLight:
    """What a specimen's frame is worth to a correlation; image uint8 or uint16 (rows, columns). How fast it
    may move is left open; the histogram is the whole picture's.

    box: (x0, y0, x1, y1) px, the region of interest (all: None). Raises BadFrame for a picture or a
    region smaller than 32 px. `noise_gray`: the noise if it is known better, as from two frames of a
    still scene (`pair_variance`); the single frame's estimate reads high on speckles below 4 px.
    `blur_px`: Gaussian sigma of lens and pixel. See `speckle_size_px`, `speckle_cover`,
    `matching_noise_px`.
    """
    whole = checked(image, where="the specimen")
    level = levels(whole, full_scale=full_scale)
    noise = noise_model(whole, clip_from=level.clip_from)
    if noise_gray is not None:
        noise = NoiseModel(0.0, noise_gray**2)
    region = whole if box is None else checked(whole[box[1] : box[3], box[0] : box[2]], where="the region")
    tiles = busy_tiles(region, noise)
    values = np.concatenate([tile[::2, ::2].ravel() for tile in tiles])
    low1, low5, high95, high99 = (float(v) for v in np.percentile(values, (1, 5, 95, 99)))
    sigma = noise.sigma(float(values.mean()))
    size = speckle_size_px(tiles, noise_gray=sigma, blur_px=blur_px)
    patterned = not isinstance(size, Nothing)
    match = _matching(tiles, noise, subset_px) if patterned else (None, None)
    clipped = sum(int(np.count_nonzero(tile >= level.clip_from)) for tile in tiles)
    return SpecimenLight(
        saturated_share=clipped / sum(tile.size for tile in tiles),
        high_share=min(high99 / level.clip_level, 1.0),
        low_share=low1 / level.clip_level,
        contrast=(high95 - low5) / level.clip_level,
        speckle_px=None if isinstance(size, Nothing) else size,
        cover=float(np.median([speckle_cover(tile) for tile in tiles])) if patterned else None,
        match_sigma_px=match[0],
        match_worst_px=match[1],
        subset_px=subset_px,
        histogram=level_shares(level, _BINS),
    )


def busy_tiles(region: Picture, noise: NoiseModel) -> list[Picture]:
    """The parts of a region that are speckled, as up to 24 tiles of 128 px or so (views of it).

    A specimen seldom fills the picture: tiles whose gradient energy, noise taken off, is below
    `speckle_busy_share` of the busiest tenth's show the background or the specimen's edge. All of a
    region too small to be cut up.
    """
    height, width = region.shape
    side = min(_BUSY_PX, height, width)
    rows, columns = height // side, width // side
    if rows * columns < 6:
        return [region]
    tiles = tile_energies(region, grid=(rows, columns), row_step=1 if region.size < 2_000_000 else 2)
    energy = np.maximum(tiles.energy.sum(axis=2) - noise.variance(tiles.means), 0.0)
    busiest = float(np.percentile(energy, 90))
    busy = np.argwhere(energy >= limit("speckle_busy_share") * busiest)
    chosen = busy[:: max(1, -(-len(busy) // _BUSY_MOST))]
    ys, xs = np.linspace(0, height, rows + 1).astype(int), np.linspace(0, width, columns + 1).astype(int)
    return [region[ys[i] : ys[i + 1], xs[j] : xs[j + 1]] for i, j in chosen]


def matching_noise_px(noise_gray: float, sssig: float) -> float:
    """Standard deviation of a matched displacement, px: ``sqrt(2) sigma / sqrt(SSSIG)``.

    noise_gray: sigma of each of the two frames, grey values; sssig: sum over the subset of the
    squared gradients along the displacement, grey values squared per px squared, > 0. Pan et al.,
    Opt. Express 16 (2008) 7037 (abstract read, formula from memory). A lower bound: no interpolation
    bias, no mismatch of shape; infinite for a subset without texture.
    """
    return math.inf if sssig <= 0 else math.sqrt(2.0) * noise_gray / math.sqrt(sssig)


def _matching(
    regions: Sequence[Picture], noise: NoiseModel, subset_px: int
) -> tuple[float | None, float | None]:
    """Median and worst-tenth matching noise over subsets that tile the regions, px (worse axis)."""
    found = []
    for region in regions:
        height, width = region.shape
        if min(height, width) < subset_px + 2:
            continue
        grid = (max(1, min(height // subset_px, 40)), max(1, min(width // subset_px, 40)))
        tiles = tile_energies(region, grid=grid, row_step=1)
        variance = noise.variance(tiles.means)
        signal = np.maximum(tiles.energy - variance[..., None] / 2.0, 0.0).min(axis=2) * subset_px**2
        with np.errstate(divide="ignore"):
            sigma = np.where(signal > 0, np.sqrt(2.0 * variance / np.maximum(signal, 1e-12)), np.inf)
        found.append(sigma.ravel())
    if not found:
        return None, None
    middle, worst = (float(v) for v in np.percentile(np.concatenate(found), (50, 90), method="lower"))
    return (middle if math.isfinite(middle) else None), (worst if math.isfinite(worst) else None)


def autocorrelation(region: FloatArray) -> FloatArray:
    """Autocovariance over its value at zero, float64 (rows, columns), zero lag in the middle.

    region: float64 (rows, columns). A plane is taken off first (uneven light would correlate at all
    lags), then the circular correlation of the windowed rest.
    """
    rows, columns = region.shape
    y, x = np.mgrid[0:rows, 0:columns]
    terms = np.stack([np.ones(region.size), x.ravel(), y.ravel()], axis=1)
    plane, *_ = np.linalg.lstsq(terms, region.ravel(), rcond=None)
    rest = region - (terms @ plane).reshape(rows, columns)
    window = np.outer(np.hanning(rows), np.hanning(columns))
    spectrum = np.abs(np.fft.rfft2(rest * window)) ** 2
    raw = np.fft.fftshift(np.fft.irfft2(spectrum, s=region.shape))
    shape = np.fft.fftshift(np.fft.irfft2(np.abs(np.fft.rfft2(window)) ** 2, s=region.shape))
    covariance = raw / np.maximum(shape, 0.05 * shape.max())
    out: FloatArray = covariance / max(float(covariance[rows // 2, columns // 2]), 1e-12)
    return out


def speckle_size_px(
    region: Picture | Sequence[Picture], *, noise_gray: float, blur_px: float = 0.7
) -> float | Nothing:
    """Typical diameter of the speckles, px, from the half width of the autocorrelation.

    region: uint8 or uint16 (rows, columns), at least 32 px each way, or several. The circular mean of the
    autocorrelation, white noise's spike at zero taken off, falls to one half at the radius r; equal
    discs overlap by half at 0.404 of their diameter (geometry). The blur of lens and pixel widens the
    correlation by 2.355 sqrt(2) sigma in quadrature, which is taken off first; the size told is then
    2 r / 0.808. Good to about 10 % from 3 px and 30-65 % of cover. Median over up to nine tiles of
    256 px. Nothing ("no pattern") when the variance hardly exceeds the noise's or no half is reached
    within a quarter of the tile.
    """
    sizes = []
    tiles = _tiles(region) if isinstance(region, np.ndarray) else list(region)
    for tile in tiles:
        values = tile.astype(np.float64)
        variance = float(values.var())
        if variance < limit("speckle_least_variance") * noise_gray**2 or variance < 1.0:
            continue
        correlation = autocorrelation(values)
        radius = _half_radius(correlation, noise_share=min(noise_gray**2 / variance, 0.9))
        if radius is not None:
            width = math.sqrt(max((2.0 * radius) ** 2 - 2.0 * (2.3548 * blur_px) ** 2, 1.0))
            sizes.append(width / _HALF_OVERLAP)
    if not sizes:
        return Nothing("no pattern", {"tiles": len(tiles)})
    return float(np.median(sizes))


def _tiles(region: Picture) -> list[Picture]:
    """Up to nine tiles spread over the region."""
    height, width = region.shape
    side_y, side_x = min(_TILE_PX, height), min(_TILE_PX, width)
    ys = sorted({0, (height - side_y) // 2, height - side_y})
    xs = sorted({0, (width - side_x) // 2, width - side_x})
    return [region[y : y + side_y, x : x + side_x] for y in ys for x in xs]


def _half_radius(correlation: FloatArray, *, noise_share: float) -> float | None:
    """Radius (px) at which the circular mean, without the noise's part, falls to one half."""
    rows, columns = correlation.shape
    cy, cx = rows // 2, columns // 2
    y, x = np.mgrid[0:rows, 0:columns]
    distance = np.hypot(y - cy, x - cx)
    reach = min(rows, columns) // 4
    near = (distance <= reach + 1) & (distance > 0)
    which = np.rint(distance[near] * 2).astype(int)
    count = np.bincount(which)
    total = np.bincount(which, weights=correlation[near])
    middle = np.bincount(which, weights=distance[near])
    seen = count > 0
    radii = middle[seen] / count[seen]
    curve = total[seen] / count[seen] / (1.0 - noise_share)
    radii, curve = np.concatenate([[0.0], radii]), np.concatenate([[1.0], curve])
    below = np.flatnonzero(curve < 0.5)
    if below.size == 0 or radii[below[0]] > reach:
        return None
    k = int(below[0])
    part = (curve[k - 1] - 0.5) / max(curve[k - 1] - curve[k], 1e-12)
    return float(radii[k - 1] + part * (radii[k] - radii[k - 1]))


def speckle_cover(region: Picture) -> float:
    """Share of the region that is dark, 0..1, split half way between its two classes.

    The split is Otsu's (IEEE Trans. SMC 9 (1979) 62-66, from memory) on a slope-free copy. About 0.5
    is customary (digitalimagecorrelation.org primer, section 3, read).
    """
    small = region.astype(np.float32)
    reach = max(min(region.shape) // 4 * 2 + 1, 3)
    slope = cv2.blur(small, (reach, reach), borderType=cv2.BORDER_REFLECT)
    flat = small / np.maximum(slope, 1.0)
    top = float(np.percentile(flat[::2, ::2], 99.5)) * 1.2 + 1e-6
    scaled = np.clip(flat / top * 255.0, 0, 255).astype(np.uint8)
    split, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(np.mean(scaled <= split))
