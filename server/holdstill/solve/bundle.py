"""The bundle adjustment: every camera's lens, the cameras' poses, the plate's shape and every
view's pose at once, from all points, each with its own weight.

A picture's residuals enter only through its Gram matrix over [lens 9 | camera pose 6 | plate
shape | residual]: a view's pose moves its pixels exactly as some motion of the camera would, so
its Jacobian is the camera pose's times a 6x6 matrix. View poses are eliminated one by one (Schur
complement), which also gives what each view alone says about the rig. Source: B. Triggs et al.,
Bundle Adjustment - A Modern Synthesis, LNCS 1883 (2000) 298-372, section 6 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry import rotation_matrix, skew
from holdstill.records import FloatArray

from .observations import BoolArray, Pictures

LENS = 9
POSE = 6


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where an adjustment stands.

    lenses (C, 9); camera poses from the rig: `cam_r` (C, 3, 3), `cam_t` (C, 3), the first one the
    identity; view poses ``rig from plate``: `view_r` (V, 3, 3), `view_t` (V, 3); `shape` (S,):
    amounts of the plate's shape terms, mm.
    """

    lenses: FloatArray
    cam_r: FloatArray
    cam_t: FloatArray
    view_r: FloatArray
    view_t: FloatArray
    shape: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Which parameters are free: `lens_free` bool (C, 9); `basis` (S, P, 3), mm of displacement of
    every plate point per unit of each shape term; camera poses, except the first camera's, unless
    `poses_free` is False. View poses are always free."""

    lens_free: BoolArray
    basis: FloatArray
    views: int
    poses_free: bool = True

    @property
    def shapes(self) -> int:
        """Number of shape terms."""
        return len(self.basis)

    @property
    def free(self) -> BoolArray:
        """Which of the full rig parameters are free, bool (9C + 6C + S,)."""
        cameras = len(self.lens_free)
        poses = np.full((cameras, POSE), self.poses_free)
        poses[0] = False
        return np.concatenate([self.lens_free.ravel(), poses.ravel(), np.ones(self.shapes, bool)])

    @property
    def rig_size(self) -> int:
        """Number of free rig parameters (plate shape included)."""
        return int(self.free.sum())


@dataclass(frozen=True, slots=True, eq=False)
class BundleNormals:
    """Normal equations view by view: `a` (V, p, p), `w` (V, p, 6), `b` (V, 6, 6), gradients `ga`
    (V, p), `gb` (V, 6); `residual` (G, 2, P) px, observed minus projected (0 where not used);
    `robust` (G, P): weight factor 0..1 of each point."""

    cost: float
    a: FloatArray
    w: FloatArray
    b: FloatArray
    ga: FloatArray
    gb: FloatArray
    residual: FloatArray
    robust: FloatArray

    def step(self, damping: float) -> tuple[FloatArray, float]:
        """Damped step: rig parameters first, then 6 per view. See ``descent.Normals``."""
        p = self.a.shape[1]
        b = self.b
        if damping > 0.0:
            b = b + damping * b * np.eye(POSE)
        y = np.linalg.solve(b, np.concatenate([np.swapaxes(self.w, 1, 2), self.gb[:, :, None]], 2))
        wy = self.w @ y
        a = self.a.sum(axis=0)
        reduced = a - wy[:, :, :p].sum(axis=0)
        right = self.ga.sum(axis=0) - wy[:, :, p].sum(axis=0)
        diagonal = np.diag(a)
        scale = 1.0 / np.sqrt(np.maximum(diagonal, 1e-300))
        unit = reduced * scale[:, None] * scale[None, :]
        unit[np.diag_indices(p)] += damping
        np.linalg.cholesky(unit)
        rig = scale * np.linalg.solve(unit, scale * right) if p else np.zeros(0)
        view = y[:, :, p] - y[:, :, :p] @ rig
        gradient = float(self.ga.sum(axis=0) @ rig + np.einsum("vi,vi->", self.gb, view))
        curve = float(rig @ a @ rig)
        curve += 2.0 * float(np.einsum("i,vij,vj->", rig, self.w, view))
        curve += float(np.einsum("vi,vij,vj->", view, self.b, view))
        return np.concatenate([rig, view.ravel()]), 2.0 * gradient - curve

    def view_information(self) -> tuple[FloatArray, FloatArray]:
        """What each view alone says about the rig: information `S` (V, p, p) and gradient (V, p),
        its own pose eliminated. They add up to the whole."""
        y = np.linalg.solve(
            self.b, np.concatenate([np.swapaxes(self.w, 1, 2), self.gb[:, :, None]], 2)
        )
        wy = self.w @ y
        p = self.a.shape[1]
        s = self.a - wy[:, :, :p]
        return 0.5 * (s + np.swapaxes(s, 1, 2)), self.ga - wy[:, :, p]


def _huber(norm2: FloatArray, threshold: float) -> tuple[FloatArray, FloatArray]:
    """Huber's cost and weight of squared, sigma-weighted residual lengths. Source: P. J. Huber,
    Ann. Math. Statist. 35 (1964) 73-101 (from memory)."""
    inside = norm2 <= threshold**2
    length = np.sqrt(np.where(inside, 1.0, norm2))
    cost = np.where(inside, norm2, 2.0 * threshold * length - threshold**2)
    return cost, np.where(inside, 1.0, threshold / length)


def project_pictures(pictures: Pictures, state: State, basis: FloatArray) -> tuple[FloatArray, ...]:
    """Camera-frame coordinates of all points of all pictures: x, y, z (G, P) each, and the
    rotations plate-to-camera (G, 3, 3) and camera poses (G, 3, 3), (G, 3), (G, 3)."""
    cam_r, cam_t = state.cam_r[pictures.camera], state.cam_t[pictures.camera]
    view_r, view_t = state.view_r[pictures.view], state.view_t[pictures.view]
    turn = cam_r @ view_r
    pivot = np.einsum("gij,gj->gi", cam_r, view_t)
    points = pictures.points_mm
    if len(basis):
        points = points + np.einsum("s,spi->pi", state.shape, basis)
    at = turn @ points.T + (pivot + cam_t)[:, :, None]
    return at[:, 0], at[:, 1], at[:, 2], turn, cam_r, cam_t, pivot


def evaluate(
    pictures: Pictures, state: State, layout: Layout, huber: float | None = None
) -> BundleNormals:
    """Normal equations at `state`. `huber`: threshold in sigmas, or None for plain least squares.

    The cost is ``inf`` when a used point falls behind its camera.
    """
    x_mm, y_mm, z_mm, turn, cam_r, cam_t, pivot = project_pictures(pictures, state, layout.basis)
    used = pictures.weight > 0.0
    behind = bool(np.any(z_mm[used] <= 0.0))
    iz = np.where(used & (z_mm > 0.0), 1.0, 0.0) / np.where(z_mm > 0.0, z_mm, 1.0)
    x, y = x_mm * iz, y_mm * iz
    gram, residual, robust, cost = _gram(
        pictures, state, layout, (x, y, iz), (x_mm, y_mm, z_mm), turn, cam_t, huber
    )
    if behind:
        cost = float("inf")
    return _assemble(pictures, layout, gram, (cam_r, pivot), residual, robust, cost)


def _gram(
    pictures: Pictures,
    state: State,
    layout: Layout,
    flat: tuple[FloatArray, FloatArray, FloatArray],
    at_mm: tuple[FloatArray, FloatArray, FloatArray],
    turn: FloatArray,
    cam_t: FloatArray,
    huber: float | None,
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Gram matrices (G, K, K) over [lens | camera pose | shape | residual], and the residuals."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = np.moveaxis(state.lenses[pictures.camera], 1, 0)[..., None]
    x, y, iz = flat
    count, points = x.shape
    shapes = layout.shapes
    size = LENS + POSE + shapes + 1
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    r4 = r2 * r2
    r6 = r4 * r2
    radial = 1.0 + k1 * r2 + k2 * r4 + k3 * r6
    slope = 2.0 * (k1 + 2.0 * k2 * r2 + 3.0 * k3 * r4)
    skew_x, skew_y = r2 + 2.0 * x2, r2 + 2.0 * y2
    xd = x * radial + 2.0 * p1 * xy + p2 * skew_x
    yd = y * radial + p1 * skew_y + 2.0 * p2 * xy
    weight = pictures.weight
    residual = np.empty((count, 2, points))
    np.subtract(pictures.pixels[:, :, 0], fx * xd + cx, out=residual[:, 0])
    np.subtract(pictures.pixels[:, :, 1], fy * yd + cy, out=residual[:, 1])
    residual *= (weight > 0.0)[:, None]
    norm2 = (residual[:, 0] ** 2 + residual[:, 1] ** 2) * weight**2
    if huber is None:
        robust, cost = np.ones_like(weight), float(norm2.sum())
    else:
        each, robust = _huber(norm2, huber)
        cost = float(each.sum())
        weight = weight * np.sqrt(robust)
    wfx, wfy = weight * fx, weight * fy

    j = np.zeros((count, size, 2, points))
    j[:, 0, 0], j[:, 1, 1] = weight * xd, weight * yd
    j[:, 2, 0] = j[:, 3, 1] = weight
    bx, by = wfx * x, wfy * y
    for row, power in ((4, r2), (5, r4), (8, r6)):
        np.multiply(bx, power, out=j[:, row, 0])
        np.multiply(by, power, out=j[:, row, 1])
    j[:, 6, 0], j[:, 6, 1] = wfx * (2.0 * xy), wfy * skew_y
    j[:, 7, 0], j[:, 7, 1] = wfx * skew_x, wfy * (2.0 * xy)
    cross = xy * slope + 2.0 * (p1 * x + p2 * y)
    xx, yy = wfx * iz, wfy * iz
    tx = j[:, 12:15]
    tx[:, 0, 0] = xx * (radial + x2 * slope + 2.0 * p1 * y + 6.0 * p2 * x)
    tx[:, 1, 0], tx[:, 0, 1] = xx * cross, yy * cross
    tx[:, 1, 1] = yy * (radial + y2 * slope + 6.0 * p1 * y + 2.0 * p2 * x)
    tx[:, 2] = -(tx[:, 0] * x[:, None] + tx[:, 1] * y[:, None])
    ax = (at_mm[0] - cam_t[:, :1])[:, None]
    ay = (at_mm[1] - cam_t[:, 1:2])[:, None]
    az = (at_mm[2] - cam_t[:, 2:])[:, None]
    j[:, 9] = ay * tx[:, 2] - az * tx[:, 1]
    j[:, 10] = az * tx[:, 0] - ax * tx[:, 2]
    j[:, 11] = ax * tx[:, 1] - ay * tx[:, 0]
    for s in range(shapes):
        moved = turn @ layout.basis[s].T
        j[:, LENS + POSE + s] = np.einsum("gip,gixp->gxp", moved, tx)
    np.multiply(residual, weight[:, None], out=j[:, -1])
    rows = j.reshape(count, size, 2 * points)
    return rows @ np.swapaxes(rows, 1, 2), residual, robust, cost


def _assemble(
    pictures: Pictures,
    layout: Layout,
    gram: FloatArray,
    poses: tuple[FloatArray, FloatArray],
    residual: FloatArray,
    robust: FloatArray,
    cost: float,
) -> BundleNormals:
    cam_r, pivot = poses
    cameras, views = len(layout.lens_free), layout.views
    shapes = layout.shapes
    full = cameras * (LENS + POSE) + shapes
    last = gram.shape[1] - 1
    chain = np.zeros((len(gram), POSE, POSE))
    chain[:, :3, :3] = chain[:, 3:, 3:] = cam_r
    chain[:, 3:, :3] = skew(pivot) @ cam_r
    to_view = gram[:, :, LENS : LENS + POSE] @ chain
    own = np.swapaxes(chain, 1, 2) @ to_view[:, LENS : LENS + POSE]
    b, gb = np.zeros((views, POSE, POSE)), np.zeros((views, POSE))
    a, ga = np.zeros((views, full, full)), np.zeros((views, full))
    w = np.zeros((views, full, POSE))
    for camera in range(cameras):
        mine = np.flatnonzero(pictures.camera == camera)
        at = pictures.view[mine]
        lens = np.arange(LENS * camera, LENS * (camera + 1))
        pose = LENS * cameras + np.arange(POSE * camera, POSE * (camera + 1))
        shape = (LENS + POSE) * cameras + np.arange(shapes)
        place = np.concatenate([lens, pose, shape])
        b[at] += own[mine]
        gb[at] += to_view[mine, last]
        a[at[:, None, None], place[:, None], place[None, :]] += gram[mine, :last, :last]
        ga[at[:, None], place] += gram[mine, :last, last]
        w[at[:, None], place] += to_view[mine, :last]
    free = np.flatnonzero(layout.free)
    return BundleNormals(
        cost, a[:, free[:, None], free[None, :]], w[:, free], b, ga[:, free], gb, residual, robust
    )


def move(state: State, change: FloatArray, layout: Layout) -> State:
    """The state after a step: rotations turn by left perturbations, the rest adds."""
    cameras, views = len(layout.lens_free), layout.views
    full = np.zeros(cameras * (LENS + POSE) + layout.shapes)
    size = layout.rig_size
    full[layout.free] = change[:size]
    lens = full[: LENS * cameras].reshape(cameras, LENS)
    pose = full[LENS * cameras : (LENS + POSE) * cameras].reshape(cameras, POSE)
    view = change[size:].reshape(views, POSE)
    return replace(
        state,
        lenses=state.lenses + lens,
        cam_r=rotation_matrix(pose[:, :3]) @ state.cam_r,
        cam_t=state.cam_t + pose[:, 3:],
        view_r=rotation_matrix(view[:, :3]) @ state.view_r,
        view_t=state.view_t + view[:, 3:],
        shape=state.shape + full[(LENS + POSE) * cameras :],
    )
