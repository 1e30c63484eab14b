"""A still scene found again: textured patches of a reference picture followed into later ones, to a
hundredth of a pixel, and how much they wander by noise alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Picture
from holdstill.records.scene import NoiseFloor, SceneMarks, SceneShift

from .levels import checked, levels
from .noise import noise_model

CELLS = (12, 10)
"""Columns and rows of cells, each of which gives its best patch."""
PATCH_PX = 31
_ROUNDS = 12
_COARSE_PX = 640


@dataclass(frozen=True, slots=True, eq=False)
class SceneStart:
    """A reference picture made ready: as float32, and its marks."""

    picture: NDArray[np.float32]
    marks: SceneMarks


def scene_start(image: Picture, *, camera: str, full_scale: int) -> SceneStart | Nothing:
    """The patches of a picture that can be found again, one a cell where there is texture.

    image: uint8 or uint16 (rows, columns). A patch is taken where the smaller eigenvalue of its summed
    squared gradients is largest (Shi & Tomasi, CVPR 1994, from memory); its sigma per axis is noise
    over the root of that axis' sum, times the root of two for the two pictures compared (Pan et al.,
    Opt. Express 16 (2008) 7037). Clipped places are left out. Nothing ("no texture") when fewer than
    `scene_least_patches` are known to `scene_patch_sigma_px`. Raises BadFrame for what is no picture.
    """
    whole = checked(image, where=camera)
    level = levels(whole, full_scale=full_scale)
    noise = noise_model(whole, clip_from=level.clip_from).sigma(level.mean)
    picture = whole.astype(np.float32)
    gx, gy = (cv2.Sobel(picture, cv2.CV_32F, *d, ksize=3, scale=0.125) for d in ((1, 0), (0, 1)))
    xx, yy, xy = _over_patches(gx * gx), _over_patches(gy * gy), _over_patches(gx * gy)
    least = 0.5 * (xx + yy) - np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy)
    clipped = _over_patches((whole >= level.clip_from).astype(np.float32))
    least[clipped > 0.02 * PATCH_PX**2] = 0.0
    edge = PATCH_PX
    least[:edge] = least[-edge:] = 0.0
    least[:, :edge] = least[:, -edge:] = 0.0
    # Gradients of the noise itself add up too: 12 of the Sobel's 64ths squared, times the patch.
    own = noise**2 * PATCH_PX**2 * 12.0 / 64.0
    points, sigmas = _best_of_cells(least - own, xx - own, yy - own, max(noise, 0.3))
    good = sigmas.max(axis=1) <= limit("scene_patch_sigma_px")
    if good.sum() < limit("scene_least_patches"):
        needed = int(limit("scene_least_patches"))
        return Nothing("no texture", {"camera": camera, "found": int(good.sum()), "needed": needed})
    size = (whole.shape[1], whole.shape[0])
    return SceneStart(picture, SceneMarks(camera, size, points[good], sigmas[good], PATCH_PX))


def _over_patches(values: NDArray[Any]) -> FloatArray:
    """Sums over the patch about every pixel."""
    summed = cv2.boxFilter(values, -1, (PATCH_PX, PATCH_PX), normalize=False)
    return np.asarray(summed, dtype=np.float64)


def _best_of_cells(
    least: FloatArray, xx: FloatArray, yy: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray]:
    rows = np.array_split(np.arange(least.shape[0]), CELLS[1])
    columns = np.array_split(np.arange(least.shape[1]), CELLS[0])
    points, sigmas = [], []
    for r in rows:
        for c in columns:
            cell = least[r[0] : r[-1] + 1, c[0] : c[-1] + 1]
            row, column = divmod(int(np.argmax(cell)), cell.shape[1])
            y, x = row + int(r[0]), column + int(c[0])
            if least[y, x] <= 0.0:
                continue
            points.append((float(x), float(y)))
            sums = np.maximum([xx[y, x], yy[y, x]], 1e-9)
            sigmas.append(np.sqrt(2.0) * noise / np.sqrt(sums))
    return np.array(points).reshape(-1, 2), np.array(sigmas).reshape(-1, 2)


def scene_again(start: SceneStart, image: Picture) -> SceneShift | Nothing:
    """Where the marks are in a later picture of the same camera.

    The common shift is found first by phase correlation of the reduced pictures, then each patch by
    the pyramid of Lucas & Kanade (IJCAI 1981), and last by least squares on the full pictures with
    brightness and contrast free. Patches whose correlation with the reference
    stays below `scene_likeness` are not found again (something else is there now). Good to motions of
    a tenth of the picture and turns of a few degrees. Nothing ("another size", "another scene").
    """
    later = checked(image, where=start.marks.camera)
    if (later.shape[1], later.shape[0]) != start.marks.size_px:
        got = f"{later.shape[1]} x {later.shape[0]}"
        wanted = f"{start.marks.size_px[0]} x {start.marks.size_px[1]}"
        return Nothing("another size", {"camera": start.marks.camera, "got": got, "wanted": wanted})
    now = later.astype(np.float32)
    guess = _by_pyramid(start, now)
    at, likeness = _refined(start, now, guess)
    shifts = at - start.marks.points_px
    lost = ~(likeness >= limit("scene_likeness")) | ~np.isfinite(shifts).all(axis=1)
    shifts[lost] = np.nan
    if (~lost).sum() < limit("scene_least_patches"):
        numbers: dict[str, float | int | str] = {
            "camera": start.marks.camera, "found": int((~lost).sum()),
            "needed": int(limit("scene_least_patches")),
        }  # fmt: skip
        return Nothing("another scene", numbers)
    like = float(np.median(likeness[~lost]))
    return SceneShift(start.marks.camera, shifts, start.marks.sigmas_px, like)


def _eight(picture: NDArray[np.float32]) -> NDArray[np.uint8]:
    low, high = (float(v) for v in np.percentile(picture[::8, ::8], (0.5, 99.5)))
    scale = 255.0 / max(high - low, 1e-6)
    return np.asarray(np.clip((picture - low) * scale, 0, 255), dtype=np.uint8)


def _by_pyramid(start: SceneStart, now: NDArray[np.float32]) -> FloatArray:
    """First places (n, 2), NaN where lost."""
    step = max(1, start.picture.shape[1] // _COARSE_PX)
    small = [cv2.resize(p, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
             for p in (start.picture, now)]  # fmt: skip
    window = cv2.createHanningWindow((small[0].shape[1], small[0].shape[0]), cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(small[0], small[1], window)
    first = start.marks.points_px.astype(np.float32)
    moved = np.array([dx * step, dy * step], np.float32) if response > 0.05 else np.zeros(2, np.float32)
    guess = (first + moved).reshape(-1, 1, 2).astype(np.float32)
    found, seen, _ = cv2.calcOpticalFlowPyrLK(
        _eight(start.picture), _eight(now), first.reshape(-1, 1, 2), guess.copy(),
        winSize=(PATCH_PX, PATCH_PX), maxLevel=3, flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    out = found.reshape(-1, 2).astype(np.float64)
    out[seen.ravel() == 0] = np.nan
    return out


def _refined(
    start: SceneStart, now: NDArray[np.float32], guess: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) by least squares and the correlation reached (n,)."""
    half = PATCH_PX // 2
    whole = np.rint(start.marks.points_px).astype(int)
    template = np.stack([
        start.picture[y - half : y + half + 1, x - half : x + half + 1] for x, y in whole
    ])  # fmt: skip
    count = len(template)
    gy, gx = np.gradient(template, axis=(1, 2))
    flat = template.reshape(count, -1)
    design = np.stack([gx.reshape(count, -1), gy.reshape(count, -1), flat, np.ones_like(flat)], axis=2)
    design = design.astype(np.float64)
    scale = 1.0 / np.sqrt(np.maximum((design**2).sum(axis=1), 1e-12))
    design = design * scale[:, None, :]
    normal = np.swapaxes(design, 1, 2) @ design + 1e-9 * np.eye(4)
    at = guess.copy()
    likeness = np.zeros(count)
    for _ in range(_ROUNDS):
        seen = _sampled(now, np.nan_to_num(at, nan=-1e4)).reshape(count, -1)
        answer = np.linalg.solve(normal, np.swapaxes(design, 1, 2) @ seen[:, :, None].astype(np.float64))
        answer = answer[:, :, 0] * scale
        contrast = np.where(np.abs(answer[:, 2]) > 0.1, answer[:, 2], np.nan)
        # seen(u) = c template(u + e) + b with e small: moving by e brings them together.
        step = answer[:, :2] / contrast[:, None]
        at = at - np.clip(step, -1.0, 1.0)
        likeness = _correlation(flat, seen)
        if np.nanmax(np.abs(step), initial=0.0) < 1e-3:
            break
    return at, np.where(np.isfinite(at).all(axis=1), likeness, 0.0)


def _sampled(picture: NDArray[np.float32], at: FloatArray) -> NDArray[np.float32]:
    """Patches (n, side, side) about places between pixels, by Lanczos' kernel of four lobes with its
    weights made to sum to one; a patch is shifted as a whole, so that eight taps an axis are enough.

    Not ``cv2.remap``: its places are rounded to 1/32 px, which alone would cost 0.01 px.
    """
    half, taps = PATCH_PX // 2, np.arange(-3, 5)
    base = np.floor(at)
    part = at - base
    reach = np.arange(-half - 3, half + 5)
    columns = np.clip(base[:, :1].astype(int) + reach, 0, picture.shape[1] - 1)
    rows = np.clip(base[:, 1:].astype(int) + reach, 0, picture.shape[0] - 1)
    window = picture[rows[:, :, None], columns[:, None, :]]
    weights = np.sinc(taps - part[:, :, None]) * np.sinc((taps - part[:, :, None]) / 4.0)
    weights = (weights / weights.sum(axis=2, keepdims=True)).astype(np.float32)
    across = sum(weights[:, 0, k, None, None] * window[:, :, k : k + PATCH_PX] for k in range(8))
    down = sum(weights[:, 1, k, None, None] * np.asarray(across)[:, k : k + PATCH_PX] for k in range(8))
    return np.asarray(down, dtype=np.float32)


def _correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> FloatArray:
    x = a - a.mean(axis=1, keepdims=True)
    y = b - b.mean(axis=1, keepdims=True)
    size = np.sqrt((x * x).sum(axis=1) * (y * y).sum(axis=1))
    return np.asarray((x * y).sum(axis=1) / np.maximum(size, 1e-9), dtype=np.float64)


def scene_floor(marks: SceneMarks, shifts: Sequence[SceneShift]) -> NoiseFloor | Nothing:
    """The noise floor from the later pictures of a series whose first is the reference.

    Each frame's common motion (shift, turn and image scale, by least squares) is taken off; what is
    left of a patch wanders by noise, heat haze and interpolation. Two frames' difference carries the
    noise of both, so that a single one's is its rms over the root of two. Nothing ("too few frames").
    """
    if len(shifts) < limit("scene_least_frames") - 1:
        needed = int(limit("scene_least_frames"))
        return Nothing("too few frames", {"found": len(shifts) + 1, "needed": needed})
    left, common, used = [], [], []
    for shift in shifts:
        rest, mean = _without_common(marks, shift.shifts_px)
        left.append(rest)
        common.append(mean)
        used.append(shift.found)
    rest_px = np.stack(left)
    size = np.nanmedian(np.sqrt((rest_px**2).mean(axis=2)), axis=0)
    sound = size <= 4.0 * np.nanmedian(size)
    random = float(np.sqrt(np.nanmean(rest_px[:, sound] ** 2) / 2.0))
    expected = float(np.sqrt(np.mean(marks.sigmas_px[sound] ** 2) / 2.0))
    moved = np.vstack([np.zeros((1, 2)), common])
    whole = float(np.sqrt(((moved - moved.mean(axis=0)) ** 2).sum() / (2 * (len(moved) - 1))))
    return NoiseFloor(
        marks.camera, len(shifts) + 1, int(np.median(used)), marks.patch_px, random, expected, whole
    )


def _without_common(marks: SceneMarks, shifts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shifts with the picture's common motion taken off (NaN stays), and its mean shift (2,)."""
    good = np.isfinite(shifts).all(axis=1)
    middle = np.array(marks.size_px) / 2.0
    x, y = ((marks.points_px - middle) / max(marks.size_px)).T
    zero, one = np.zeros_like(x), np.ones_like(x)
    terms = np.stack([np.stack([one, zero, -y, x], 1), np.stack([zero, one, x, y], 1)], axis=1)
    design = terms[good].reshape(-1, 4)
    answer, *_ = np.linalg.lstsq(design, shifts[good].ravel(), rcond=None)
    return shifts - terms @ answer, np.asarray(answer[:2])
