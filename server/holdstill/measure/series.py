"""The sharpest frame of a series of one scene, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Picture

from .levels import checked, levels
from .noise import NoiseModel, noise_model
from .sharpness import GRID, tile_energies

_LEVELS = 4
_GROUPS = 12
"""Groups of tiles left out one at a time for the scatter of the peak."""
_LEAST_SIDE_PX = 48
_THUMB = (24, 32)


@dataclass(frozen=True, slots=True, eq=False)
class SeriesFrame:
    """What a series needs of one frame.

    energy
        float64 (levels, rows, columns): gradient energy per tile at full, half, quarter and eighth
        size, noise included, grey values squared.
    noise
        Noise of the frame, as far as one frame tells. `counts`: float64 (levels, rows, columns),
        samples behind each energy.
    means, clipped
        float64 (rows, columns): mean level (grey values) and clipped share (0..1) of each tile.
    size_px
        (width, height).
    thumb
        float64 (24, 32): the picture reduced, for telling whether it shows the same scene.
    """

    energy: FloatArray
    noise: NoiseModel
    counts: FloatArray
    means: FloatArray
    clipped: FloatArray
    size_px: tuple[int, int]
    thumb: FloatArray


def series_frame(image: Picture, *, full_scale: int) -> SeriesFrame:
    """Energies of a frame on four scales; image uint8 or uint16 (rows, columns).

    The gradient energy of `grid_sharpness` before the noise is taken off, every row used, also on the
    picture halved one, two and three times (each mean of 2 x 2 px leaves a quarter of the noise
    variance): a frame far out of focus differs from its neighbours only in the coarse scales.
    """
    picture = checked(image, where="the series")
    level = levels(picture, full_scale=full_scale)
    noise = noise_model(picture, clip_from=level.clip_from)
    clip = (picture >= level.clip_from).astype(np.float32)
    clipped = cv2.resize(clip, (GRID[1], GRID[0]), interpolation=cv2.INTER_AREA).astype(np.float64)
    scaled = picture.astype(np.float32)
    energy, counts, means = [], [], None
    for _ in range(_LEVELS):
        if min(scaled.shape) < _LEAST_SIDE_PX:
            break
        tiles = tile_energies(scaled, grid=GRID, row_step=1)
        means = tiles.means if means is None else means
        energy.append(tiles.energy.sum(axis=2))
        counts.append(tiles.counts)
        rows, columns = scaled.shape[0] // 2 * 2, scaled.shape[1] // 2 * 2
        scaled = np.asarray(
            cv2.resize(scaled[:rows, :columns], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
            dtype=np.float32,
        )
    height, width = picture.shape
    assert means is not None
    thumb = cv2.resize(picture.astype(np.float32), _THUMB[::-1], interpolation=cv2.INTER_AREA)
    return SeriesFrame(
        np.array(energy),
        noise,
        np.array(counts),
        means,
        clipped,
        (width, height),
        np.asarray(thumb, dtype=np.float64),
    )


@dataclass(frozen=True, slots=True)
class Sharpest:
    """The sharpest frame of a series.

    index
        Number of the frame (from 0). `peak`: where between the frames the best focus lies, in
        frames from 0; `sigma_frames`: its standard uncertainty, frames.
    at_end
        True when the series does not go past the peak: `peak` is then the end and the real one may
        lie outside.
    curve
        Sharpness of each frame over the best one's, 0..1, on the scale that decided most.
    """

    index: int
    peak: float
    sigma_frames: float
    at_end: bool
    curve: tuple[float, ...]


def sharpest(frames: Sequence[SeriesFrame]) -> Sharpest | Nothing:
    """Which frame of a focus series is sharpest, with the place of the peak between frames.

    frames: of one scene in the order of the focus (or of the names), any exposure. Per scale, the
    energy over the squared mean of the tiles that clip in none of the frames gives a curve; its top
    is fitted by ``c - q log(1 + ((i - p)/w)^2)``, the course of the gradient energy of edges and
    texture whose blur grows as sqrt(s0^2 + b^2 (i - p)^2) (own derivation), with its own width on
    each side where there are frames enough. The scales are weighted by the scatter of their peaks
    when a twelfth of the tiles at a time is left out, and by the fit's own covariance; where they
    disagree by more than that, the uncertainty grows. Nothing ("too few frames", "mixed sizes",
    "different scenes", "no structure"). With scenes of different depths in one picture the peak is that of
    most of the energy.
    """
    if len(frames) < 2:
        return Nothing("too few frames", {"found": len(frames), "needed": 2})
    sizes = {frame.size_px for frame in frames}
    if not _alike(sizes):
        return Nothing("mixed sizes", {"sizes": ", ".join(f"{w}x{h}" for w, h in sorted(sizes))})
    kin = kinship(frames)
    if kin is not None and kin < limit("series_same_scene"):
        return Nothing("different scenes", {"correlation": round(kin, 3)})
    energy, noise = _without_noise(frames)
    means = np.stack([frame.means for frame in frames])
    use = _usable(frames)
    means = means - black_level(means[:, use])
    found = []
    for k in range(energy.shape[1]):
        peak = _level_peak(energy[:, k], noise[:, k], means, use)
        if peak is not None:
            found.append(peak)
    if not found:
        return Nothing("no structure", {"frames": len(frames)})
    return _combined(found, len(frames))


def _alike(sizes: set[tuple[int, int]]) -> bool:
    """Whether pictures differ in size by no more than a crop of a few px."""
    widths, heights = [w for w, _ in sizes], [h for _, h in sizes]
    return max(widths) <= 1.02 * min(widths) and max(heights) <= 1.02 * min(heights)


def kinship(frames: Sequence[SeriesFrame]) -> float | None:
    """How alike neighbouring pictures are, -1..1: median correlation of their reduced copies, whatever the
    exposure; defocus leaves it high. None where the pictures are too flat to tell (an even field)."""
    flat = []
    for frame in frames:
        rest = frame.thumb - frame.thumb.mean()
        if float(rest.std()) < limit("series_least_contrast") * max(float(frame.thumb.mean()), 1e-9):
            return None
        flat.append(rest / np.linalg.norm(rest))
    return float(np.median([float((a * b).sum()) for a, b in pairwise(flat)]))


def _without_noise(frames: Sequence[SeriesFrame]) -> tuple[FloatArray, FloatArray]:
    """Energies less the noise's part, and their standard deviation from it, both float64 (frames,
    levels, rows, columns).

    Fine texture in focus passes for noise in a single frame, and would then be taken off just where
    it is sharpest. The sensor's noise does not know the focus: at each level the least that any frame
    of the series shows is taken (but no less than `series_own_noise` of the frame's own, since
    the gain may have been changed).
    """
    energy, scatter = [], []
    for frame in frames:
        least = np.min([other.noise.variance(frame.means) for other in frames], axis=0)
        variance = np.maximum(least, limit("series_own_noise") * frame.noise.variance(frame.means))
        scale = 4.0 ** -np.arange(len(frame.energy))
        term = variance[None] * scale[:, None, None] / 2.0
        energy.append(frame.energy - 2.0 * term)
        scatter.append(np.sqrt(2 * 2 * term**2 * 1.5 / frame.counts))
    return np.stack(energy), np.stack(scatter)


def _usable(frames: Sequence[SeriesFrame]) -> NDArray[np.bool_]:
    """Tiles that hardly clip in any frame; all of them when that leaves fewer than a quarter."""
    worst = np.max([frame.clipped for frame in frames], axis=0)
    use: NDArray[np.bool_] = worst <= 0.002
    return use if use.mean() >= 0.25 else np.ones_like(use)


def black_level(means: FloatArray) -> float:
    """Level that a series shows without light, grey values, >= 0, from its own changes of exposure.

    means: float64 (frames, tiles). With ``m = g R + b`` the frames' mean is a straight line over
    their scatter between tiles, and b is where it meets zero scatter (own derivation; Theil-Sen
    slope). 0 where the exposure hardly changed, where the tiles are alike, or where no line fits:
    then no offset could be told, and none matters.
    """
    mean, spread = means.mean(axis=1), means.std(axis=1)
    darkest = float(means.min())
    if spread.min() < 0.02 * mean.max() or spread.max() < limit("black_least_change") * spread.min():
        return 0.0
    gaps = spread[:, None] - spread[None, :]
    pairs = gaps > 0.1 * spread.max()
    slope = float(np.median((mean[:, None] - mean[None, :])[pairs] / gaps[pairs]))
    offsets = mean - slope * spread
    level = float(np.median(offsets))
    wander = 1.4826 * float(np.median(np.abs(offsets - level)))
    straight = float(np.corrcoef(mean, spread)[0, 1])
    if level <= 5.0 * wander or straight < limit("black_least_correlation"):
        return 0.0
    return float(np.clip(level, 0.0, 0.9 * darkest))


@dataclass(frozen=True, slots=True, eq=False)
class _Peak:
    """Peak of one scale's curve: place, standard deviation (frames), the curve itself."""

    place: float
    sigma: float
    curve: FloatArray


def _level_peak(
    energy: FloatArray, noise: FloatArray, means: FloatArray, use: NDArray[np.bool_]
) -> _Peak | None:
    """Peak of one scale from tiles' energies (frames, rows, columns), with jackknifed scatter."""
    share = use / use.sum()

    def curve(weights: FloatArray) -> FloatArray:
        level = np.maximum((means * weights).sum(axis=(1, 2)), 0.25)
        out: FloatArray = (energy * weights).sum(axis=(1, 2)) / level**2
        return out

    whole = curve(share)
    level = np.maximum((means * share).sum(axis=(1, 2)), 0.25)
    sigma = np.sqrt(((noise * share) ** 2).sum(axis=(1, 2))) / level**2
    top = int(np.argmax(whole))
    if whole[top] <= 5.0 * sigma[top]:
        return None
    floor = np.maximum(2.0 * sigma, 1e-4 * whole[top])
    place, own = _fit(whole, sigma, floor)
    number = np.arange(use.size).reshape(use.shape)
    # Tiles far apart in each group: a stride over the numbering that is not a row's length.
    group = (number * 5) % _GROUPS
    places = []
    for g in range(_GROUPS):
        kept = use & (group != g)
        if kept.sum() < 4:
            continue
        places.append(_fit(curve(kept / kept.sum()), sigma, floor)[0])
    n = len(places)
    scatter = float(np.sqrt((n - 1) * np.var(places))) if n > 2 else 0.5
    return _Peak(place, float(np.hypot(scatter, own)), whole / whole[top])


def _fit(curve: FloatArray, sigma: FloatArray, floor: FloatArray) -> tuple[float, float]:
    """Place of the peak of one curve and its standard deviation from the fit, frames."""
    n = len(curve)
    top = int(np.argmax(curve))
    y = np.log(np.maximum(curve, floor))
    error = np.hypot(sigma / np.maximum(curve, floor), 0.004)
    first, last = _window(y, top)
    if last - first < 4 or n < 5:
        return _three_points(y, error, top)
    x = np.arange(first, last + 1, dtype=np.float64)
    y, error = y[first : last + 1], error[first : last + 1]
    sided = last - first >= 8 and first < top < last
    drop = float(y.max() - y.min())
    width = max((last - first) / 2.0 / np.sqrt(max(np.exp(drop) - 1.0, 0.1)), 0.3)
    start = (
        [top, np.log(width), 0.0, np.log(1.0), y.max()]
        if sided
        else [top, np.log(width), np.log(1.0), y.max()]
    )

    def rest(p: FloatArray) -> FloatArray:
        skew = p[2] if sided else 0.0
        q, c = np.exp(p[-2]), p[-1]
        w = np.exp(p[1] + np.where(x > p[0], skew, -skew))
        out: FloatArray = (y - (c - q * np.log1p(((x - p[0]) / w) ** 2))) / error
        return out

    low = [first - 1.0, np.log(0.2), *([-1.0] if sided else []), np.log(0.25), -np.inf]
    high = [last + 1.0, np.log(20.0 * n), *([1.0] if sided else []), np.log(3.0), np.inf]
    begin = np.clip(start, np.array(low) + 1e-6, np.array(high) - 1e-6)
    fit = least_squares(
        rest, begin, bounds=(low, high), loss="soft_l1", f_scale=2.0, x_scale=1.0, max_nfev=60
    )
    try:
        jacobian = np.asarray(fit.jac, dtype=np.float64)
        covariance = np.linalg.inv(jacobian.T @ jacobian + 1e-9 * np.eye(len(begin)))
    except np.linalg.LinAlgError:
        return _three_points(np.log(np.maximum(curve, floor)), np.full(n, 0.02), top)
    spread = max(float((rest(fit.x) ** 2).sum()) / max(len(x) - len(begin), 1), 1.0)
    own = float(np.sqrt(covariance[0, 0] * spread))
    place = float(np.clip(fit.x[0], 0.0, n - 1.0))
    # A fit that leaves the highest frame by more than its errors allow has not understood the curve.
    if abs(place - top) > max(2.5, 0.25 * (last - first)):
        return _three_points(np.log(np.maximum(curve, floor)), np.full(n, 0.02), top)
    return place, own


def _window(y: FloatArray, top: int) -> tuple[int, int]:
    """First and last frame around the top within `series_depth` of it in log sharpness, two frames
    at least on each side where there are any."""
    depth = limit("series_depth")
    first, last = top, top
    while first > 0 and (y[first - 1] > y[top] - depth or top - first < 2):
        first -= 1
    while last < len(y) - 1 and (y[last + 1] > y[top] - depth or last - top < 2):
        last += 1
    return first, last


def _three_points(y: FloatArray, error: FloatArray, top: int) -> tuple[float, float]:
    """Vertex of the parabola through the top and its neighbours, with its standard deviation: what the
    errors explain, and how far off other frames lie that the scatter from frame to frame lets rival it."""
    n = len(y)
    rivals = _rivals(y, top)
    if top in (0, n - 1):
        return float(top), float(np.hypot(0.5, rivals))
    a, b, c = y[top - 1], y[top], y[top + 1]
    bend = a - 2 * b + c
    if bend >= -1e-9:
        return float(top), float(np.hypot(0.5, rivals))
    shift = float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    scatter = float(np.mean(error[top - 1 : top + 2]) / abs(bend))
    return top + shift, float(np.hypot(np.hypot(min(scatter, 1.0), 0.1), rivals))


def _rivals(y: FloatArray, top: int) -> float:
    """rms distance from the top of the frames that come within two of the curve's own scatter of it; the
    scatter from the median second difference, so that a smooth curve has no rivals."""
    if len(y) < 7:
        return 0.0
    bends = np.abs(y[:-2] - 2 * y[1:-1] + y[2:])
    scatter = float(np.median(bends)) / (0.6745 * np.sqrt(6.0))
    near = np.flatnonzero(y >= y[top] - 2.0 * np.sqrt(2.0) * scatter)
    return float(np.sqrt(np.mean((near - top) ** 2.0)))


def _combined(found: list[_Peak], count: int) -> Sharpest:
    """Peaks of the scales put together by their weights; disagreement widens the uncertainty."""
    place = np.array([peak.place for peak in found])
    sigma = np.array([np.hypot(peak.sigma, limit("series_least_sigma")) for peak in found])
    best = found[int(np.argmin(sigma))]
    # A scale that contradicts the surest one saw something else (depth, a reflection): left out.
    agree = np.abs(place - best.place) <= 3.0 * np.hypot(sigma, sigma.min()) + 0.5
    weight = np.where(agree, 1.0 / sigma**2, 0.0)
    peak = float((weight * place).sum() / weight.sum())
    own = float(1.0 / np.sqrt(weight.max()))
    between = float(np.sqrt((weight * (place - peak) ** 2).sum() / weight.sum()))
    index = int(np.clip(round(peak), 0, count - 1))
    at_end = index in (0, count - 1) and bool(np.argmax(best.curve) == index)
    spread = float(np.hypot(own, between))
    if at_end:
        spread = max(spread, 0.5)
    return Sharpest(index, peak, spread, at_end, tuple(float(max(v, 0.0)) for v in best.curve))
