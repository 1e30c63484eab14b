"""A still scene that does not stand still in the pictures: flicker, vibration, shimmer, a moved camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Picture

from .levels import checked, levels
from .noise import noise_model

GRID = (6, 8)
_LEAST_FRAMES = 8


class ShakeCause(StrEnum):
    """What makes a still scene change from frame to frame."""

    STILL = "still"
    FLICKER = "flicker"
    VIBRATION = "vibration"
    SHIMMER = "heat shimmer"
    MOVED = "moved camera"


@dataclass(frozen=True, slots=True, eq=False)
class ApparentMotion:
    """What changes over a series of one scene.

    gain
        float64 (frames,): brightness over the series' mean. `row_gain`: float64 (frames, rows), the
        same by rows of tiles, over the frame's own.
    shift_px
        float64 (frames, tiles, 2): apparent shift of each tile against the series' mean picture.
    sigma_px
        float64 (tiles,): standard deviation of one such shift that the noise explains, worse axis.
    xy
        float64 (tiles, 2): places of the tiles, -1..1 over the larger side.
    """

    gain: FloatArray
    row_gain: FloatArray
    shift_px: FloatArray
    sigma_px: FloatArray
    xy: FloatArray


def apparent_motion(frames: Sequence[Picture], *, full_scale: int) -> ApparentMotion | Nothing:
    """Brightness and local shifts over a static series; frames uint8 or uint16 of one size.

    The common shift is found first by phase correlation with the middle frame and taken off in whole
    pixels; then each tile's shift is the least-squares answer to ``I - gain I0 = -grad I0 . d``
    (Lucas & Kanade, IJCAI 1981, from memory), twice, against the mean of the frames. Its sigma is
    noise over the root of the summed squared gradients (Pan et al., Opt. Express 16 (2008) 7037).
    Tiles without texture are left out. Good to about a pixel between neighbouring tiles. Nothing
    ("too few frames", "mixed sizes", "no structure").
    """
    if len(frames) < _LEAST_FRAMES:
        return Nothing("too few frames", {"found": len(frames), "needed": _LEAST_FRAMES})
    pictures = [checked(frame, where="the series") for frame in frames]
    if len({p.shape for p in pictures}) > 1:
        return Nothing("mixed sizes", {"frames": len(frames)})
    level = levels(pictures[0], full_scale=full_scale)
    noise = noise_model(pictures[0], clip_from=level.clip_from)
    step = max(1, int(np.sqrt(pictures[0].size / 1.3e6)))
    small = [_reduced(p, step) for p in pictures]
    variance = noise.sigma(level.mean) ** 2 / step**2
    gain = np.array([float(p.mean()) for p in small])
    gain /= gain.mean()
    flat = [(p / g).astype(np.float32) for p, g in zip(small, gain, strict=True)]
    whole = _whole_shifts(flat)
    aligned = [_rolled(p, s) for p, s in zip(flat, whole, strict=True)]
    border = int(np.abs(whole).max()) + 4
    ys, xs = _tile_edges(flat[0].shape, border)
    solved = _tile_shifts(aligned, ys, xs)
    if solved is None:
        return Nothing("no structure", {"frames": len(frames)})
    # Once more with each frame's own shift taken off, so that neither the mean picture is smeared
    # nor the linear answer stretched.
    whole = whole + np.median(solved[0], axis=1)
    again = _tile_shifts([_moved(p, s) for p, s in zip(flat, whole, strict=True)], ys, xs)
    if again is None:
        return Nothing("no structure", {"frames": len(frames)})
    local, energy, keep = again
    sigma = np.sqrt(variance * (1 + 1 / len(frames)) / energy)
    shift = (local + whole[:, None, :]) * step
    shift -= shift.mean(axis=0)
    row_gain = np.array([[float(p[ys[i] : ys[i + 1]].mean()) for i in range(GRID[0])] for p in flat])
    row_gain /= row_gain.mean(axis=0)
    return ApparentMotion(
        gain, row_gain / row_gain.mean(axis=1, keepdims=True), shift, sigma * step, _places(ys, xs)[keep]
    )


def tile_motion(
    reference: Picture, now: Picture, *, full_scale: int
) -> tuple[FloatArray, FloatArray] | Nothing:
    """Apparent shift of each tile from one picture to another of a still scene: float64 (tiles, 2), px,
    and what the noise explains of it, float64 (tiles,), worse axis. As `apparent_motion`, for two.
    Nothing ("mixed sizes", "no structure").
    """
    pictures = [checked(frame, where="the scene") for frame in (reference, now)]
    if pictures[0].shape != pictures[1].shape:
        return Nothing("mixed sizes", {"frames": 2})
    level = levels(pictures[0], full_scale=full_scale)
    noise = noise_model(pictures[0], clip_from=level.clip_from)
    step = max(1, int(np.sqrt(pictures[0].size / 1.3e6)))
    small = [_reduced(p, step) for p in pictures]
    level_0 = float(small[0].mean())
    flat: list[Any] = [(p * (level_0 / max(float(p.mean()), 1e-9))).astype(np.float32) for p in small]
    whole = _whole_shifts(flat)
    whole -= whole[0]
    border = int(np.abs(whole).max()) + 4
    ys, xs = _tile_edges(flat[0].shape, border)
    for _ in range(3):  # each time with the common shift taken off, so that nothing is stretched
        solved = _tile_shifts([_moved(p, s) for p, s in zip(flat, whole, strict=True)], ys, xs)
        if solved is None:
            return Nothing("no structure", {"frames": 2})
        local, energy, _ = solved
        step_px = np.median(local[1] - local[0], axis=0)
        if np.abs(step_px).max() < 0.002:
            break
        whole[1] += step_px
        local[1] -= step_px
    variance = noise.sigma(level.mean) ** 2 / step**2
    # Against the mean of the two, each moves by half of what lies between them.
    shift = (local[1] - local[0] + whole[1]) * step
    return shift, np.sqrt(2.0 * variance / energy) * step


def _reduced(picture: Picture, step: int) -> FloatArray:
    scaled = picture.astype(np.float32)
    if step > 1:
        scaled = np.asarray(
            cv2.resize(scaled, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA), dtype=np.float32
        )
    return np.asarray(cv2.GaussianBlur(scaled, (0, 0), 0.8), dtype=np.float64)


def _whole_shifts(flat: Sequence[FloatArray]) -> FloatArray:
    """Whole-pixel shift of each frame against the middle one, float64 (frames, 2) as x, y."""
    middle = flat[len(flat) // 2]
    window = cv2.createHanningWindow((middle.shape[1], middle.shape[0]), cv2.CV_32F)
    found = []
    for picture in flat:
        # Copies: OpenCV 5.0 multiplies the window into the pictures it is given.
        pair = (middle.astype(np.float32), picture.astype(np.float32))
        (dx, dy), _ = cv2.phaseCorrelate(pair[0].copy(), pair[1].copy(), window)
        shift = np.array([round(dx), round(dy)], dtype=np.float64)
        # A regular pattern matches itself a pitch away: a shift must explain far more than none does.
        far = np.abs(shift).max() > min(middle.shape) / 4
        if far or _mismatch(middle, _rolled(picture, shift)) > 0.5 * _mismatch(middle, picture):
            shift[:] = 0.0
        found.append(shift)
    return np.array(found)


def _mismatch(first: FloatArray, second: FloatArray) -> float:
    """Mean squared difference away from the border."""
    border = min(first.shape) // 8
    inner = slice(border, -border)
    return float(((first[inner, inner] - second[inner, inner]) ** 2).mean())


def _rolled(picture: FloatArray, shift: FloatArray) -> FloatArray:
    out: FloatArray = np.roll(picture, (-int(shift[1]), -int(shift[0])), axis=(0, 1))
    return out


def _moved(picture: FloatArray, shift: FloatArray) -> FloatArray:
    """The picture moved back by a shift that need not be whole."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    size = (picture.shape[1], picture.shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(
        picture.astype(np.float32), matrix, size, flags=flags, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(moved, dtype=np.float64)


def _tile_edges(shape: tuple[int, ...], border: int) -> tuple[list[int], list[int]]:
    ys = np.linspace(border, shape[0] - border, GRID[0] + 1).astype(int)
    xs = np.linspace(border, shape[1] - border, GRID[1] + 1).astype(int)
    return list(ys), list(xs)


def _places(ys: Sequence[int], xs: Sequence[int]) -> FloatArray:
    cy, cx = np.convolve(ys, [0.5, 0.5], "valid"), np.convolve(xs, [0.5, 0.5], "valid")
    y, x = np.meshgrid(cy, cx, indexing="ij")
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    places -= places.mean(axis=0)
    out: FloatArray = places / np.abs(places).max()
    return out


def _tile_shifts(
    aligned: Sequence[FloatArray], ys: Sequence[int], xs: Sequence[int]
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]] | None:
    """Shifts (frames, tiles, 2) against the frames' mean, least gradient energy of each tile kept, and
    which tiles those are."""
    reference = np.mean(aligned, axis=0).astype(np.float32)
    gx = cv2.Scharr(reference, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(reference, cv2.CV_32F, 0, 1, scale=1 / 32)
    boxes = [
        (slice(ys[i], ys[i + 1]), slice(xs[j], xs[j + 1])) for i in range(GRID[0]) for j in range(GRID[1])
    ]
    normal, energy = [], []
    for box in boxes:
        a, b = gx[box].astype(np.float64).ravel(), gy[box].astype(np.float64).ravel()
        matrix = np.array([[a @ a, a @ b], [a @ b, b @ b]])
        normal.append(matrix)
        energy.append(float(np.linalg.eigvalsh(matrix)[0]))
    strength = np.array(energy)
    keep = np.flatnonzero(strength > max(0.02 * float(np.median(strength)), 1e-3 * strength.max(), 1.0))
    if keep.size < 8:
        return None
    shifts = np.zeros((len(aligned), keep.size, 2))
    for f, picture in enumerate(aligned):
        rest = (picture - reference).astype(np.float32)
        for n, k in enumerate(keep):
            box = boxes[k]
            d = rest[box] - float(rest[box].mean())
            push = -np.array([float(np.vdot(gx[box], d)), float(np.vdot(gy[box], d))])
            shifts[f, n] = np.linalg.solve(normal[k], push)
    return shifts, np.asarray(strength[keep], dtype=np.float64), np.asarray(keep, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Shake:
    """What a static series suffers from.

    cause
        The one that spoils most. `others`: further ones that are significant too.
    flicker_share
        Standard deviation of the brightness over its mean (0..1), steps and bands by row included.
    vibration_px
        rms of the common motion about its own step or drift, px. `step_px`: size of the common step
        or drift. `shimmer_px`: rms of the tiles' motion about the common one, noise taken off, px.
    correlation_tiles
        How far the incoherent motion stays alike, in tiles (small for shimmer near the lens of heat).
    fast_share
        Share of the common motion's variance that changes from one frame to the next, 0..1.
    """

    cause: ShakeCause
    others: tuple[ShakeCause, ...]
    flicker_share: float
    vibration_px: float
    step_px: float
    shimmer_px: float
    correlation_tiles: float
    fast_share: float


def shake(motion: ApparentMotion) -> Shake:
    """Which of flicker, vibration, heat shimmer or a moved camera a static series shows.

    Per frame a similarity (shift, turn, scale) is fitted to the tiles' shifts: what a moving camera
    or machine can do. What is left beyond the noise is incoherent: air of uneven heat. The common
    motion is split into one step (or drift) and the rest: a step says that the camera was moved, the
    rest that it vibrates. Brightness that changes beyond `shake_flicker` is flicker. Each strength
    is measured in units of its own limit and the largest is told. A vibration that happens to alias
    to less than one period in the series looks like a drift; no spectrum of the pictures can tell.
    """
    rigid, rest = _split(motion)
    n = len(motion.gain)
    weight = 1.0 / motion.sigma_px**2
    degrees = max(motion.sigma_px.size - 2, 1) / motion.sigma_px.size
    noise2 = 2.0 * float((weight * motion.sigma_px**2).sum() / weight.sum()) * degrees
    raw = float((weight * (rest**2).sum(axis=2).mean(axis=0)).sum() / weight.sum())
    shimmer = np.sqrt(max(raw - noise2 * 1.1, 0.0))
    common_noise = np.sqrt(2.0 / float(weight.sum()))
    step, left = _step(rigid)
    vibration = np.sqrt(max(float((left**2).sum(axis=1).mean()) - 1.2 * common_noise**2, 0.0))
    bands = float(np.std(motion.row_gain - motion.row_gain.mean(axis=0)))
    flicker = float(np.hypot(np.std(motion.gain), bands))
    # A part of the air's motion is common to all tiles; a part of a strong shake leaks into the rest.
    shimmer_counts = shimmer > limit("shake_shimmer_share") * np.hypot(vibration, 0.3 * step)
    # A step that chance would find in the vibration's own course is none.
    step_counts = step > limit("shake_step_over_rest") * np.sqrt(float((left**2).sum(axis=1).mean()))
    strengths = {
        ShakeCause.FLICKER: flicker / limit("shake_flicker"),
        ShakeCause.SHIMMER: shimmer / limit("shake_shimmer_px") if shimmer_counts else 0.0,
        ShakeCause.MOVED: step / limit("shake_step_px") if step_counts else 0.0,
        ShakeCause.VIBRATION: (vibration if step_counts else np.hypot(vibration, 0.0))
        / limit("shake_vibration_px"),
    }
    if strengths[ShakeCause.SHIMMER] > 1.0:
        strengths[ShakeCause.VIBRATION] *= float(vibration > 1.0 / limit("shake_shimmer_share") * shimmer)
        strengths[ShakeCause.MOVED] *= float(step > 3.0 * shimmer)
    ranked = sorted((c for c in strengths if strengths[c] > 1.0), key=lambda c: -strengths[c])
    fast = np.diff(rigid, axis=0)
    total = 2.0 * float(rigid.var(axis=0).sum())
    return Shake(
        cause=ranked[0] if ranked else ShakeCause.STILL,
        others=tuple(ranked[1:]),
        flicker_share=flicker,
        vibration_px=float(vibration),
        step_px=float(step),
        shimmer_px=float(shimmer),
        correlation_tiles=_reach(rest, motion.xy),
        fast_share=float(min((fast**2).sum() / max(n - 1, 1) / max(total, 1e-12), 1.0)),
    )


def _split(motion: ApparentMotion) -> tuple[FloatArray, FloatArray]:
    """Common shift (frames, 2) and what a weighted similarity leaves of the tiles' shifts."""
    x, y = motion.xy[:, 0], motion.xy[:, 1]
    one, zero = np.ones_like(x), np.zeros_like(x)
    terms = np.concatenate([np.stack([one, zero, -y, x], axis=1), np.stack([zero, one, x, y], axis=1)])
    root = np.concatenate([1.0 / motion.sigma_px] * 2)
    seen = np.concatenate([motion.shift_px[..., 0], motion.shift_px[..., 1]], axis=1)
    fit, *_ = np.linalg.lstsq(terms * root[:, None], (seen * root).T, rcond=None)
    rest = seen - (terms @ fit).T
    tiles = x.size
    return fit[:2].T, np.stack([rest[:, :tiles], rest[:, tiles:]], axis=2)


def _step(rigid: FloatArray) -> tuple[float, FloatArray]:
    """Size of the one step that explains most of the common motion, and what it leaves."""
    best, left = 0.0, rigid - rigid.mean(axis=0)
    least = float((left**2).sum())
    for k in range(2, len(rigid) - 1):
        a, b = rigid[:k].mean(axis=0), rigid[k:].mean(axis=0)
        rest = np.concatenate([rigid[:k] - a, rigid[k:] - b])
        if float((rest**2).sum()) < least:
            least, best, left = float((rest**2).sum()), float(np.hypot(*(b - a))), rest
    return best, left


def _reach(rest: FloatArray, xy: FloatArray) -> float:
    """Distance (tiles) within which the incoherent motion correlates above one half; 0 if nowhere."""
    flat = rest.reshape(rest.shape[0], rest.shape[1], 2)
    scale = np.sqrt((flat**2).mean(axis=(0, 2))) + 1e-12
    correlation = np.einsum("fid,fjd->ij", flat, flat) / (flat.shape[0] * 2) / np.outer(scale, scale)
    gaps = np.hypot(xy[:, None, 0] - xy[None, :, 0], xy[:, None, 1] - xy[None, :, 1])
    unit = float(np.min(gaps[gaps > 0]))
    reach = 0.0
    for k in range(1, 5):
        ring = np.abs(gaps / unit - k) < 0.3
        if ring.any() and float(correlation[ring].mean()) > 0.5:
            reach = float(k)
        else:
            break
    return reach
