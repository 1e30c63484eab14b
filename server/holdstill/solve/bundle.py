"""The bundle adjustment: every camera's lens, the cameras' poses, the plate's shape and every
view's pose at once, from all points, each with its own weight.

A picture's residuals enter only through its Gram matrix over [lens 9 | camera pose 6 | plate
shape | residual]: a view's pose moves its pixels exactly as some motion of the camera would, so
its Jacobian is the camera pose's times a 6x6 matrix. View poses are eliminated one by one (Schur
complement), which also gives what each view alone says about the rig. Source: B. Triggs et al.,
Bundle Adjustment - A Modern Synthesis, LNCS 1883 (2000) 298-372, section 6 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from holdstill.geometry import rotation_matrix, skew
from holdstill.records import FloatArray

from .kernel import grams
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
    free: BoolArray = field(init=False, repr=False)
    """Which of the full rig parameters are free, bool (9C + 6C + S,)."""
    rig_size: int = field(init=False, repr=False)
    """Number of free rig parameters (plate shape included)."""

    def __post_init__(self) -> None:
        """Worked out once: the descent asks at every step."""
        cameras = len(self.lens_free)
        poses = np.full((cameras, POSE), self.poses_free)
        poses[0] = False
        free = np.concatenate([self.lens_free.ravel(), poses.ravel(), np.ones(self.shapes, bool)])
        object.__setattr__(self, "free", free)
        object.__setattr__(self, "rig_size", int(free.sum()))

    @property
    def shapes(self) -> int:
        """Number of shape terms."""
        return len(self.basis)

    @property
    def poses_only(self) -> bool:
        """Whether nothing but poses is free."""
        return self.shapes == 0 and not bool(self.lens_free.any())


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

    @property
    def information(self) -> FloatArray:
        """Diagonal of the whole normal matrix. See ``descent.Normals``."""
        own = np.diagonal(self.b, axis1=1, axis2=2).ravel()
        return np.concatenate([np.einsum("vii->i", self.a), own])

    def step(self, damping: float, held: FloatArray) -> tuple[FloatArray, float]:
        """Damped step: rig parameters first, then 6 per view. See ``descent.Normals``."""
        p = self.a.shape[1]
        b = self.b
        if damping > 0.0:
            b = b + damping * held[p:].reshape(-1, POSE, 1) * np.eye(POSE)
        y = np.linalg.solve(b, np.concatenate([np.swapaxes(self.w, 1, 2), self.gb[:, :, None]], 2))
        wy = self.w @ y
        a = self.a.sum(axis=0)
        reduced = a - wy[:, :, :p].sum(axis=0)
        right = self.ga.sum(axis=0) - wy[:, :, p].sum(axis=0)
        diagonal = np.diag(a)
        scale = 1.0 / np.sqrt(np.maximum(diagonal, 1e-300))
        unit = reduced * scale[:, None] * scale[None, :]
        unit[np.diag_indices(p)] += damping * scale**2 * held[:p]
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
        ridge = 1e-14 * self.b * np.eye(POSE) + 1e-300 * np.eye(POSE)
        y = np.linalg.solve(
            self.b + ridge, np.concatenate([np.swapaxes(self.w, 1, 2), self.gb[:, :, None]], 2)
        )
        wy = self.w @ y
        p = self.a.shape[1]
        s = self.a - wy[:, :, :p]
        return 0.5 * (s + np.swapaxes(s, 1, 2)), self.ga - wy[:, :, p]


def places(
    pictures: Pictures, state: State, basis: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Plate points with their shape (P, 3); per picture: plate-to-camera turn (G, 3, 3), the plate
    origin's place as turned into the camera (G, 3), the camera's own turn and shift."""
    cam_r, cam_t = state.cam_r[pictures.camera], state.cam_t[pictures.camera]
    view_r, view_t = state.view_r[pictures.view], state.view_t[pictures.view]
    points = pictures.points_mm
    if len(basis):
        points = points + np.einsum("s,spi->pi", state.shape, basis)
    return points, cam_r @ view_r, (cam_r @ view_t[:, :, None])[:, :, 0], cam_r, cam_t


def evaluate(
    pictures: Pictures, state: State, layout: Layout, huber: float | None = None
) -> BundleNormals:
    """Normal equations at `state`. `huber`: threshold in sigmas (P. J. Huber, Ann. Math. Statist. 35
    (1964) 73-101, from memory), or None for plain least squares.

    The cost is ``inf`` when a used point falls behind its camera.
    """
    points, turn, pivot, cam_r, cam_t = places(pictures, state, layout.basis)
    gram, residual, robust, cost, behind = grams(
        pictures.pixels, pictures.weight, points, state.lenses[pictures.camera], turn, pivot, cam_t,
        layout.basis, huber or 0.0, LENS if layout.poses_only else 0,
    )
    return _assemble(
        pictures, layout, gram, (cam_r, pivot), residual, robust, float("inf") if behind else cost
    )


def residuals(pictures: Pictures, state: State, basis: FloatArray) -> FloatArray:
    """Observed minus projected, px (G, 2, P); 0 where a picture has no such point."""
    points, turn, pivot, _, cam_t = places(pictures, state, basis)
    lens = state.lenses[pictures.camera]
    none = np.zeros((0, len(points), 3))
    return grams(pictures.pixels, pictures.weight, points, lens, turn, pivot, cam_t, none, 0.0, 15)[1]


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
    last = gram.shape[1] - 1
    chain = np.zeros((len(gram), POSE, POSE))
    chain[:, :3, :3] = chain[:, 3:, 3:] = cam_r
    chain[:, 3:, :3] = skew(pivot) @ cam_r
    to_view = gram[:, :, LENS : LENS + POSE] @ chain
    own = np.swapaxes(chain, 1, 2) @ to_view[:, LENS : LENS + POSE]
    b, gb = np.zeros((views, POSE, POSE)), np.zeros((views, POSE))
    if layout.rig_size == 0:
        # Only the views are free (places fitted to a known rig): nothing else is needed.
        np.add.at(b, pictures.view, own)
        np.add.at(gb, pictures.view, to_view[:, last])
        none = np.zeros((views, 0, 0))
        return BundleNormals(
            cost, none, np.zeros((views, 0, POSE)), b, np.zeros((views, 0)), gb, residual, robust
        )
    size, free = layout.rig_size, layout.free
    number = np.cumsum(free) - 1
    a, ga = np.zeros((views, size, size)), np.zeros((views, size))
    w = np.zeros((views, size, POSE))
    shape = (LENS + POSE) * cameras + np.arange(shapes)
    for camera in range(cameras):
        mine = np.flatnonzero(pictures.camera == camera)
        at = pictures.view[mine]
        lens = np.arange(LENS * camera, LENS * (camera + 1))
        pose = LENS * cameras + np.arange(POSE * camera, POSE * (camera + 1))
        place = np.concatenate([lens, pose, shape])
        row = np.flatnonzero(free[place])
        to = number[place[row]]
        b[at] += own[mine]
        gb[at] += to_view[mine, last]
        block = gram[mine[:, None, None], row[:, None], row[None, :]]
        a[at[:, None, None], to[:, None], to[None, :]] += block
        ga[at[:, None], to] += gram[mine[:, None], row, last]
        w[at[:, None], to] += to_view[mine[:, None], row]
    return BundleNormals(cost, a, w, b, ga, gb, residual, robust)


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
