"""The state a joint adjustment starts from: cold from nothing, or warm from the last estimate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry.lens import lens_parameters
from holdstill.geometry.poses import matrices
from holdstill.geometry.rotations import rotation_matrix
from holdstill.records import Estimate, FloatArray, Nothing

from .bundle import State
from .mono import HUBER, solve_mono
from .observations import BoolArray, Pictures, turned
from .pairing import MonoPoses, mirrored_camera, relate
from .prepare import Problem
from .start import resected


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """Start of the joint adjustment: `pictures` with the numbering made consistent, `state`,
    `turned` bool (C, V), and the steps taken so far."""

    pictures: Pictures
    state: State
    turned: BoolArray
    steps: int


def open_cold(problem: Problem) -> Opened | Nothing:
    """Solve every camera by itself, then relate them.

    ``Nothing``: ``"no convergence"`` (names the camera), ``"no shared view"``.
    """
    lenses, r, t, steps = [], [], [], 0
    pictures = problem.pictures
    seen = np.zeros((pictures.cameras, pictures.views), dtype=bool)
    for camera, name in enumerate(problem.cameras):
        own = pictures.of_camera(camera)
        order = "k1 k2 p1 p2" if own.views >= 6 else "k1"
        mono = solve_mono(
            own, problem.sizes_px[camera], problem.focal_hint_px(camera), order,
            huber=HUBER, tolerance=3.0,
        )
        if isinstance(mono, Nothing):
            return Nothing(mono.why, {**mono.numbers, "camera": name})
        lenses.append(mono.lens)
        steps += mono.steps
        at = pictures.view[pictures.camera == camera]
        seen[camera, at] = True
        full_r, full_t = np.tile(np.eye(3), (pictures.views, 1, 1)), np.zeros((pictures.views, 3))
        full_r[at], full_t[at] = mono.view_r, mono.view_t
        r.append(full_r)
        t.append(full_t)
    return _joined(problem, np.array(lenses), seen, np.array(r), np.array(t), steps)


def _joined(
    problem: Problem, lenses: FloatArray, seen: BoolArray, r: FloatArray, t: FloatArray, steps: int
) -> Opened | Nothing:
    points = problem.pictures.points_mm
    poses = MonoPoses(
        seen, r, t, points.mean(axis=0), float(np.linalg.norm(points - points.mean(axis=0), axis=1).max())
    )
    swapped = mirrored_camera(poses, problem.ambiguous, problem.plate.size_mm()[0])
    if swapped is not None:
        return Nothing("mirrored", {"camera": problem.cameras[swapped]})
    related = relate(poses, problem.ambiguous, problem.nominal_poses())
    if isinstance(related, Nothing):
        return Nothing(related.why, {"camera": problem.cameras[int(related.numbers["camera"])]})
    pictures = problem.pictures
    ids = problem.plate.turned_ids()
    if ids is not None and related.turned.any():
        pictures = turned(pictures, related.turned[pictures.camera, pictures.view], ids)
    first = np.argmax(seen, axis=0)
    views = np.arange(pictures.views)
    half = np.where(related.turned[first, views][:, None, None], np.diag([-1.0, -1.0, 1.0]), np.eye(3))
    own_r = r[first, views] @ half
    own_t = t[first, views] + np.where(
        related.turned[first, views][:, None], 2.0 * (r[first, views] @ poses.centre_mm), 0.0
    )
    back = np.swapaxes(related.cam_r[first], 1, 2)
    view_r = back @ own_r
    view_t = np.einsum("vij,vj->vi", back, own_t - related.cam_t[first])
    state = State(lenses, related.cam_r, related.cam_t, view_r, view_t, np.zeros(0))
    return Opened(pictures, state, related.turned, steps)


def open_warm(problem: Problem, start: Estimate) -> Opened | Nothing:
    """Begin where the last estimate ended; views it does not know are placed by the known lens.

    Falls back to a cold start (``Nothing("cameras differ")``) when its cameras are others.
    """
    if tuple(camera.name for camera in start.cameras) != problem.cameras or any(
        camera.lens.size_px != size for camera, size in zip(start.cameras, problem.sizes_px, strict=True)
    ):
        return Nothing("cameras differ", {})
    known = {fit.view_id: fit.pose_rig_from_plate for fit in start.views}
    used = set(start.used_view_ids)
    lenses = np.array([lens_parameters(camera.lens) for camera in start.cameras])
    cam = [matrices(camera.pose_cam_from_rig) for camera in start.cameras]
    cam_r, cam_t = np.array([c[0] for c in cam]), np.array([c[1] for c in cam])
    pictures, count = problem.pictures, len(problem.views)
    was_turned = np.zeros((pictures.cameras, count), dtype=bool)
    view_r, view_t = np.tile(np.eye(3), (count, 1, 1)), np.zeros((count, 3))
    fresh = np.ones(count, dtype=bool)
    for index, view in enumerate(problem.views):
        for camera, name in enumerate(problem.cameras):
            was_turned[camera, index] = view.view_id in start.turned_view_ids.get(name, ())
        fresh[index] = view.view_id not in known or view.view_id not in used
    old = [known[view.view_id].arrays() for view, new in zip(problem.views, fresh, strict=True) if not new]
    if old:
        view_r[~fresh] = rotation_matrix(np.array([turn for turn, _ in old]))
        view_t[~fresh] = np.array([shift for _, shift in old])
    state = State(lenses, cam_r, cam_t, view_r, view_t, np.zeros(0))
    ids = problem.plate.turned_ids()
    if fresh.any():
        state, was_turned = _place_fresh(problem, state, fresh, was_turned)
    if ids is not None and was_turned.any():
        pictures = turned(pictures, was_turned[pictures.camera, pictures.view], ids)
    return Opened(pictures, state, was_turned, 0)


def _place_fresh(
    problem: Problem, state: State, fresh: BoolArray, was_turned: BoolArray
) -> tuple[State, BoolArray]:
    """Place new views by each camera alone, choosing the numbering that agrees with the rig."""
    pictures = problem.pictures
    view_r, view_t = state.view_r.copy(), state.view_t.copy()
    placed = ~fresh
    turns = was_turned.copy()
    for camera in range(pictures.cameras):
        mine = (pictures.camera == camera) & fresh[pictures.view]
        # A view that has its place is looked at again only for its numbering.
        settled = placed & ~problem.ambiguous.any(axis=0)
        turns[camera, pictures.view[mine & settled[pictures.view]]] = False
        mine &= ~settled[pictures.view]
        if not mine.any():
            continue
        own = pictures.only(mine)
        alone = replace(
            own, camera=np.zeros(len(own.camera), dtype=np.int32),
            view=np.arange(len(own.camera), dtype=np.int32), cameras=1, views=len(own.camera),
        )
        # A rough place is enough: the joint adjustment walks on from it.
        steps = 1 if placed[own.view].all() else 4
        found, _ = resected(alone, state.lenses[camera], huber=HUBER, steps=steps)
        back = state.cam_r[camera].T
        for index, view in enumerate(own.view):
            r = back @ found.view_r[index]
            t = back @ (found.view_t[index] - state.cam_t[camera])
            if not placed[view]:
                view_r[view], view_t[view], placed[view] = r, t, True
                turns[camera, view] = False
            else:
                same = float(np.trace(view_r[view].T @ r))
                other = float(np.trace(view_r[view].T @ r @ np.diag([-1.0, -1.0, 1.0])))
                turns[camera, view] = bool(problem.ambiguous[:, view].any() and other > same)
    return replace(state, view_r=view_r, view_t=view_t), turns
