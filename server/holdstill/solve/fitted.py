"""How the points of a view lie beside a finished calibration: their numbers as the solve took them,
and their residuals, worked out anew from the estimate (an estimate in a journal carries none)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from holdstill.geometry.lens import project
from holdstill.geometry.poses import compose, pose_of, transform
from holdstill.records import Estimate, FloatArray, IntArray, Plate, Pose, View

from .known import beside, known_points_mm
from .start import homographies


def point_numbers(plate: Plate, estimate: Estimate, view: View, camera: str) -> IntArray:
    """Plate point of every point of a picture, int32 (n,), as the solve numbered it.

    The finder's own numbers, unless the solve shifted a lattice seen in part by whole pitches or
    turned a plate that looks the same upside down. Raises KeyError for a camera not in the view.
    """
    ids = view.sightings[camera].point_ids
    for view_id, columns, rows in estimate.lattice_shifts.get(camera, ()):
        if view_id == view.view_id:
            ids = ids + np.int32(rows * plate.columns + columns)
    turned = plate.turned_ids()
    if turned is not None and view.view_id in estimate.turned_view_ids.get(camera, ()):
        ids = turned[ids]
    return np.asarray(ids, dtype=np.int32)


def view_residuals(
    plate: Plate, estimate: Estimate, view: View, pose_rig_from_plate: Pose
) -> Mapping[str, FloatArray]:
    """Observed minus projected, px, float64 (n, 2) per camera, in the order of each sighting's points."""
    points = known_points_mm(plate, estimate)
    out = {}
    for camera in estimate.cameras:
        if camera.name not in view.sightings:
            continue
        seen = view.sightings[camera.name]
        at = points[point_numbers(plate, estimate, view, camera.name)]
        pose = compose(camera.pose_cam_from_rig, pose_rig_from_plate)
        out[camera.name] = seen.points_px - project(camera.lens, transform(pose, at))
    return out


def with_residuals(plate: Plate, estimate: Estimate, views: Sequence[View]) -> Estimate:
    """The estimate with every view's residuals there; those it carries already are left as they are."""
    by_id = {view.view_id: view for view in views}
    fits = []
    for fit in estimate.views:
        view = by_id.get(fit.view_id)
        if view is None or fit.residuals_px:
            fits.append(fit)
            continue
        fits.append(replace(fit, residuals_px=view_residuals(plate, estimate, view, fit.pose_rig_from_plate)))
    return replace(estimate, views=tuple(fits))


def without_residuals(estimate: Estimate) -> Estimate:
    """The estimate without residuals, as it is written down: they follow from the rest, and with
    every view's in every estimate a session would grow with the square of its views."""
    return replace(estimate, views=tuple(replace(fit, residuals_px={}) for fit in estimate.views))


def place_of(plate: Plate, estimate: Estimate, view: View) -> Pose | None:
    """Pose of the plate in the rig frame in any view, by the estimate or fitted beside it; None where
    no camera shows enough."""
    for fit in estimate.views:
        if fit.view_id == view.view_id:
            return fit.pose_rig_from_plate
    found = beside(plate, estimate, [view])
    if found is None:
        return None
    return pose_of(found.state.view_r[0], found.state.view_t[0])


def plane_map(first_px: FloatArray, second_px: FloatArray) -> FloatArray | None:
    """Homography (3, 3) that takes the plate's dots in one picture to the same dots in another; both
    (n, 2) px in the same order. None for fewer than four, or dots in a line. Lens distortion is left
    out: good to a few pixels, for showing the same place in both."""
    if len(first_px) < 4:
        return None
    spread = np.linalg.svd(first_px - first_px.mean(axis=0), compute_uv=False)
    if spread[1] < 1e-3 * max(float(spread[0]), 1e-9):
        return None
    found = homographies(first_px, second_px[None], np.ones((1, len(first_px))))[0]
    return found if np.isfinite(found).all() else None
