"""What a view of the plate adds to what is known of a rig, and what that means for a measurement.

The unknowns of a rig are the lens parameters of every camera, the poses of all cameras but the
first and, where it is solved along, the plate's shape.  They are kept in units of what is known
beforehand (``Unknowns.scales``), so that the information matrix is well conditioned and the prior
is the identity.

With A and B the sigma-weighted derivatives of a view's pixels by the rig's unknowns and by the
plate's pose, a view adds ``S = A'A - A'B (B'B)^-1 B'A``.  Information of views adds up.  Source:
the reduced normal equations (Schur complement) of bundle adjustment, D. C. Brown, RCA-MTP Data
Reduction Technical Report 43 (1958) (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Lens, Pose

from .lens import PARAMETERS, lens_parameters, project_with_jacobian
from .poses import matrices
from .rotations import turned_point_jacobian

FREE_ALWAYS = ("fx", "fy", "cx", "cy")
_SHARE_KNOWN = {"fx": 0.05, "fy": 0.05, "cx": 0.05, "cy": 0.05}
_EDGE_SHARE = {"k1": 0.1, "k2": 0.1, "k3": 0.1, "p1": 0.02, "p2": 0.02}
_EDGE_POWER = {"k1": 2, "k2": 4, "k3": 6, "p1": 1, "p2": 1}
_TURN_KNOWN_RAD = 0.05
_SHIFT_KNOWN = 0.05
_BENT_MM_PER_MM = 5e-4
_STRETCHED = 5e-4
_RIDGE = 1e-10

SHAPE_TERMS = ("bow_x", "bow_y", "twist", "wave_x", "wave_y", "aspect", "shear")


@dataclass(frozen=True, slots=True, eq=False)
class Cameras:
    """A rig's cameras as arrays, K of them.

    lenses float64 (K, 9) in the order of ``lens.PARAMETERS``; rotations (K, 3, 3) and translations
    (K, 3), mm, camera from rig; sizes_px float64 (K, 2), width and height.
    """

    names: tuple[str, ...]
    lenses: FloatArray
    rotations: FloatArray
    translations_mm: FloatArray
    sizes_px: FloatArray

    @classmethod
    def of(cls, names: Sequence[str], lenses: Sequence[Lens], poses_cam_from_rig: Sequence[Pose]) -> Cameras:
        """From records. Raises ValueError when a lens carries no picture size."""
        sizes = np.array([lens.size_px for lens in lenses], dtype=np.float64)
        if not (sizes > 0).all():
            raise ValueError("every lens must carry its picture size")
        turns = [matrices(pose) for pose in poses_cam_from_rig]
        return cls(
            tuple(names),
            np.stack([lens_parameters(lens) for lens in lenses]),
            np.stack([r for r, _ in turns]),
            np.stack([t for _, t in turns]),
            sizes,
        )

    @property
    def count(self) -> int:
        """How many cameras."""
        return len(self.names)

    def seen_from_rig(self, camera: int, points_rig_mm: FloatArray) -> FloatArray:
        """Points (..., 3) of the rig frame in a camera's frame (mm)."""
        return np.asarray(points_rig_mm @ self.rotations[camera].T + self.translations_mm[camera])

    def centres_mm(self) -> FloatArray:
        """Entrance pupils in the rig frame (K, 3), mm."""
        return np.asarray(-np.einsum("kji,kj->ki", self.rotations, self.translations_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """Which parameters of the rig are free, in which order, and in which units.

    Order: for each camera its free lens parameters, then for each camera but the first its turn
    (rad, left) and shift (mm), then the plate's shape terms.  `lens_columns`: positions in
    ``lens.PARAMETERS`` that are free.  `scales` float64 (P,): one unit of each column; also its
    standard deviation beforehand.  `shapes`: how many shape terms, 0 or 7.
    """

    lens_columns: NDArray[np.intp]
    cameras: int
    scales: FloatArray
    shapes: int = 0

    @property
    def count(self) -> int:
        """How many unknowns."""
        return len(self.scales)

    def lens_slice(self, camera: int) -> slice:
        """Columns of a camera's lens."""
        n = len(self.lens_columns)
        return slice(camera * n, (camera + 1) * n)

    def pose_slice(self, camera: int) -> slice:
        """Columns of a camera's pose; empty for the first camera."""
        start = self.cameras * len(self.lens_columns) + 6 * (camera - 1)
        return slice(start, start + 6) if camera > 0 else slice(0, 0)

    def columns_of(self, camera: int) -> NDArray[np.intp]:
        """All columns that a camera's pixels depend on: its lens, its pose, the plate's shape."""
        every = np.arange(self.count)
        parts = [self.lens_slice(camera), self.pose_slice(camera), self.shape_slice()]
        return np.concatenate([every[part] for part in parts])

    def shape_slice(self) -> slice:
        """Columns of the plate's shape; empty when it is taken as known."""
        return slice(self.count - self.shapes, self.count)


def unknowns(
    cameras: Cameras, stand_off_mm: float, lens_order: str = "k1 k2 k3 p1 p2", *, plate_mm: float = 0.0
) -> Unknowns:
    """The free parameters of a rig, in units of what is known of them beforehand.

    `lens_order`: the distortion terms in use, separated by blanks.  `plate_mm`: half the plate's
    longer side when its shape is unknown too, 0 when it is taken as flat and true.  Units: 5 % of the focal
    length; 5 % of the picture's size for its centre; per distortion term what bends the picture's
    corner by 10 % (tangential 2 %) of its distance from the centre; 0.05 rad and 5 % of the
    stand-off for a camera's pose; 0.5 mm per metre for the plate's bends and stretches.  (Chosen:
    generous for a rig described by its parts.)
    """
    free = (*FREE_ALWAYS, *lens_order.split())
    columns = np.array([i for i, name in enumerate(PARAMETERS) if name in free], dtype=np.intp)
    scales: list[float] = []
    for lens, size in zip(cameras.lenses, cameras.sizes_px, strict=True):
        edge = float(np.hypot(*size)) / 2.0 / float(lens[0])
        for column in columns:
            name = PARAMETERS[column]
            if name in _EDGE_SHARE:
                scales.append(_EDGE_SHARE[name] / edge ** _EDGE_POWER[name])
            else:
                base = {"fx": lens[0], "fy": lens[1], "cx": size[0], "cy": size[1]}[name]
                scales.append(_SHARE_KNOWN[name] * float(base))
    for _ in range(1, cameras.count):
        scales += [_TURN_KNOWN_RAD] * 3 + [_SHIFT_KNOWN * stand_off_mm] * 3
    bends = [_BENT_MM_PER_MM * plate_mm] * 5 + [_STRETCHED * plate_mm] * 2 if plate_mm > 0.0 else []
    return Unknowns(columns, cameras.count, np.array(scales + bends), len(bends))


def shape_columns(points_plate_mm: FloatArray, half_mm: float) -> FloatArray:
    """Displacements (D, 3, 7) of plate points, mm per mm of each of ``SHAPE_TERMS``.

    Out of plane the quadratic and two cubic polynomials over the plate, in plane aspect and shear;
    1 mm at a point `half_mm` from the middle along a side.  What a pose absorbs needs no removing.
    """
    middle = 0.5 * (points_plate_mm.min(axis=0) + points_plate_mm.max(axis=0))
    u, v = ((points_plate_mm - middle)[:, :2] / half_mm).T
    radius2 = u * u + v * v
    out = np.zeros((len(points_plate_mm), 3, len(SHAPE_TERMS)))
    out[:, 2, :5] = np.stack([u * u, v * v, u * v, u * radius2, v * radius2], axis=1)
    out[:, 0, 5], out[:, 1, 5] = 0.5 * u, -0.5 * v
    out[:, 0, 6], out[:, 1, 6] = 0.5 * v, 0.5 * u
    return out


def derivatives(
    cameras: Cameras, free: Unknowns, camera: int, points_rig_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels (n, 2) of one camera, and their derivatives by the rig's unknowns and by the point.

    By the unknowns (n, 2, L), by the point (n, 2, 3).  The L columns are those of ``lens_slice``
    followed by those of ``pose_slice``, scaled; the derivative by the point is px per mm in the
    rig frame.
    """
    seen = cameras.seen_from_rig(camera, points_rig_mm)
    pixels, by_lens, by_seen = project_with_jacobian(cameras.lenses[camera], seen)
    own = by_lens[:, :, free.lens_columns] * free.scales[free.lens_slice(camera)]
    if camera > 0:
        turned = seen - cameras.translations_mm[camera]
        by_pose = np.concatenate([by_seen @ turned_point_jacobian(turned), by_seen], axis=2)
        own = np.concatenate([own, by_pose * free.scales[free.pose_slice(camera)]], axis=2)
    return pixels, own, by_seen @ cameras.rotations[camera]


def view_information(
    cameras: Cameras,
    free: Unknowns,
    points_plate_mm: FloatArray,
    rotations: FloatArray,
    translations_mm: FloatArray,
    *,
    weights: FloatArray,
) -> FloatArray:
    """What views of the plate add to the information on the rig: float64 (C, P, P), scaled units.

    Parameters
    ----------
    points_plate_mm
        (D, 3) points in the plate frame (a few spread over the plate stand for all).
    rotations, translations_mm
        (C, 3, 3) and (C, 3): rig from plate, one per view.
    weights
        (C, K, D): 1/sigma^2 (px^-2) times the number of dots that the point stands for; 0 where
        the camera does not see it.

    A view seen by too few points to fix its pose adds what little it can; a view that nobody sees
    adds nothing.  Positive semi-definite always.
    """
    count, points = len(rotations), len(points_plate_mm)
    turned = np.einsum("cij,dj->cdi", rotations, points_plate_mm - points_plate_mm.mean(axis=0))
    in_rig = np.einsum("cij,dj->cdi", rotations, points_plate_mm) + translations_mm[:, None, :]
    reach_mm = float(np.ptp(points_plate_mm, axis=0).max()) / 2.0
    by_turn = turned_point_jacobian(turned.reshape(-1, 3))
    of_rig = np.zeros((count, free.count, free.count))
    bent = free.shape_slice()
    if free.shapes:
        half_mm = float(np.ptp(points_plate_mm, axis=0).max()) / 2.0
        bends = shape_columns(points_plate_mm, half_mm) * free.scales[bent]
        by_bend = (rotations[:, None] @ bends[None]).reshape(-1, 3, free.shapes)
    of_both = np.zeros((count, free.count, 6))
    of_pose = np.zeros((count, 6, 6))
    for camera in range(cameras.count):
        _, own, by_point = derivatives(cameras, free, camera, in_rig.reshape(-1, 3))
        by_plate = np.concatenate([by_point @ by_turn / reach_mm, by_point], axis=2)
        root = np.sqrt(weights[:, camera, :]).reshape(-1, 1, 1)
        parts = [own, by_point @ by_bend, by_plate] if free.shapes else [own, by_plate]
        joint = (np.concatenate(parts, axis=2) * root).reshape(count, points * 2, -1)
        gram = np.swapaxes(joint, 1, 2) @ joint
        columns = free.columns_of(camera)
        m = len(columns)
        of_rig[:, columns[:, None], columns[None, :]] += gram[:, :m, :m]
        of_both[:, columns] += gram[:, :m, m:]
        of_pose += gram[:, m:, m:]
    size = np.trace(of_pose, axis1=1, axis2=2)[:, None, None]
    of_pose += np.eye(6) * (_RIDGE * size + np.finfo(float).tiny ** 0.5)
    return np.asarray(of_rig - of_both @ np.linalg.solve(of_pose, np.swapaxes(of_both, 1, 2)))
