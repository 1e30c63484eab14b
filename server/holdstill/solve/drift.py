"""The recheck: have the cameras moved since the calibration, by how much, and does it matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry.poses import matrices, pose_of
from holdstill.geometry.rotations import rotation_matrix, rotation_vector
from holdstill.limits import limit
from holdstill.records import DriftResult, Estimate, FloatArray, Lens, Nothing, Plate, Pose, Rig, View

from .bundle import Layout, State, evaluate, move
from .known import Beside, beside
from .mono import HUBER, adjust
from .observations import BoolArray
from .volume import goals, image_scale_um_per_px, measuring_volume, quantity_rows


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """A change that would explain later views: what changes, its amounts, how surely; `feigned`: share
    of what it explains that a plate of another pitch explains as well."""

    what: str
    camera: int
    amounts: FloatArray
    explained: float
    sigmas: float
    feigned: float = 0.0


def recheck(plate: Plate, rig: Rig, estimate: Estimate, views: Sequence[View]) -> DriftResult | Nothing:
    """Compare later views with the calibration.

    Every camera is tried in turn: would a small motion of it explain the later views better than
    chance, counting the calibration's own covariance (enlarged by what the jackknife says) and the
    later views' noise? With two cameras a plate held by hand shows only that they moved against
    each other; a plate that stands where a kept view saw it (clamped, or the last pose before) tells
    which. A lens that changed (focus touched) is tried too. `matters`: some quantity would be off by
    more than its goal. `refit`: the moved camera's new pose from the rig, lens as it was.

    Pictures of another size than the calibration's have moved and matter: another binning or window.
    One camera: only a changed lens shows. Significance is in normal sigmas of the chi-square test.
    ``Nothing("no views")`` when no later view shows enough of the plate.
    """
    other = _other_size(estimate, views)
    if other is not None:
        return other
    found = beside(plate, estimate, views)
    if found is None:
        return Nothing("no views", {"views": len(views)})
    larger = max(inflation(estimate), _between_inflation(estimate))
    changes = [_lens_change(found, estimate, c, larger) for c in range(len(found.names))]
    tried = [_camera_move(found, estimate, c, larger) for c in range(len(found.names))]
    moves = [m for m in tried if m is not None] if len(found.names) > 1 else []
    moved_by = max(moves, key=lambda m: m.explained, default=None)
    lens_by = max(changes, key=lambda m: m.explained)
    if moved_by is None and lens_by.sigmas <= limit("recheck_sigmas"):
        return _result(rig, found, estimate, lens_by, moved=False)
    if moved_by is None or lens_by.explained > 1.5 * moved_by.explained + 20.0:
        return _result(rig, found, estimate, lens_by, moved=lens_by.sigmas > limit("recheck_sigmas"))
    if len(found.names) == 2:
        moved_by = _whose(found, estimate, moved_by)
    return _result(rig, found, estimate, moved_by, moved=moved_by.sigmas > limit("recheck_sigmas"))


def _other_size(estimate: Estimate, views: Sequence[View]) -> DriftResult | None:
    for view in views:
        for camera in estimate.cameras:
            seen = view.sightings.get(camera.name)
            if seen is not None and seen.image_size_px != camera.lens.size_px:
                got, wanted = (f"{w} x {h}" for w, h in (seen.image_size_px, camera.lens.size_px))
                return DriftResult(
                    True, True, camera.name, 0.0, 0.0, float("inf"), ("picture size",), None,
                    {"camera": camera.name, "got": got, "wanted": wanted},
                )
    return None


def inflation(estimate: Estimate) -> float:
    """How much larger the jackknife says the variance is than the covariance, at least one."""
    ratios = [
        q.by_jackknife / q.by_covariance
        for q in estimate.quantities if q.by_jackknife is not None and q.by_covariance > 0.0
    ]
    return float(max(1.0, np.median(ratios)) ** 2) if ratios else 1.0


def _between_inflation(estimate: Estimate) -> float:
    """The same for what stands between the cameras: dots that err together in a picture feign a motion
    of its camera before they feign anything else."""
    for q in estimate.quantities:
        if q.name == "epipolar_px" and q.by_jackknife is not None and q.by_covariance > 0.0:
            return float(max(1.0, q.by_jackknife / q.by_covariance) ** 2)
    return 1.0


def chi_to_sigmas(chi2: float, degrees: int) -> float:
    """A chi-square value as normal sigmas; 0 when it is no larger than expected.

    Source: E. B. Wilson & M. M. Hilferty, PNAS 17 (1931) 684-688 (from memory).
    """
    spread = 2.0 / (9.0 * degrees)
    return float(max(0.0, ((max(chi2, 0.0) / degrees) ** (1.0 / 3.0) - (1.0 - spread)) / np.sqrt(spread)))


def _columns(found: Beside, camera: int, *, lens: bool) -> FloatArray:
    """Columns (p, k) of the estimate's parameters that a change of one camera moves.

    A move of the first camera, which carries the rig frame, is the opposite move of all others.
    """
    layout = found.layout(lens=True)
    free = layout.free
    cameras = len(found.names)
    full = np.zeros((len(free), 9 if lens else 6))
    if lens:
        full[9 * camera : 9 * camera + 9] = np.eye(9)
        keep = found.lens_free[camera]
        return np.asarray(full[free][:, keep])
    start = 9 * cameras
    if camera > 0:
        full[start + 6 * camera : start + 6 * camera + 6] = np.eye(6)
    else:
        for other in range(1, cameras):
            rotation = found.state.cam_r[other]
            block = np.zeros((6, 6))
            block[:3, :3] = block[3:, 3:] = -rotation
            full[start + 6 * other : start + 6 * other + 6] = block
    return np.asarray(full[free])


def _test(
    found: Beside, estimate: Estimate, state: State, columns: FloatArray, inflation: float
) -> tuple[FloatArray, FloatArray]:
    """Best amounts of a change and their information, the calibration's own uncertainty counted.

    Model: the later views' gradient is ``S (e + E d)`` with e the calibration's error (covariance
    C) and d the change; e is eliminated.
    """
    layout = found.layout(lens=True)
    normals = evaluate(found.pictures, state, layout, HUBER)
    each, gradient = normals.view_information()
    scale = estimate.sigma0**2 * inflation
    s, g = each.sum(axis=0) / scale, gradient.sum(axis=0) / scale
    prior = np.linalg.inv(estimate.covariance * inflation)
    inner = s + prior
    es, eg = columns.T @ s, columns.T @ g
    information = es @ columns - es @ np.linalg.solve(inner, es.T)
    right = eg - es @ np.linalg.solve(inner, g)
    ridge = 1e-12 * np.diag(np.diag(information))
    return np.linalg.solve(information + ridge, right), information


def _lens_change(found: Beside, estimate: Estimate, camera: int, inflation: float) -> Change:
    columns = _columns(found, camera, lens=True)
    amounts, information = _test(found, estimate, found.state, columns, inflation)
    chi2 = float(amounts @ information @ amounts)
    return Change("lens", camera, amounts, chi2, chi_to_sigmas(chi2, len(amounts)))


def _camera_move(found: Beside, estimate: Estimate, camera: int, inflation: float) -> Change | None:
    """A camera's motion: refitted in full, then judged about the refit."""
    shared = np.bincount(found.pictures.view, minlength=found.pictures.views)
    if shared.max(initial=0) < 2:
        return None
    layout = Layout(
        np.zeros_like(found.lens_free), np.zeros((0, len(found.pictures.points_mm), 3)), found.pictures.views
    )
    if len(found.names) > 2:
        columns = _columns(found, camera, lens=False)
        amounts, information = _test(found, estimate, found.state, columns, inflation)
        return _judged(camera, amounts, information, None)
    walk = adjust(found.pictures, found.state, layout, huber=HUBER)
    if not np.isfinite(walk.normals.cost):
        return None
    columns = _columns(found, 1, lens=False)
    more, information = _test(found, estimate, walk.state, columns, inflation)
    r, t = walk.state.cam_r[1], walk.state.cam_t[1]
    turn = rotation_vector(r @ found.state.cam_r[1].T)
    amounts = np.concatenate([turn, t - found.state.cam_t[1]]) + more
    return _judged(1, amounts, information, found.state.cam_t[1])


def _judged(camera: int, amounts: FloatArray, information: FloatArray, base: FloatArray | None) -> Change:
    """`base`: the baseline (3,), along which another pitch feigns a shift; None: not looked at."""
    chi2 = float(amounts @ information @ amounts)
    feigned = 0.0
    if base is not None and chi2 > 0.0:
        along = np.concatenate([np.zeros(3), base])
        feigned = float(along @ information @ amounts) ** 2 / float(along @ information @ along) / chi2
    return Change("pose", camera, amounts, chi2, chi_to_sigmas(chi2, 6), feigned)


def _whose(found: Beside, estimate: Estimate, change: Change) -> Change:
    """With two cameras: which of them still sees the plate where a kept view saw it.

    -1 as the camera when neither picture repeats a kept view.
    """
    still = np.zeros(2, dtype=bool)
    for fit in estimate.views:
        r, t = matrices(fit.pose_rig_from_plate)
        at = replace(
            found.state,
            view_r=np.repeat(r[None], found.pictures.views, axis=0),
            view_t=np.repeat(t[None], found.pictures.views, axis=0),
        )
        layout = Layout(np.zeros_like(found.lens_free), found.layout(lens=False).basis,
                        found.pictures.views, poses_free=False)
        residual = evaluate(found.pictures, at, layout).residual
        used: BoolArray = found.pictures.weight > 0.0
        for g in range(len(used)):
            rms = float(np.sqrt((residual[g] ** 2).sum(axis=0)[used[g]].mean()))
            if rms < limit("recheck_still_ratio") * estimate.rms_px:
                still[found.pictures.camera[g]] = True
    if still[0] != still[1]:
        return replace(change, camera=1 if still[0] else 0)
    return replace(change, camera=-1)


def _result(rig: Rig, found: Beside, estimate: Estimate, change: Change, *, moved: bool) -> DriftResult:
    free = found.layout(lens=True).free
    camera = max(change.camera, 0) if change.what == "lens" else change.camera
    if change.what == "lens":
        columns = _columns(found, camera, lens=True)
    else:
        columns = _columns(found, 1 if len(found.names) == 2 else camera, lens=False)
    delta = columns @ change.amounts
    full = np.zeros(len(free))
    full[free] = delta
    shift = _shift_px(found, full)
    worst, over = _harm(rig, found, full)
    if change.what == "lens":
        turn, refit = 0.0, None
    else:
        turn = float(np.degrees(np.linalg.norm(change.amounts[:3])))
        refit = _refit(found, change) if moved else None
    reasons = []
    if moved:
        if change.what == "lens":
            reasons.append("lens changed")
        elif _is_pitch(found, change):
            reasons.append("another pitch")
        elif change.camera < 0:
            reasons.append("cameras moved against each other")
        else:
            reasons.append("camera moved")
        reasons.append(f"{worst} over goal" if over else "within goals")
    else:
        reasons.append("unmoved")
    name = found.names[change.camera] if moved and change.camera >= 0 else None
    return DriftResult(moved, moved and over, name, shift, turn, change.sigmas, tuple(reasons), refit)


def _is_pitch(found: Beside, change: Change) -> bool:
    """Whether a motion is a shift along the baseline and large enough to be another plate's."""
    base = found.state.cam_t[1]
    share = abs(float(change.amounts[3:] @ base)) / float(base @ base)
    return change.feigned > limit("check_pitch_share") and share > limit("check_pitch_large")


def _refit(found: Beside, change: Change) -> Pose | None:
    """New pose (camera from rig) of the camera that moved, or of the second against the first."""
    camera = change.camera if len(found.names) > 2 else 1
    if camera == 0:
        return None
    turn = rotation_matrix(change.amounts[:3])
    return pose_of(turn @ found.state.cam_r[camera], found.state.cam_t[camera] + change.amounts[3:])


def _shift_px(found: Beside, full: FloatArray) -> float:
    """rms shift (px) of the picture points of the later views that the change means."""
    cameras = len(found.names)
    state = found.state
    layout = Layout(np.ones((cameras, 9), dtype=bool), found.layout(lens=False).basis, found.pictures.views)
    change = np.concatenate([full[layout.free[: len(full)]], np.zeros(6 * found.pictures.views)])
    moved = move(state, change, layout)
    still = Layout(np.zeros((cameras, 9), dtype=bool), layout.basis, layout.views, poses_free=False)
    before = evaluate(found.pictures, state, still).residual
    after = evaluate(found.pictures, moved, still).residual
    used = found.pictures.weight > 0.0
    squares = ((after - before) ** 2).sum(axis=1)
    each = [
        float(np.sqrt(squares[(found.pictures.camera == c)][used[found.pictures.camera == c]].mean()))
        for c in range(cameras) if used[found.pictures.camera == c].any()
    ]
    return max(each, default=0.0)


def _harm(rig: Rig, found: Beside, full: FloatArray) -> tuple[str, bool]:
    points = found.pictures.points_mm
    at = found.state.view_r @ points.T + found.state.view_t[:, :, None]
    return harm_of(rig, found.lenses, found.poses, np.swapaxes(at, 1, 2).reshape(-1, 3), full)


def harm_of(
    rig: Rig, lenses: Sequence[Lens], poses: Sequence[Pose], seen_mm: FloatArray, full: FloatArray
) -> tuple[str, bool]:
    """The quantity that a change of the rig puts off most against its goal, and whether by more than that.

    `full` (15 C,): the change, over all parameters; `seen_mm` (n, 3): where things were seen, rig frame.
    """
    volume = measuring_volume(rig, poses, seen_mm)
    wanted = goals(rig, image_scale_um_per_px(lenses, poses, volume.centre_mm))
    shares = {
        q.name: float(np.sqrt(np.mean(((q.rows @ full) ** 2).sum(axis=1)))) / wanted.of(q.name)
        for q in quantity_rows(lenses, poses, volume)
    }
    worst = max(shares, key=lambda name: shares[name])
    return worst, shares[worst] > 1.0
