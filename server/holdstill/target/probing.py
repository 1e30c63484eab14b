"""Radius, blur, contrast and noise of a view, from a few dots spread over it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray

from .conic import dual_conics
from .score import Scores
from .steps import Beliefs, Steps, solve_steps
from .view import LEAST_SIGMA_PX, View

_PROBES = 9
_HELD_LEVELS = (1.01, 1.04, 1.08, 1.15, 1.25, 1.4)


def probe(known: View, which: NDArray[np.int64], centres: FloatArray) -> bool:
    """Radius, blur, contrast and noise from a few dots spread over the view; False if hopeless."""
    chosen = np.unique(np.linspace(0, len(which) - 1, min(_PROBES, len(which))).astype(int))
    some, at = which[chosen], centres[chosen].copy()
    shapes = known.shapes(some)
    if not known.followed:
        outer = float(np.clip(0.5 * (known.pitch / known.radius), 1.15, 1.6))
        fits = dual_conics(known.image, at, shapes, 0.45, outer, known.clip)
        good = np.isfinite(fits).all(axis=1) & (
            np.hypot(*(fits[:, :2] - at).T) < known.radius_px(shapes) * 0.5
        )
        if good.sum() >= 3:
            at[good] = fits[good, :2]
            area = np.maximum(fits[good, 2] * fits[good, 4] - fits[good, 3] ** 2, 1e-9) ** 0.25
            known.radius *= float(np.median(area / known.radius_px(shapes[good])))
        known.sigma = float(np.clip(0.12 * np.median(known.radius_px(shapes)), 0.8, 6.0))
    stride = known.stride(some)
    known.held = _HELD_LEVELS[-2] * known.clip if _bright_part_clips(known, some, at) else 0.0
    misfit = _settle_probes(known, some, at, stride, rounds=5)
    if not np.isfinite(misfit):
        return False
    if known.held > 0:
        _choose_held_level(known, some, at, stride)
    if known.sigma > 0.55 and np.median(known.radius_px(shapes)) > 5:
        _find_lean(known, some, at)
    rest = np.sqrt(misfit * max(known.variance)) / max(abs(known.contrast), 1e-9)
    if rest > limit("target_unlike_dots"):
        return False
    return bool(abs(known.contrast) > 2 * np.sqrt(max(known.variance) / 50))


def _bright_part_clips(known: View, some: NDArray[np.int64], at: FloatArray) -> bool:
    """True when the dots' middles or the ground between them stand at the clipping level."""
    if known.clip <= 0:
        return False
    height, width = known.image.shape
    jac = known.view.jacobians(known.xy[some])
    shares = []
    for offset in ((0.0, 0.0), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)):
        x, y = (at + known.pitch * (jac @ np.array(offset))).T
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        values = known.image[y[inside].astype(int), x[inside].astype(int)]
        shares.append(float((values >= known.clip).mean()) if inside.any() else 0.0)
    return shares[0] > 0.3 or float(np.mean(shares[1:])) > 0.3


def _settle_probes(
    known: View, some: NDArray[np.int64], at: FloatArray, stride: int, *, rounds: int
) -> float:
    """Gauss-Newton rounds on the probe dots (`at` moves in place); their median misfit, inf if hopeless."""
    slopes = np.zeros((len(some), 2))
    misfit = np.inf
    for _ in range(rounds):
        gathered = known.scores(some, at, slopes, stride)
        steps = solve_steps(
            gathered,
            Beliefs.loose(len(some), spread_px=9.0),
            contrast=known.contrast or known.sign * 100.0,
            held=known.held,
        )
        ok = steps.ok > 0
        if ok.sum() < 2:
            return np.inf
        known.contrast, known.ground = (
            float(np.median(steps.contrast[ok])),
            float(np.median(steps.ground[ok])),
        )
        scale = float(np.median(known.radius_px(known.shapes(some)))) / known.radius
        limit_px = 0.7 * known.sigma
        at[ok] += np.clip(steps.shift[ok], -limit_px, limit_px)
        dr = float(np.clip(np.median(steps.radius[ok]), -limit_px, limit_px))
        ds = float(np.clip(np.median(steps.blur[ok]), -0.35 * known.sigma, 0.7 * known.sigma))
        known.radius += dr / scale
        known.sigma = max(known.sigma + ds, LEAST_SIGMA_PX)
        known.variance = noise_of(gathered, steps, ok, known.variance, rough=True)
        misfit = float(np.median(steps.misfit[ok]))
        if abs(dr) < 0.01 and abs(ds) < 0.02 * known.sigma:
            break
    return misfit


def _find_lean(known: View, some: NDArray[np.int64], at: FloatArray) -> None:
    """Dependence of the blur on direction (motion, astigmatism), from the probe dots' edges.

    The blur is fitted to the edges that face 0, 45, 90 and 135 degrees, each for itself; below 6 %
    of the variance the blur is taken as round.
    """
    zero = np.zeros((len(some), 2))
    fixed = replace(Beliefs.loose(len(some)), radius=np.tile([0.0, 0.02], (len(some), 1)))
    for _ in range(3):
        variances = []
        for k in range(4):
            gathered = known.scores(some, at, zero, known.stride(some), sector=k * np.pi / 4)
            steps = solve_steps(gathered, fixed, contrast=known.contrast, held=known.held, least_used=0.0)
            here = 1 + known.lean[0] * np.cos(k * np.pi / 2) + known.lean[1] * np.sin(k * np.pi / 2)
            ds = float(np.clip(np.median(steps.blur) / known.sigma, -0.4, 0.6))
            variances.append(max(here, 0.05) * (1 + ds) ** 2)
        a = sum(variances) / 4
        lean = np.array([variances[0] - variances[2], variances[1] - variances[3]]) / (2 * a)
        if np.hypot(*lean) < 0.06:
            return
        lean *= min(1.0, 0.93 / float(np.hypot(*lean)))
        done = float(np.abs(lean - known.lean).max()) < 0.02
        known.lean = lean
        known.sigma = max(known.sigma * float(np.sqrt(a)), LEAST_SIGMA_PX)
        if done:
            return


def _choose_held_level(known: View, some: NDArray[np.int64], at: FloatArray, stride: int) -> None:
    """Level of a clipped plateau: of a few, the one with which the probe dots' flanks fit best."""
    best, chosen = np.inf, (known.held, known.radius, known.sigma, known.contrast, known.ground)
    for share in _HELD_LEVELS:
        known.held = share * known.clip
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
    plateau = gathered.plateau[good]
    counts, squares = plateau[:, 0::3].sum(axis=0), plateau[:, 2::3].sum(axis=0)
    floor = 1.0 / 12
    each = [max(float(q) / (2 * c), floor) if c > 60 else None for c, q in zip(counts, squares, strict=True)]
    ground, dot = each
    if ground is None and dot is None:
        return before
    if ground is not None and dot is not None:
        return ground, dot
    known = float((dot if ground is None else ground) or floor)
    if rough:
        return (2 * known, known) if ground is None else (known, 2 * known)
    share = float(np.median(gathered.normal[good, 0, 1] / np.maximum(gathered.normal[good, 0, 0], 1e-12)))
    mine = np.clip(share if ground is None else 1 - share, 0.05, 0.95)
    clipped = before[0] if ground is None else before[1]
    mean = float(np.median(steps.misfit[good])) * (clipped * (1 - mine) + known * mine)
    clipped = float(np.clip((mean - known * mine) / (1 - mine), known, 8 * known))
    return (clipped, known) if ground is None else (known, clipped)
