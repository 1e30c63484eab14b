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

from .alone import best_split
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


def _wald(information: FloatArray, gradient: FloatArray) -> FloatArray:
    """Chi-squares (k,) of sums (k, 6, 6) and (k, 6): what one motion explains."""
    at = np.linalg.solve(information + 1e-9 * np.eye(6), gradient[:, :, None])[:, :, 0]
    return np.asarray(np.einsum("ki,ki->k", gradient, at))


def knocked(found: Disagreement) -> tuple[int, float, float]:
    """The split that explains most: index of the first view after it, sigmas, and the share of all
    disagreement that it explains."""
    each = _wald(found.information, found.gradient)
    whole = float(_wald(found.information.sum(axis=0)[None], found.gradient.sum(axis=0)[None])[0])
    at, best = best_split(found.information, found.gradient, 2, _wald)
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


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """What one camera's views say of it against the rig: where its relation changed (`view`, None: it
    did not), how surely, as another pitch (`ratio`) or a motion; the share of views with the plate
    moving between the cameras."""

    camera: int
    sigmas: float
    view: int | None
    ratio: float | None
    loose: float


def _finding(problem: Problem, camera: int, found: Disagreement, inflation: float) -> Finding:
    at, sigmas, share = knocked(replace(
        found, information=found.information / inflation, gradient=found.gradient / inflation))
    is_knocked = (
        sigmas > limit("check_steady_sigmas") and share > limit("check_steady_share")
        and max(float(np.median(part)) for part in (found.shift_px[:at], found.shift_px[at:]))
        > limit("check_steady_ratio") * found.noise_px
    )
    apart = found.shift_px > limit("check_together_ratio") * found.noise_px
    view = problem.views[int(found.views[at])].view_id if is_knocked else None
    ratio = another_pitch(found, at) if is_knocked else None
    return Finding(camera, sigmas, view, ratio, float(np.mean(apart)))


def relation_checks(
    problem: Problem, fitted: Fit, variance: float, inflation: float, asides: Sequence[SetAside]
) -> tuple[Check, ...]:
    """Checks ``cameras steady``, ``same plate`` and ``shutters together``; `variance`: the variance
    factor each camera has by itself; `inflation`: what correlation adds to it (from the jackknife);
    `asides`: what was set aside and why. Empty where too few views are shared."""
    inflation = min(inflation, limit("check_inflation"))
    own = {a.view_id for a in asides if not a.point_ids and a.reason in OWN_MISFIT}
    sound = np.array([view.view_id not in own for view in problem.views], dtype=bool)
    findings = []
    for camera in range(1, len(problem.cameras)):
        found = disagreement(fitted, camera, variance, sound)
        if found is not None:
            findings.append(_finding(problem, camera, found, inflation))
    if not findings:
        return ()
    changed = sorted((f for f in findings if f.view is not None), key=lambda f: -f.sigmas)
    pitch = next((f for f in changed if f.ratio is not None), None)
    moved = [f for f in changed if f.ratio is None]
    allowed, loosest = limit("check_together_share"), max(f.loose for f in findings)
    pitch_words = "one pitch" if pitch is None or pitch.ratio is None else (
        f"pitch {100 * (pitch.ratio - 1):+.1f} % from view {pitch.view} on")
    steady_words = "steady"
    if moved:
        steady_words = f"{_whose(problem.cameras, moved)} moved before view {moved[0].view}"
    return (
        check_of("same plate", "check_pitch_share", pitch_words, ok=pitch is None,
                 percent=100 * limit("check_pitch_share")),
        check_of("cameras steady", "check_steady_sigmas", steady_words, ok=not moved, stops=True,
                 sigmas=limit("check_steady_sigmas")),
        check_of("shutters together", "check_together_share", f"{100 * loosest:.0f} %",
                 ok=bool(changed) or loosest <= allowed, percent=100 * allowed),
    )


def _whose(cameras: tuple[str, ...], moved: Sequence[Finding]) -> str:
    """Which camera moved, surest first. Of two cameras nobody can tell; of more it is the one that stands
    out, and the first, which carries the rig, when all the others seem to have moved alike."""
    if len(cameras) == 2:
        return f"{cameras[0]} or {cameras[1]}"
    every = len(moved) == len(cameras) - 1
    alike = every and moved[-1].sigmas * limit("check_stands_out") > moved[0].sigmas
    return cameras[0] if alike else cameras[moved[0].camera]
