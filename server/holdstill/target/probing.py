"""Radius, blur, contrast and noise of a view, from a few dots spread over it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray

from .compiled import median
from .conic import dual_conics
from .score import LEANS, Scores
from .steps import Beliefs, Steps
from .view import LEAST_SIGMA_PX, View

_PROBES = 9
_HELD_SHARES = (0.012, 0.046, 0.09, 0.17, 0.29, 0.46)
"""How far above the clipping level a clipped plateau may stand, over the contrast left in sight."""
_LEAST_LEAN = 0.06


def probe(known: View, which: NDArray[np.int64], centres: FloatArray) -> bool:
    """Radius, blur, contrast and noise from a few dots spread over the view; False if hopeless."""
    chosen = spread(len(which), _PROBES)
    some, at = which[chosen], centres[chosen].copy()
    if not known.followed:
        shapes = known.shapes(some)
        outer = float(np.clip(0.5 * (known.pitch / known.radius), 1.15, 1.6))
        fits = dual_conics(known.image, at, shapes, 0.45, outer, known.clip, known.stride(some))
        good = np.isfinite(fits).all(axis=1) & (
            np.hypot(*(fits[:, :2] - at).T) < known.radius_px(shapes) * 0.5
        )
        area = np.maximum(fits[:, 2] * fits[:, 4] - fits[:, 3] ** 2, 1e-9) ** 0.25 / known.radius_px(shapes)
        good &= (area > 0.6) & (area < 1.6)
        if good.sum() >= 3:
            at[good] = fits[good, :2]
            known.radius *= median(area[good])
        known.sigma = float(np.clip(0.12 * known.usual_px(some), 0.8, 6.0))
    stride = known.stride(some)
    left = _contrast_left(known, some, at)
    known.held = known.clip + _HELD_SHARES[-2] * left if left > 0 else 0.0
    misfit = _settle_probes(known, some, at, stride, rounds=5)
    if not np.isfinite(misfit):
        return False
    if known.held > 0:
        _choose_held_level(known, some, at, stride, left)
    if known.sigma > 0.55 and known.usual_px(some) > 5:
        _find_lean(known, some, at)
    rest = np.sqrt(misfit * max(known.variance)) / max(abs(known.contrast), 1e-9)
    if rest > limit("target_unlike_dots"):
        return False
    return bool(abs(known.contrast) > 2 * np.sqrt(max(known.variance) / 50))


def spread(count: int, most: int) -> NDArray[np.int64]:
    """Up to `most` places evenly spread over `count`."""
    if count <= most:
        return np.arange(count)
    return np.asarray(np.arange(most) * (count - 1) // (most - 1), dtype=np.int64)


def _contrast_left(known: View, some: NDArray[np.int64], at: FloatArray) -> float:
    """Grey values between the clipping level and the part that does not clip; 0 where neither the dots'
    middles nor the ground between them clip."""
    if known.clip <= 0:
        return 0.0
    height, width = known.image.shape
    jac = known.view.jacobians(known.xy[some])
    shares, levels = [], []
    for offset in ((0.0, 0.0), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)):
        x, y = (at + known.pitch * (jac @ np.array(offset))).T
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        values = known.image[y[inside].astype(int), x[inside].astype(int)].astype(np.float64)
        shares.append(float((values >= known.clip).mean()) if inside.any() else 0.0)
        levels.append(median(values) if inside.any() else known.clip)
    if shares[0] > 0.3:
        return max(known.clip - min(levels[1:]), 1.0)
    return max(known.clip - levels[0], 1.0) if float(np.mean(shares[1:])) > 0.3 else 0.0


def _settle_probes(
    known: View, some: NDArray[np.int64], at: FloatArray, stride: int, *, rounds: int
) -> float:
    """Gauss-Newton rounds on the probe dots (`at` moves in place); their median misfit, inf if hopeless."""
    misfit = np.inf
    loose = Beliefs.loose(len(some), spread_px=9.0)
    scale = known.usual_px(some) / known.radius
    for _ in range(rounds):
        gathered = known.scores(some, at, stride=stride, noise=True)
        steps = known.solved(gathered, loose, 0.6)
        ok = steps.ok
        if ok.sum() < 2:
            return np.inf
        use = np.ascontiguousarray(steps.table[ok].T)
        known.ground, known.contrast = median(use[0]), median(use[1])
        limit_px = 0.7 * known.sigma
        at[ok] += np.minimum(np.maximum(use[2:4].T, -limit_px), limit_px)
        dr = min(max(median(use[4]), -limit_px), limit_px)
        ds = min(max(median(use[5]), -0.35 * known.sigma), 0.7 * known.sigma)
        known.radius += dr / scale
        known.sigma = max(known.sigma + ds, LEAST_SIGMA_PX)
        known.variance = noise_of(gathered, steps, ok, known.variance, rough=True)
        misfit = median(use[10])
        if abs(dr) < 0.01 and abs(ds) < 0.02 * known.sigma:
            break
    return misfit


def _find_lean(known: View, some: NDArray[np.int64], at: FloatArray) -> None:
    """Dependence of the blur on direction (motion, astigmatism), from the probe dots' edges; below 6 % of
    the variance the blur is taken as round."""
    loose = Beliefs.loose(len(some), ramp=1e9)
    free = known.bent
    for _ in range(4):
        steps = known.solved(known.scores(some, at, stride=known.stride(some), kind=LEANS), loose, 0.6)
        ok = steps.ok
        if ok.sum() < 3:
            known.bent = free
            return
        use = np.ascontiguousarray(steps.table[ok].T)
        step = np.clip([median(use[6]), median(use[7])], -0.5, 0.5)
        lean = known.bent[:2] + step
        size = float(np.hypot(*lean))
        if size < _LEAST_LEAN:
            known.bent = free
            return
        lean *= min(1.0, 0.93 / size)
        known.bent = np.concatenate([lean, known.bent[2:]])
        known.sigma = max(known.sigma + float(np.clip(median(use[5]), -0.3, 0.3)), LEAST_SIGMA_PX)
        if np.abs(step).max() < 0.02:
            return


def _choose_held_level(
    known: View, some: NDArray[np.int64], at: FloatArray, stride: int, left: float
) -> None:
    """Level of a clipped plateau: of a few, the one with which the probe dots' flanks fit best."""
    best, chosen = np.inf, (known.held, known.radius, known.sigma, known.contrast, known.ground)
    for share in _HELD_SHARES:
        known.held = known.clip + share * left
        misfit = _settle_probes(known, some, at, stride, rounds=4)
        if misfit < best:
            best, chosen = misfit, (known.held, known.radius, known.sigma, known.contrast, known.ground)
    known.held, known.radius, known.sigma, known.contrast, known.ground = chosen


def noise_of(
    gathered: Scores, steps: Steps, good: NDArray[np.bool_], before: tuple[float, float], *, rough: bool
) -> tuple[float, float]:
    """Noise variance of ground and dot from differences of pixels within the plateaus.

    Where one plateau is clipped away, its variance follows from the misfit of the flanks, variance
    being linear in the level between the two (EMVA 1288's linear camera model); `rough`: it is taken as
    twice the other's, while the fit is not there yet.
    """
    ground_count, ground_square, dot_count, dot_square = gathered.tally[good, 2:6].sum(axis=0)
    floor = 1.0 / 12
    ground = max(float(ground_square / (2 * ground_count)), floor) if ground_count > 60 else None
    dot = max(float(dot_square / (2 * dot_count)), floor) if dot_count > 60 else None
    if ground is None and dot is None:
        return before
    if ground is not None and dot is not None:
        return ground, dot
    known = float((dot if ground is None else ground) or floor)
    if rough:
        return (2 * known, known) if ground is None else (known, 2 * known)
    sums = gathered.sums[good]
    share = median(sums[:, 0, 1] / np.maximum(sums[:, 0, 0], 1e-12))
    mine = np.clip(share if ground is None else 1 - share, 0.05, 0.95)
    clipped = before[0] if ground is None else before[1]
    mean = median(steps.misfit[good]) * (clipped * (1 - mine) + known * mine)
    clipped = float(np.clip((mean - known * mine) / (1 - mine), known, 8 * known))
    return (clipped, known) if ground is None else (known, clipped)
