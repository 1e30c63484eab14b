"""Did the cameras stand still against each other through the whole set, and shoot together?

Every view that two cameras share tells their relation by itself. If one motion, from some view on,
explains most of what the views disagree about, a camera was knocked; if that motion is one along the
baseline and nothing else, the plate's pitch changed, which looks the same; if the views disagree one
by one, the plate moved between the cameras' exposures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdstill.limits import limit
from holdstill.records import Check, FloatArray, SetAside

from .bundle import Layout, evaluate
from .drift import chi_to_sigmas
from .fitting import Fit
from .mono import HUBER
from .observations import BoolArray
from .plausible import OWN_MISFIT, check_of
from .prepare import Problem
from .start import settle


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """Per shared view: information (n, 6, 6) on a motion of one camera and gradient (n, 6), in units
    of the views' own noise; `views` (n,) indices; `shift_px` (n,) rms shift the motion means; `along`
    (6,): the motion that a plate of twice the pitch would feign, a shift along the baseline."""

    information: FloatArray
    gradient: FloatArray
    views: FloatArray
    shift_px: FloatArray
    noise_px: float
    along: FloatArray


def disagreement(fitted: Fit, camera: int, variance: float, sound: BoolArray) -> Disagreement | None:
    """What each view says about a motion of `camera` against the fitted rig; None when fewer than
    four views show it together with another camera. Views set aside because the cameras disagree count
    too; those with a picture that misfits by itself (`sound` (V,) False) don't."""
    pictures, basis = fitted.pictures, fitted.layout.basis
    mine = np.unique(pictures.view[pictures.camera == camera])
    others = np.unique(pictures.view[pictures.camera != camera])
    shared = np.intersect1d(mine, others)
    shared = shared[sound[shared]]
    if len(shared) < 4:
        return None
    if (fitted.used.weight > 0.0).any(axis=1).all():
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
    along = np.concatenate([np.zeros(3), fitted.state.cam_t[camera]]) / scale
    ridge = 1e-9 * np.eye(6)
    amounts = np.linalg.solve(information + ridge, slope[:, :, None])[:, :, 0]
    explained = np.einsum("ni,ni->n", amounts, slope)
    counts = np.bincount(
        pictures.view, weights=(pictures.weight > 0).sum(axis=1), minlength=pictures.views
    )[shared]
    used = pictures.weight > 0.0
    noise_px = float(np.sqrt(2.0 * variance / np.mean(pictures.weight[used] ** 2)))
    shift = np.sqrt(np.maximum(explained, 0.0) / np.maximum(counts, 1.0)) * noise_px
    return Disagreement(information, slope, shared, shift, noise_px, along)


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
    # What the views would disagree by noise alone is no disagreement.
    rest = float(each.sum()) - whole - 6.0 * (len(found.views) - 1)
    return at, chi_to_sigmas(max(best, 0.0), 6), best / max(rest, best, 1e-12)


def another_pitch(found: Disagreement, at: int) -> float | None:
    """Pitch after over pitch before, where the motion between the views before and from `at` on is what
    another pitch feigns; None where it is the cameras'.

    A shift along the baseline must explain nearly all that the best motion does (`check_pitch_share`).
    A turn about the vertical looks much the same from afar: it must mean a change of pitch that no turn
    by a knock does (`check_pitch_large`), or one that plates do differ by and leave nothing to explain.
    """
    first, second = found.information[:at].sum(axis=0), found.information[at:].sum(axis=0)
    slope_1, slope_2 = found.gradient[:at].sum(axis=0), found.gradient[at:].sum(axis=0)
    both = np.linalg.solve(
        first + second + 1e-9 * np.eye(6), np.column_stack([second, slope_1 + slope_2])
    )
    m, right = second - second @ both[:, :6], slope_2 - second @ both[:, 6]
    whole = float(right @ np.linalg.solve(m + 1e-9 * np.eye(6), right))
    weight = float(found.along @ m @ found.along)
    amount = float(found.along @ right) / max(weight, 1e-300)
    feigned = amount * float(found.along @ right)
    # The baseline seems 1 + amount times as long as before: the plate is that much smaller.
    ratio = 1.0 / max(1.0 + amount, 0.1)
    if feigned < limit("check_pitch_share") * whole:
        return None
    if abs(ratio - 1.0) >= limit("check_pitch_large"):
        return ratio
    nothing_left = chi_to_sigmas(max(whole - feigned, 0.0), 5) < limit("recheck_sigmas")
    return ratio if nothing_left and abs(ratio - 1.0) >= limit("check_pitch_small") else None


def relation_checks(
    problem: Problem, fitted: Fit, variance: float, inflation: float, asides: Sequence[SetAside]
) -> tuple[Check, ...]:
    """Checks ``cameras steady``, ``same plate`` and ``shutters together``; `variance`: the variance
    factor each camera has by itself; `inflation`: what correlation adds to it (from the jackknife);
    `asides`: what was set aside and why."""
    inflation = min(inflation, limit("check_inflation"))
    own = {a.view_id for a in asides if not a.point_ids and a.reason in OWN_MISFIT}
    sound = np.array([view.view_id not in own for view in problem.views], dtype=bool)
    steady, together, same = None, None, None
    for camera in range(1, len(problem.cameras)):
        found = disagreement(fitted, camera, variance, sound)
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
        view = problem.views[int(found.views[at])]
        ratio = another_pitch(found, at) if is_knocked else None
        same = _worse(same, check_of(
            "same plate", "check_pitch_share",
            "one pitch" if ratio is None else f"pitch {100 * (ratio - 1):+.1f} % from view {view.view_id} on",
            ok=ratio is None, percent=100 * limit("check_pitch_share")))
        moved = is_knocked and ratio is None
        steady = _worse(steady, check_of(
            "cameras steady", "check_steady_sigmas",
            f"{_whose(problem.cameras, camera)} moved before view {view.view_id}" if moved else "steady",
            ok=not moved, stops=True, sigmas=limit("check_steady_sigmas")))
        allowed = limit("check_together_share")
        loose = float(np.mean(apart))
        together = _worse(together, check_of(
            "shutters together", "check_together_share", f"{100 * loose:.0f} %",
            ok=loose <= allowed or is_knocked, percent=100 * allowed))
    return tuple(c for c in (same, steady, together) if c is not None)


def _whose(cameras: tuple[str, ...], camera: int) -> str:
    """Of two cameras nobody can tell which one moved; of more, the one the others agree on."""
    return f"{cameras[0]} or {cameras[1]}" if len(cameras) == 2 else cameras[camera]


def _worse(so_far: Check | None, new: Check) -> Check:
    return new if so_far is None or (so_far.ok and not new.ok) else so_far
