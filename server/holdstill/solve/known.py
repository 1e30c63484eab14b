"""Later views beside a finished calibration: their points as arrays, numbering agreed, poses fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry.lens import PARAMETERS, lens_parameters
from holdstill.geometry.poses import matrices
from holdstill.records import Estimate, FloatArray, Lens, Plate, Pose, View

from .bundle import Layout, State, evaluate
from .live import agree
from .mono import HUBER
from .observations import BoolArray, Pictures, gather
from .plate_shape import shape_basis
from .start import resected, settle


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """Views beside a calibration. `pictures` over the estimate's cameras; `state` with the rig as
    solved and every view's pose fitted; `lens_free` bool (C, 9); `residual` (G, 2, P) px."""

    names: tuple[str, ...]
    lenses: tuple[Lens, ...]
    poses: tuple[Pose, ...]
    views: tuple[View, ...]
    pictures: Pictures
    state: State
    lens_free: BoolArray
    residual: FloatArray

    def layout(self, *, lens: bool) -> Layout:
        """The estimate's own parameters (`lens` True), or the camera poses alone."""
        none = np.zeros((0, len(self.pictures.points_mm), 3))
        return Layout(self.lens_free if lens else np.zeros_like(self.lens_free), none, self.pictures.views)


def known_points_mm(plate: Plate, estimate: Estimate) -> FloatArray:
    """The plate's points (P, 3) with the shape solved along, mm."""
    points = plate.points_mm()
    if estimate.plate_shape is None or not estimate.plate_shape.terms:
        return points
    terms = np.array(estimate.plate_shape.terms)
    return np.asarray(points + np.einsum("s,spi->pi", terms, shape_basis(plate)))


def beside(plate: Plate, estimate: Estimate, views: Sequence[View]) -> Beside | None:
    """Views with at least one usable picture beside an estimate; None when there are none."""
    names = tuple(c.name for c in estimate.cameras)
    usable = []
    for view in views:
        seen = {n: s for n, s in view.sightings.items() if n in names and len(s.point_ids) >= 6}
        if seen:
            usable.append(replace(view, sightings=dict(agree(seen, plate, estimate))))
    if not usable:
        return None
    pictures = gather(plate, usable, names)
    pictures = replace(pictures, points_mm=known_points_mm(plate, estimate))
    lenses = np.array([lens_parameters(c.lens) for c in estimate.cameras])
    cam = [matrices(c.pose_cam_from_rig) for c in estimate.cameras]
    state = State(
        lenses, np.array([c[0] for c in cam]), np.array([c[1] for c in cam]),
        np.tile(np.eye(3), (len(usable), 1, 1)), np.zeros((len(usable), 3)), np.zeros(0),
    )
    state = placed(pictures, state)
    free = np.array([
        [f"{name}.{parameter}" in estimate.parameter_names for parameter in PARAMETERS] for name in names
    ])
    none = np.zeros((0, len(pictures.points_mm), 3))
    state, _ = settle(pictures, state, none, huber=HUBER, steps=20)
    layout = Layout(np.zeros_like(free), none, len(usable), poses_free=False)
    residual = evaluate(pictures, state, layout).residual
    return Beside(
        names, tuple(c.lens for c in estimate.cameras),
        tuple(c.pose_cam_from_rig for c in estimate.cameras), tuple(usable), pictures, state, free, residual,
    )


def placed(pictures: Pictures, state: State) -> State:
    """Every view's pose from the camera that sees most points of it, rig as in `state`."""
    count = (pictures.weight > 0).sum(axis=1)
    view_r, view_t = state.view_r.copy(), state.view_t.copy()
    best = np.zeros(pictures.views, dtype=int)
    for camera in range(pictures.cameras):
        mine = np.flatnonzero(pictures.camera == camera)
        if len(mine) == 0:
            continue
        own = pictures.of_camera(camera)
        found, _ = resected(own, state.lenses[camera], huber=HUBER)
        back = state.cam_r[camera].T
        for index, g in enumerate(mine):
            view = int(pictures.view[g])
            if count[g] > best[view]:
                best[view] = count[g]
                view_r[view] = back @ found.view_r[index]
                view_t[view] = back @ (found.view_t[index] - state.cam_t[camera])
    return replace(state, view_r=view_r, view_t=view_t)


def pictures_of_view(pictures: Pictures, view: int) -> dict[int, int]:
    """Rows of one view's pictures by camera index."""
    return {int(pictures.camera[g]): int(g) for g in np.flatnonzero(pictures.view == view)}


