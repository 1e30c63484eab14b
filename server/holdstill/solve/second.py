"""A second plate through a finished calibration: its pitch as measured, against its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.geometry.rotations import rotation_matrix
from holdstill.geometry.two_view import triangulate
from holdstill.limits import limit
from holdstill.records import Estimate, FloatArray, IntArray, Lens, Nothing, Plate, Pose, View
from holdstill.records.second import SecondPlate

from .live import FEWEST, agree
from .observations import BoolArray, gather
from .plausible import check_of
from .proof import length_errors, length_pairs

STEPS = 8
BLOCKS = 2
"""The plate is cut into 2 x 2 blocks, left out in turn."""


@dataclass(frozen=True, slots=True, eq=False)
class _Scaled:
    """One shot: log of measured over own size, its sigma, points used, errors of known lengths (um)."""

    name: str
    log_scale: float
    sigma: float
    points: int
    errors_um: FloatArray


def measure_second(
    second: Plate, plate: Plate, estimate: Estimate, views: Sequence[View]
) -> SecondPlate | Nothing:
    """How `second`'s pitch comes out through a calibration made with `plate`: an independent check of scale.

    `views`: shots of the second plate alone. Its points are triangulated through the stored lenses and
    poses, and its own points laid on them by the similarity that fits best, each weighted by its
    covariance (seven-parameter transformation; any text on photogrammetry). The uncertainty of one shot
    is the larger of the normal matrix's and that of leaving out quarters of the plate in turn (delete-block
    jackknife, Kuensch, Annals of Statistics 17 (1989) 1217-1241, from memory), since errors of
    neighbouring dots go together; between shots it is no smaller than their scatter says. The
    calibration's own length error is added, its plate's shape and pitch are not in it. Says nothing of
    a second plate that is bent, or printed with unlike pitches both ways, beyond the lengths' errors.

    ``Nothing``: ``one camera``, ``no shared shot`` (no shot in which two cameras see enough of it), ``not
    this plate`` (the points found don't lie as its own do). Raises ValueError when `second` tells no
    uncertainty of its pitch.
    """
    if second.pitch_sigma_mm is None:
        raise ValueError("the second plate's pitch needs an uncertainty")
    if len(estimate.cameras) < 2:
        return Nothing("one camera")
    names = {c.name for c in estimate.cameras}
    shots, misfits = [], 0
    for view in views:
        seen = {n: s for n, s in view.sightings.items() if n in names and len(s.point_ids) >= FEWEST}
        if len(seen) < 2:
            continue
        found = _shot(second, estimate, View(view.view_id, view.name, view.taken_at_ms,
                                             dict(agree(seen, second, estimate))))
        if isinstance(found, _Scaled):
            shots.append(found)
        else:
            misfits += found.why == "not this plate"
    if not shots:
        return Nothing("not this plate" if misfits else "no shared shot")
    return _together(second, plate, estimate, shots)


def _shot(second: Plate, estimate: Estimate, view: View) -> _Scaled | Nothing:
    lenses, poses, pixels, sigmas = _seen(second, estimate, view)
    at, spread = triangulate(lenses, poses, pixels, sigmas)
    good: BoolArray = np.asarray(np.isfinite(at).all(axis=1) & np.isfinite(spread).all(axis=(1, 2)))
    if good.sum() < limit("solve_fewest_points"):
        return Nothing("no shared shot")
    own = second.points_mm()
    fit = _similarity(own, at, spread, good)
    # a misread dot must not decide: those far outside the others' scatter are left out, once
    squares = _squares(own, at, spread, fit)
    usual = float(np.median(squares[good]))
    good = good & np.asarray(squares <= limit("proof_point_sigmas") ** 2 * max(1.0, usual))
    fit = _similarity(own, at, spread, good)
    apart = at[good] - _laid(own[good], fit)
    too_far = limit("second_misfit_share") * second.pitch_mm
    if good.sum() < limit("solve_fewest_points") or np.sqrt((apart**2).sum(axis=1).mean()) > too_far:
        return Nothing("not this plate")
    sigma = max(_formal(own, at, spread, good, fit), _by_blocks(second, at, spread, good, fit))
    errors, _ = length_errors(np.where(good[:, None], at, np.nan), spread, own, length_pairs(second))
    return _Scaled(view.name, fit[0], sigma, int(good.sum()), errors)


def _seen(
    second: Plate, estimate: Estimate, view: View
) -> tuple[list[Lens], list[Pose], list[FloatArray], list[FloatArray]]:
    """Lens, pose, pixels (P, 2) with NaN where not seen, and sigmas (P,) of each camera that saw it."""
    pictures = gather(second, [view], [c.name for c in estimate.cameras])
    cameras = [estimate.cameras[int(c)] for c in pictures.camera]
    used = pictures.weight > 0.0
    pixels = [np.where(u[:, None], p, np.nan) for u, p in zip(used, pictures.pixels, strict=True)]
    sigmas = [1.0 / np.where(u, w, 1.0) for u, w in zip(used, pictures.weight, strict=True)]
    return [c.lens for c in cameras], [c.pose_cam_from_rig for c in cameras], pixels, sigmas


_Fit = tuple[float, FloatArray, FloatArray]
"""Log of the scale, rotation (3, 3), translation (3,): X = exp(log_scale) R x + t."""


def _laid(own: FloatArray, fit: _Fit) -> FloatArray:
    log_scale, rotation, shift = fit
    return np.asarray(np.exp(log_scale) * own @ rotation.T + shift)


def _squares(own: FloatArray, at: FloatArray, spread: FloatArray, fit: _Fit) -> FloatArray:
    """Squared distance of each point from its place, in its own sigmas, a third of it; inf where none."""
    out = np.full(len(at), np.inf)
    there = np.isfinite(at).all(axis=1) & np.isfinite(spread).all(axis=(1, 2))
    apart = (at - _laid(own, fit))[there]
    out[there] = np.einsum("ni,ni->n", apart, np.linalg.solve(spread[there], apart[..., None])[..., 0]) / 3.0
    return out


def _start(own: FloatArray, at: FloatArray) -> _Fit:
    """Unweighted similarity in closed form (Umeyama, PAMI 13 (1991) 376-380, from memory)."""
    a, b = own - own.mean(axis=0), at - at.mean(axis=0)
    left, _, right = np.linalg.svd(b.T @ a)
    flip = np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))])
    rotation = left @ flip @ right
    scale = max(float((b * (a @ rotation.T)).sum() / (a**2).sum()), 1e-6)
    return float(np.log(scale)), rotation, at.mean(axis=0) - scale * rotation @ own.mean(axis=0)


def _normal(
    own: FloatArray, at: FloatArray, spread: FloatArray, fit: _Fit
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Normal matrices (n, 7, 7) and right sides (n, 7) of each point, and the points' residuals (n, 3);
    unknowns: log scale, turn (left, about the plate's place), shift."""
    arm = _laid(own, fit) - fit[2]
    apart = at - arm - fit[2]
    by = np.zeros((len(own), 3, 7))
    by[:, :, 0] = arm
    by[:, 0, 2], by[:, 0, 3] = arm[:, 2], -arm[:, 1]
    by[:, 1, 1], by[:, 1, 3] = -arm[:, 2], arm[:, 0]
    by[:, 2, 1], by[:, 2, 2] = arm[:, 1], -arm[:, 0]
    by[:, :, 4:] = np.eye(3)
    weighted = np.linalg.solve(spread, by)
    return np.einsum("nik,nil->nkl", by, weighted), np.einsum("nik,ni->nk", weighted, apart), apart


def _similarity(own: FloatArray, at: FloatArray, spread: FloatArray, good: BoolArray) -> _Fit:
    """The similarity that brings `own` to `at`, weighted by each point's covariance."""
    own, at, spread = own[good], at[good], spread[good]
    fit = _start(own, at)
    for _ in range(STEPS):
        normal, right, _ = _normal(own, at, spread, fit)
        step = np.linalg.solve(normal.sum(axis=0), right.sum(axis=0))
        fit = fit[0] + float(step[0]), rotation_matrix(step[1:4]) @ fit[1], fit[2] + step[4:]
    return fit


def _formal(own: FloatArray, at: FloatArray, spread: FloatArray, good: BoolArray, fit: _Fit) -> float:
    """Sigma of the log scale by the normal matrix, scatter beyond the points' own sigmas included."""
    normal, _, _ = _normal(own[good], at[good], spread[good], fit)
    variance = float(_squares(own, at, spread, fit)[good].mean())
    return float(np.sqrt(np.linalg.inv(normal.sum(axis=0))[0, 0] * max(1.0, variance)))


def _by_blocks(second: Plate, at: FloatArray, spread: FloatArray, good: BoolArray, fit: _Fit) -> float:
    """The same by leaving out blocks of the plate in turn, one step each from the full solution."""
    row, column = np.divmod(np.flatnonzero(good), second.columns)
    block = _block(row) * BLOCKS + _block(column)
    normal, right, _ = _normal(second.points_mm()[good], at[good], spread[good], fit)
    whole, drive = normal.sum(axis=0), right.sum(axis=0)
    steps = []
    for number in np.unique(block):
        out = block == number
        if (~out).sum() >= FEWEST:
            rest = whole - normal[out].sum(axis=0), drive - right[out].sum(axis=0)
            steps.append(float(np.linalg.solve(*rest)[0]))
    if len(steps) < 2:
        return 0.0
    count = len(steps)
    return float(np.sqrt((count - 1) / count * ((np.array(steps) - np.mean(steps)) ** 2).sum()))


def _block(index: IntArray) -> IntArray:
    low, high = int(index.min()), int(index.max())
    return np.asarray((index - low) * BLOCKS // (high - low + 1))


def _together(second: Plate, plate: Plate, estimate: Estimate, shots: list[_Scaled]) -> SecondPlate:
    """All shots: their weighted mean, its uncertainty, and the check."""
    logs, sigmas = np.array([s.log_scale for s in shots]), np.array([s.sigma for s in shots])
    weight = 1.0 / sigmas**2
    mean = float((weight * logs).sum() / weight.sum())
    scatter = float(np.std(logs, ddof=1) / np.sqrt(len(logs))) if len(logs) > 1 else 0.0
    by_dots = max(float(1.0 / np.sqrt(weight.sum())), scatter)
    share = float(np.expm1(mean))
    measured = float(np.hypot(by_dots, _calibration_share(estimate)))
    own = (second.pitch_sigma_mm or 0.0) / second.pitch_mm
    known = float(np.hypot(measured, own))
    first = (plate.pitch_sigma_mm or 0.0) / plate.pitch_mm
    allowed = limit("check_second_sigmas") * float(np.hypot(known, first))
    check = check_of("second plate", "check_second_sigmas", f"{100 * share:+.3f} %", ok=abs(share) <= allowed,
                     stops=True, pitch_mm=second.pitch_mm, percent=100 * allowed)
    errors = np.concatenate([s.errors_um for s in shots])
    none = len(errors) == 0
    return SecondPlate(
        tuple(s.name for s in shots), sum(s.points for s in shots), second.pitch_mm,
        second.pitch_sigma_mm or 0.0, second.pitch_mm * (1.0 + share), second.pitch_mm * measured,
        share, known, float(np.hypot(*second.size_mm())), len(errors),
        0.0 if none else float(np.abs(errors).max()), 0.0 if none else float(np.sqrt(np.mean(errors**2))),
        check,
    )


def _calibration_share(estimate: Estimate) -> float:
    """What the calibration itself leaves open of a length, as a share of it."""
    for q in estimate.quantities:
        if q.name == "length_um" and q.gauge_mm:
            return q.value / (1000.0 * q.gauge_mm)
    return 0.0
