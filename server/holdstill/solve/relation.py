"""Did the cameras stand still against each other through the whole set, and shoot together?

Every view that two cameras share tells their relation by itself. If one motion, from some view on,
explains most of what the views disagree about, a camera was knocked; if the views disagree one by
one, the plate moved between the cameras' exposures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holdstill.limits import limit
from holdstill.records import Check, FloatArray

from .bundle import Layout, evaluate
from .drift import chi_to_sigmas
from .fitting import Fit
from .mono import HUBER
from .plausible import check_of
from .prepare import Problem
from .start import settle


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """Per shared view: information (n, 6, 6) on a motion of one camera and gradient (n, 6), in units
    of the views' own noise; `views` (n,) indices; `shift_px` (n,) rms shift the motion means."""

    information: FloatArray
    gradient: FloatArray
    views: FloatArray
    shift_px: FloatArray
    noise_px: float


def disagreement(fitted: Fit, camera: int, variance: float) -> Disagreement | None:
    """What each view says about a motion of `camera` against the fitted rig; None when fewer than
    four views show it together with another camera. Set-aside views count too."""
    pictures, basis = fitted.pictures, fitted.layout.basis
    mine = np.unique(pictures.view[pictures.camera == camera])
    others = np.unique(pictures.view[pictures.camera != camera])
    shared = np.intersect1d(mine, others)
    if len(shared) < 4:
        return None
    if len(fitted.views) == pictures.views:
        each, gradient = fitted.normals.view_information()
        at = int(fitted.layout.lens_free.sum()) + 6 * (camera - 1)
    else:
        state, _ = settle(pictures, fitted.state, basis, huber=HUBER, steps=4)
        layout = Layout(np.zeros_like(fitted.layout.lens_free), basis, pictures.views)
        each, gradient = evaluate(pictures, state, layout).view_information()
        at = 6 * (camera - 1)
    information = each[shared][:, at : at + 6, at : at + 6] / variance
    slope = gradient[shared][:, at : at + 6] / variance
    scale = 1.0 / np.sqrt(np.einsum("nii->ni", information).mean(axis=0))
    information = information * scale[:, None] * scale[None, :]
    slope = slope * scale
    ridge = 1e-9 * np.eye(6)
    amounts = np.linalg.solve(information + ridge, slope[:, :, None])[:, :, 0]
    explained = np.einsum("ni,ni->n", amounts, slope)
    counts = np.bincount(
        pictures.view, weights=(pictures.weight > 0).sum(axis=1), minlength=pictures.views
    )[shared]
    used = pictures.weight > 0.0
    noise_px = float(np.sqrt(2.0 * variance / np.mean(pictures.weight[used] ** 2)))
    shift = np.sqrt(np.maximum(explained, 0.0) / np.maximum(counts, 1.0)) * noise_px
    return Disagreement(information, slope, shared, shift, noise_px)


def _wald(information: FloatArray, gradient: FloatArray) -> float:
    total, slope = information.sum(axis=0), gradient.sum(axis=0)
    return float(slope @ np.linalg.solve(total + 1e-9 * np.eye(6), slope))


def knocked(found: Disagreement) -> tuple[int, float, float]:
    """The split that explains most: index of the first view after it, sigmas, and the share of all
    disagreement that it explains."""
    each = np.einsum(
        "ni,ni->n", found.gradient,
        np.linalg.solve(found.information + 1e-9 * np.eye(6), found.gradient[:, :, None])[:, :, 0],
    )
    whole = _wald(found.information, found.gradient)
    best, at = -1.0, 0
    for split in range(2, len(found.views) - 1):
        both = _wald(found.information[:split], found.gradient[:split]) + _wald(
            found.information[split:], found.gradient[split:]
        )
        if both - whole > best:
            best, at = both - whole, split
    return at, chi_to_sigmas(max(best, 0.0), 6), best / max(float(each.sum()) - whole, 1e-12)


def relation_checks(
    problem: Problem, fitted: Fit, variance: float, inflation: float
) -> tuple[Check, ...]:
    """Checks ``cameras steady`` and ``shutters together``; `variance`: the variance factor each
    camera has by itself; `inflation`: what correlation adds to it (from the jackknife)."""
    inflation = min(inflation, limit("check_inflation"))
    steady, together = None, None
    for camera in range(1, len(problem.cameras)):
        found = disagreement(fitted, camera, variance)
        if found is None:
            continue
        at, sigmas, share = knocked(replace(
            found, information=found.information / inflation, gradient=found.gradient / inflation))
        apart = found.shift_px > limit("check_together_ratio") * found.noise_px
        is_knocked = (
            sigmas > limit("check_steady_sigmas") and share > limit("check_steady_share")
            and max(float(np.median(part)) for part in (found.shift_px[:at], found.shift_px[at:]))
            > limit("check_steady_ratio") * found.noise_px
        )
        name, view = problem.cameras[camera], problem.views[int(found.views[at])]
        steady = _worse(steady, check_of(
            "cameras steady", "check_steady_sigmas",
            f"{name} moved before view {view.view_id}" if is_knocked else "steady",
            ok=not is_knocked, stops=True, sigmas=limit("check_steady_sigmas")))
        allowed = limit("check_together_share")
        loose = float(np.mean(apart))
        together = _worse(together, check_of(
            "shutters together", "check_together_share", f"{100 * loose:.0f} %",
            ok=loose <= allowed or is_knocked, percent=100 * allowed))
    return tuple(c for c in (steady, together) if c is not None)


def _worse(so_far: Check | None, new: Check) -> Check:
    return new if so_far is None or (so_far.ok and not new.ok) else so_far
