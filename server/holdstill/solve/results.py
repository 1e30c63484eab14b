"""From a finished fit to the records the other rooms read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holdstill.geometry.lens import PARAMETERS, lens_of
from holdstill.geometry.poses import compose, invert, pose_of
from holdstill.geometry.quantities import POSE_PARAMETERS
from holdstill.geometry.rotations import rotation_vector
from holdstill.geometry.two_view import baseline_mm, epipolar_px, stereo_angle_deg
from holdstill.records import (
    CameraEstimate,
    Estimate,
    FloatArray,
    Lens,
    PairEstimate,
    Plate,
    Pose,
    Rig,
    SetAside,
    ViewFit,
)

from .alone import Alone, alone
from .bundle import Layout, residuals
from .causes import traced
from .descent import covariance
from .drift import inflation
from .fitting import Fit
from .mono import rms_px
from .observations import BoolArray
from .plate_shape import plate_shape, shape_basis
from .plausible import plausibility
from .prepare import Problem
from .relation import relation_checks
from .start import settle
from .steady import lens_checks
from .volume import (
    goals,
    image_scale_um_per_px,
    measuring_volume,
    quantities,
    quantity_rows,
    weights_matrix,
)


def estimate_of(problem: Problem, fitted: Fit) -> Estimate:
    """The `Estimate` of a fit. Raises ``numpy.linalg.LinAlgError`` when something is undetermined."""
    size = fitted.layout.rig_size - len(fitted.shape_terms)
    variance = fitted.sigma0**2
    information, gradient = fitted.normals.view_information()
    with_shape = covariance(information.sum(axis=0), variance)
    rig_covariance = with_shape[:size, :size]
    lenses = [
        lens_of(fitted.state.lenses[c], problem.sizes_px[c]) for c in range(len(problem.cameras))
    ]
    poses = [
        pose_of(fitted.state.cam_r[c], fitted.state.cam_t[c]) for c in range(len(problem.cameras))
    ]
    free = fitted.layout.free[: 15 * len(problem.cameras)]
    volume = measuring_volume(problem.rig, poses, seen_points_mm(fitted))
    wanted = goals(problem.rig, image_scale_um_per_px(lenses, poses, volume.centre_mm))
    rows = quantity_rows(lenses, poses, volume)
    jack = jackknife(information, gradient)
    jack = None if jack is None else jack[:size, :size]
    weights = weights_matrix(rows, wanted, free)
    names = _names(problem.cameras, fitted.layout)
    residual = _residuals(fitted)
    fits = view_fits(problem, fitted, weights, residual)
    shape = None
    if fitted.shape_terms:
        terms = np.zeros(7)
        terms[list(fitted.shape_terms)] = fitted.state.shape
        spread = np.zeros((7, 7))
        spread[np.ix_(fitted.shape_terms, fitted.shape_terms)] = with_shape[size:, size:]
        shape = plate_shape(problem.plate, shape_basis(problem.plate), terms, spread)
    used_weight = fitted.used.weight
    monos = [alone(fitted, c) for c in range(len(problem.cameras))]
    found = Estimate(
        rms_px=rms_px(residual, used_weight),
        cameras=_cameras(problem, fitted, lenses, poses, rig_covariance, residual, monos),
        pairs=_pairs(problem, fitted, lenses, poses),
        views=fits,
        set_aside=problem.set_aside + _set_aside(problem, fitted, residual),
        quantities=quantities(rows, wanted, free, rig_covariance, jack, _richer(fitted, free)),
        used_view_ids=tuple(problem.views[v].view_id for v in fitted.views),
        parameter_names=names,
        covariance=rig_covariance,
        information=np.asarray(np.linalg.inv(rig_covariance), dtype=np.float64),
        sigma0=fitted.sigma0,
        lens_order=fitted.order,
        lens_reason=fitted.order_reason,
        plate_shape=shape,
        iterations=fitted.steps,
        costs=fitted.costs,
        engine="holdstill bundle adjustment",
        turned_view_ids={
            name: tuple(
                view.view_id for v, view in enumerate(problem.views) if fitted.turned[c, v]
            )
            for c, name in enumerate(problem.cameras) if fitted.turned[c].any()
        },
        weights=weights,
        scale_verified=_has_length(problem.rig, problem.plate),
    )
    checks = plausibility(problem.plate, problem.rig, found, problem.views)
    if len(problem.cameras) > 1:
        variance = float(np.median([m.variance for m in monos if m is not None] or [fitted.sigma0**2]))
        relation = relation_checks(problem, fitted, variance, inflation(found), found.set_aside)
        if not all(c.ok for c in relation):
            # Cameras that disagree give no baseline worth comparing with a tape.
            checks = tuple(c for c in checks if c.name != "baseline")
        checks = relation + checks
    checks = lens_checks(problem, fitted, monos, inflation(found), found.set_aside) + checks
    return replace(found, checks=checks)


def jackknife(information: FloatArray, gradient: FloatArray) -> FloatArray | None:
    """Delete-one-view covariance (p, p) of the rig's parameters, by one step per view; None when
    some view can't be missed.

    ``d_i = -(N - S_i)^-1 g_i``, covariance ``(n-1)/n sum d_i d_i'``. Holds when dots' errors
    correlate within a view, which the normal matrix's covariance does not. Sources: B. Efron & C.
    Stein, Ann. Statist. 9 (1981) 586-596; the one-step form: R. D. Cook & S. Weisberg (1982)
    section 3.4 (from memory).
    """
    total = information.sum(axis=0)
    count = len(information)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(total), 1e-300))
    unit = (total[None] - information) * scale[:, None] * scale[None, :]
    if count < 3:
        return None
    try:
        np.linalg.cholesky(unit - 1e-12 * np.eye(len(scale)))
    except np.linalg.LinAlgError:
        return None
    steps = -np.linalg.solve(unit, (gradient * scale)[:, :, None])[:, :, 0] * scale
    return np.asarray((count - 1) / count * steps.T @ steps)


def _richer(fitted: Fit, free: BoolArray) -> tuple[FloatArray, BoolArray] | None:
    """Covariance with every lens term free, and which of the full rig parameters it is over; None where
    the fit left none out, or the views can't tell them at all."""
    information, mask = fitted.everything
    if np.array_equal(mask, free):
        return None
    try:
        return covariance(information, fitted.sigma0**2), mask
    except np.linalg.LinAlgError:
        return None


def _has_length(rig: Rig, plate: Plate) -> bool:
    return any(v is not None for v in (rig.tape_baseline_mm, rig.gauge_mm, plate.pitch_sigma_mm))


def seen_points_mm(fitted: Fit) -> FloatArray:
    """All plate points seen and used, rig frame, float64 (n, 3)."""
    used = fitted.used
    points = used.points_mm
    at = fitted.state.view_r[used.view] @ points.T + fitted.state.view_t[used.view][:, :, None]
    return np.swapaxes(at, 1, 2)[used.weight > 0.0]


def _names(cameras: tuple[str, ...], layout: Layout) -> tuple[str, ...]:
    lens = [f"{name}.{parameter}" for name in cameras for parameter in PARAMETERS]
    pose = [f"{name}.{parameter}" for name in cameras for parameter in POSE_PARAMETERS]
    free = layout.free[: 15 * len(cameras)]
    return tuple(n for n, keep in zip(lens + pose, free, strict=True) if keep)


def _residuals(fitted: Fit) -> FloatArray:
    """Residuals (G, 2, P) of all pictures' points, set-aside ones included."""
    return residuals(fitted.pictures, fitted.state, fitted.layout.basis)


def view_fits(
    problem: Problem, fitted: Fit, weights: FloatArray, residual: FloatArray
) -> tuple[ViewFit, ...]:
    """How each view fits, those set aside included (their pose fitted to the finished rig)."""
    pictures = fitted.pictures
    kept = np.zeros(pictures.views, dtype=bool)
    kept[fitted.views] = True
    state = fitted.state
    if not kept.all():
        others, _ = settle(pictures, state, fitted.layout.basis, huber=2.0)
        state = replace(
            state,
            view_r=np.where(kept[:, None, None], state.view_r, others.view_r),
            view_t=np.where(kept[:, None], state.view_t, others.view_t),
        )
        residual = residuals(pictures, state, fitted.layout.basis)
    gains = _gains(fitted, weights)
    ids = problem.plate.turned_ids()
    turns = rotation_vector(state.view_r)
    rows_of: list[list[int]] = [[] for _ in problem.views]
    for g, v in enumerate(pictures.view):
        rows_of[v].append(g)
    used: BoolArray = np.asarray(fitted.used.weight > 0.0)
    some = np.asarray(used.any(axis=1))
    shown = np.where(some[:, None], used, pictures.weight > 0.0)
    squares = np.where(shown, (residual**2).sum(axis=1), 0.0).sum(axis=1)
    rms_of = np.sqrt(squares / np.maximum(shown.sum(axis=1), 1))
    out = []
    for v, view in enumerate(problem.views):
        rms, left = {}, {}
        for g in rows_of[v]:
            name = problem.cameras[pictures.camera[g]]
            row = residual[g].T
            rms[name] = float(rms_of[g])
            if ids is not None and fitted.turned[pictures.camera[g], v]:
                row = row[ids]
            left[name] = row[view.sightings[name].point_ids]
        out.append(
            ViewFit(view.view_id, Pose.of(turns[v], state.view_t[v]), rms, left, gains.get(v))
        )
    return tuple(out)


def _gains(fitted: Fit, weights: FloatArray) -> dict[int, float]:
    """Share of the weighted uncertainty ``tr(M C)`` each view took off when it came, by view index."""
    information, _ = fitted.normals.view_information()
    size = information.shape[1]
    wanted = np.zeros((size, size))
    wanted[: len(weights), : len(weights)] = weights
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information.sum(axis=0)), 1e-300))
    unit = information * scale[:, None] * scale[None, :]
    wanted = wanted * scale[:, None] * scale[None, :]
    so_far = np.cumsum(unit, axis=0)
    first = next((i for i in range(len(so_far)) if _determined(so_far[i])), len(so_far))
    left = (np.linalg.inv(so_far[first:]) * wanted).sum(axis=(1, 2))
    return {
        int(view): float(1.0 - left[i + 1] / left[i]) for i, view in enumerate(fitted.views[first + 1 :])
    }


def _determined(unit: FloatArray) -> bool:
    try:
        np.linalg.cholesky(unit - 1e-11 * np.eye(len(unit)))
    except np.linalg.LinAlgError:
        return False
    return True


def _cameras(
    problem: Problem, fitted: Fit, lenses: list[Lens], poses: list[Pose], spread: FloatArray,
    residual: FloatArray, monos: list[Alone | None],
) -> tuple[CameraEstimate, ...]:
    out = []
    sigmas = np.sqrt(np.diag(spread))
    at = 0
    for c, name in enumerate(problem.cameras):
        mask, own = fitted.layout.lens_free[c], monos[c]
        count = int(mask.sum())
        mine = fitted.used.camera == c
        weight = fitted.used.weight[mine]
        out.append(
            CameraEstimate(
                name, lenses[c], poses[c], rms_px(residual[mine], weight),
                int((weight > 0).sum()),
                tuple(n for n, keep in zip(PARAMETERS, mask, strict=True) if keep),
                tuple(float(s) for s in sigmas[at : at + count]),
                None if own is None else own.rms_px,
            )
        )
        at += count
    return tuple(out)


def _pairs(
    problem: Problem, fitted: Fit, lenses: list[Lens], poses: list[Pose]
) -> tuple[PairEstimate, ...]:
    out = []
    for b in range(1, len(problem.cameras)):
        pose = compose(poses[b], invert(poses[b - 1]))
        distances = pair_distances(fitted, lenses, pose, b - 1, b)
        rms = float(np.sqrt(np.nanmean(distances**2))) if len(distances) else 0.0
        out.append(
            PairEstimate(
                (problem.cameras[b - 1], problem.cameras[b]), pose, stereo_angle_deg(pose),
                baseline_mm(pose), rms,
            )
        )
    return tuple(out)


def pair_distances(fitted: Fit, lenses: list[Lens], pose: Pose, a: int, b: int) -> FloatArray:
    """Epipolar distances (px) of all used points that both cameras see."""
    used = fitted.used
    of_a = {int(v): g for g, v in enumerate(used.view) if used.camera[g] == a}
    rows = [(of_a[int(v)], g) for g, v in enumerate(used.view) if used.camera[g] == b and int(v) in of_a]
    if not rows:
        return np.zeros(0)
    first, second = np.array(rows).T
    both: BoolArray = (used.weight[first] > 0) & (used.weight[second] > 0)
    return epipolar_px(lenses[a], lenses[b], pose, used.pixels[first][both], used.pixels[second][both])


def _set_aside(problem: Problem, fitted: Fit, residual: FloatArray) -> tuple[SetAside, ...]:
    return traced(problem, fitted.pictures, fitted.used, fitted.state, residual, fitted.turned)
