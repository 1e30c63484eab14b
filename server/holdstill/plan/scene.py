"""The bench as the planner sees it: cameras, the middle of their field, the plate, what is focused.

Bench frame: origin where the axes cross (the middle of what is looked at), z along the mean line
of sight, x right and y down as the cameras see it, mm.  Leans, places and reaches are told in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from holdstill.geometry import lens_of, lens_parameters, matrices, pose_of, project
from holdstill.geometry.information import Cameras, Unknowns, unknowns, view_information
from holdstill.geometry.nominal import (
    PLATE_SHARE,
    described,
    nominal_lenses,
    nominal_poses_cam_from_rig,
    nominal_stand_off_mm,
)
from holdstill.geometry.quantities import Volume
from holdstill.limits import limit
from holdstill.records import Estimate, FloatArray, Plate, PlateKind, Pose, Rig

from .stakes import goals, quantity_matrices, weighted

LENS_ORDER = "k1 k2 k3 p1 p2"
"""Distortion terms planned for: all of them, so that the views can carry whichever the solve takes."""
PLATE_BENDS = True
"""The plate's shape is unknown too: the solve finds it along with the rig."""
_SPREAD = 5
_PARALLEL_DEG = 3.0
_BELIEVED = 3.0
"""How far off the expected stand-off a crossing of the axes may lie to be the middle of the field."""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything that stays the same while poses are compared. Lengths in mm.

    rotation_rig_from_bench (3, 3) and origin_rig_mm (3,): the bench frame.  centre_plate_mm (3,):
    middle of the dots in the plate frame.  spread_mm (D, 3): points that stand for all dots, each
    for so many as `dots_each` (D,) says; rim_mm (8, 3): the corners and middles of the dots'
    border, dot radius included; dots_mm (N, 3): all printed points.  sharp_mm (K, 2): nearest and
    farthest depth in focus per camera (0 and inf when unknown).  goals: wanted sigma of each
    quantity.  stakes (P, P): the weighted matrix of the quantities.
    """

    plate: Plate
    cameras: Cameras
    free: Unknowns
    rotation_rig_from_bench: FloatArray
    origin_rig_mm: FloatArray
    stand_off_mm: float
    reach_mm: float
    centre_plate_mm: FloatArray
    spread_mm: FloatArray
    dots_each: FloatArray
    rim_mm: FloatArray
    dots_mm: FloatArray
    sharp_mm: FloatArray
    goals: dict[str, float]
    quantities: dict[str, FloatArray]
    stakes: FloatArray

    @property
    def can_stand_tall(self) -> bool:
        """Whether lying and upright can be told apart: the plate is longer than wide."""
        width, height = self.plate.size_mm()
        return max(width, height) > 1.1 * min(width, height)

    def bench_pose(self, pose_rig_from_plate: Pose) -> tuple[FloatArray, FloatArray]:
        """Rotation (3, 3) and middle of the dots (3,) in the bench frame."""
        rotation, translation = matrices(pose_rig_from_plate)
        middle = rotation @ self.centre_plate_mm + translation
        back = self.rotation_rig_from_bench.T
        return back @ rotation, back @ (middle - self.origin_rig_mm)

    def rig_pose(self, rotation_bench: FloatArray, middle_bench_mm: FloatArray) -> Pose:
        """`Pose` rig from plate of a rotation and a middle in the bench frame."""
        rotation, translation = self.rig_poses(rotation_bench[None], middle_bench_mm[None])
        return pose_of(rotation[0], translation[0])

    def rig_poses(
        self, rotations_bench: FloatArray, middles_bench_mm: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Stacks (C, 3, 3) and (C, 3): rig from plate."""
        rotations = self.rotation_rig_from_bench @ rotations_bench
        middles = middles_bench_mm @ self.rotation_rig_from_bench.T + self.origin_rig_mm
        return rotations, middles - rotations @ self.centre_plate_mm

    def pixels(
        self, points_plate_mm: FloatArray, rotations: FloatArray, translations_mm: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Pixels (C, K, D, 2) and depths (C, K, D) mm of plate points for stacks rig from plate."""
        shape = (len(rotations), self.cameras.count, len(points_plate_mm))
        in_rig = np.einsum("cij,dj->cdi", rotations, points_plate_mm) + translations_mm[:, None, :]
        pixels, depths = np.empty((*shape, 2)), np.empty(shape)
        for camera, lens in enumerate(self.cameras.lenses):
            seen = self.cameras.seen_from_rig(camera, in_rig.reshape(-1, 3))
            depths[:, camera] = seen[:, 2].reshape(len(rotations), -1)
            seen[:, 2] = np.maximum(seen[:, 2], 1.0)
            pixels[:, camera] = project(lens, seen).reshape(len(rotations), -1, 2)
        return pixels, depths

    def seen(self, pixels: FloatArray, depths_mm: FloatArray) -> FloatArray:
        """1.0 where a pixel lies in its picture (and in front of the camera), else 0: (C, K, D)."""
        size = self.cameras.sizes_px[None, :, None, :]
        inside = ((pixels >= 0.0) & (pixels <= size - 1.0)).all(axis=-1)
        return np.asarray((inside & (depths_mm > 1.0)).astype(np.float64))

    def information(self, rotations: FloatArray, translations_mm: FloatArray) -> FloatArray:
        """What views at these poses (rig from plate) add, (C, P, P); dots out of a picture count nothing."""
        pixels, depths = self.pixels(self.spread_mm, rotations, translations_mm)
        weights = self.seen(pixels, depths) * self.dots_each / limit("plan_dot_sigma_px") ** 2
        return view_information(
            self.cameras, self.free, self.spread_mm, rotations, translations_mm, weights=weights
        )

    def known(self, poses_rig_from_plate: Sequence[Pose]) -> FloatArray:
        """Information (P, P) after these views, on top of what the described rig tells."""
        total = np.eye(self.free.count)
        if poses_rig_from_plate:
            turns = [matrices(p) for p in poses_rig_from_plate]
            added = self.information(np.stack([r for r, _ in turns]), np.stack([t for _, t in turns]))
            total = total + added.sum(axis=0)
        return total


def gains(scene: Scene, known: FloatArray, added: FloatArray) -> FloatArray:
    """Share (C,) of the weighted uncertainty (one sigma) that each view would take off, 0..1.

    ``1 - sqrt(tr(M (L + S)^-1) / tr(M L^-1))``: the integrated variance criterion (V-optimality)
    over the quantities that matter.  Source: V. V. Fedorov, Theory of Optimal Experiments (1972)
    (from memory).
    """
    before = float(np.trace(scene.stakes @ np.linalg.inv(known)))
    after = np.einsum("ij,cji->c", scene.stakes, np.linalg.inv(known + added))
    return np.asarray(1.0 - np.sqrt(np.clip(after / before, 0.0, 1.0)))


def scene_of(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    cameras: tuple[str, ...],
    sizes_px: tuple[tuple[str, tuple[int, int]], ...] = (),
) -> Scene:
    """The scene by the estimate, else by the rig as described (remembered for the last few)."""
    if estimate is not None and all(min(c.lens.size_px) > 0 for c in estimate.cameras):
        sizes_px = ()
    return _remembered(plate, rig, estimate, cameras, tuple(sorted(sizes_px)))


@lru_cache(maxsize=16)
def _remembered(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    cameras: tuple[str, ...],
    sizes_px: tuple[tuple[str, tuple[int, int]], ...],
) -> Scene:
    names, arrays = _cameras(plate, rig, estimate, cameras, dict(sizes_px))
    rotation, origin, stand_off = _middle(arrays, plate, rig, nominal=estimate is None)
    half_mm = 0.5 * max(plate.size_mm())
    free = unknowns(arrays, stand_off, LENS_ORDER, plate_mm=half_mm if PLATE_BENDS else 0.0)
    sharp = np.array([_sharp_mm(rig, name, i, stand_off, arrays) for i, name in enumerate(names)])
    reach = _reach_mm(rig, stand_off, sharp)
    wanted = goals(estimate, 1000.0 * stand_off / float(arrays.lenses[:, 0].mean()))
    volume = _volume(rig, arrays, rotation, origin, stand_off_mm=stand_off, reach_mm=reach)
    matrices_of = quantity_matrices(arrays, free, volume)
    spread, shares, rim, dots, centre = _points(plate)
    return Scene(
        plate, arrays, free, rotation, origin, stand_off, reach, centre, spread,
        shares * len(dots), rim, dots, sharp, wanted, matrices_of, weighted(matrices_of, wanted),
    )


def _cameras(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    cameras: tuple[str, ...],
    sizes_px: dict[str, tuple[int, int]],
) -> tuple[tuple[str, ...], Cameras]:
    names = cameras or tuple(c.name for c in rig.cameras) or ("left", "right")
    if estimate is not None:
        solved = {c.name: c for c in estimate.cameras}
        names = tuple(n for n in names if n in solved) or tuple(solved)
        lenses = [solved[n].lens for n in names]
        if any(min(lens.size_px) <= 0 for lens in lenses):
            sizes = nominal_lenses(rig, names, sizes_px, plate)
            lenses = [
                lens_of(lens_parameters(lens), sizes[n].size_px)
                for n, lens in zip(names, lenses, strict=True)
            ]
        return names, Cameras.of(names, lenses, [solved[n].pose_cam_from_rig for n in names])
    nominal = nominal_lenses(rig, names, sizes_px, plate)
    poses = nominal_poses_cam_from_rig(rig, names, plate)
    return names, Cameras.of(names, [nominal[n] for n in names], [poses[n] for n in names])


def _middle(
    arrays: Cameras, plate: Plate, rig: Rig, *, nominal: bool
) -> tuple[FloatArray, FloatArray, float]:
    """Bench frame: rotation, origin, and the mean distance of the cameras from the origin."""
    centres, axes = arrays.centres_mm(), arrays.rotations[:, 2, :]
    z = axes.mean(axis=0)
    z = z / np.linalg.norm(z)
    x = arrays.rotations[:, 0, :].mean(axis=0)
    x = x - (x @ z) * z
    x = x / np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z], axis=1)
    across = np.eye(3) - axes[:, :, None] * axes[:, None, :]
    angle = math.degrees(math.acos(float(np.clip((axes @ axes.T).min(), -1.0, 1.0))))
    said = nominal_stand_off_mm(rig, arrays.names, plate) if nominal or rig.stand_off_mm else None
    if said is None:
        width = max(plate.size_mm()) or 1.0
        said = float(arrays.lenses[0, 0]) * width / (PLATE_SHARE * float(arrays.sizes_px[0, 0]))
    origin = centres.mean(axis=0) + said * z
    if arrays.count > 1 and angle > _PARALLEL_DEG:
        crossing = np.linalg.solve(across.sum(axis=0), np.einsum("kij,kj->i", across, centres))
        away = float((crossing - centres.mean(axis=0)) @ z)
        if said / _BELIEVED < away < said * _BELIEVED:
            origin = crossing
    return rotation, origin, float(np.linalg.norm(centres - origin, axis=1).mean())


def _sharp_mm(rig: Rig, name: str, index: int, stand_off_mm: float, arrays: Cameras) -> tuple[float, float]:
    """Nearest and farthest depth (mm) where the circle of confusion stays under `plan_blur_px`.

    H = f^2/(N c) + f, near = s(H - f)/(H + s - 2f), far = s(H - f)/(H - s).  Source: A. R.
    Greenleaf, Photographic Optics (1950) 25-27.  Unlimited when the lens was not described.
    """
    d = described(rig, name, index)
    if d.f_number is None or d.focal_mm is None or stand_off_mm <= 2 * d.focal_mm:
        return 0.0, math.inf
    pixel_mm = d.pixel_um / 1000.0 if d.pixel_um is not None else d.focal_mm / float(arrays.lenses[index, 0])
    hyperfocal = d.focal_mm**2 / (d.f_number * limit("plan_blur_px") * pixel_mm) + d.focal_mm
    near = stand_off_mm * (hyperfocal - d.focal_mm) / (hyperfocal + stand_off_mm - 2 * d.focal_mm)
    if hyperfocal <= stand_off_mm:
        return near, math.inf
    return near, stand_off_mm * (hyperfocal - d.focal_mm) / (hyperfocal - stand_off_mm)


def _reach_mm(rig: Rig, stand_off_mm: float, sharp_mm: FloatArray) -> float:
    """How far nearer or farther is asked for: a share of the stand-off, less where focus ends."""
    reach = limit("plan_reach_share") * stand_off_mm
    if rig.volume_mm is not None and rig.volume_mm[2] > 0:
        reach = max(0.5 * rig.volume_mm[2], 0.5 * reach)
    focus = min(stand_off_mm - float(sharp_mm[:, 0].max()), float(sharp_mm[:, 1].min()) - stand_off_mm)
    return float(min(reach, 0.8 * focus, 0.25 * stand_off_mm)) if focus > 0 else reach


def _volume(
    rig: Rig,
    arrays: Cameras,
    rotation: FloatArray,
    origin: FloatArray,
    *,
    stand_off_mm: float,
    reach_mm: float,
) -> Volume:
    """The measuring volume about the bench's origin: as said, else the usable part of the field."""
    field = stand_off_mm * (arrays.sizes_px / arrays.lenses[:, :2]).min(axis=0)
    size = rig.volume_mm or (0.5 * float(field[0]), 0.5 * float(field[1]), 1.5 * reach_mm)
    return Volume(origin, rotation.T, np.array(size))


def _points(plate: Plate) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Points that stand for all (25, 3) and the share of each (25,), the rim (8, 3), all printed
    points (N, 3), their middle (3,).

    Sums over a row of n dots are taken by Gauss-Legendre quadrature over the span that has the
    dots' second moment, sqrt((n + 1)/(n - 1)) times theirs: polynomials to the ninth degree come
    out right, so that corners weigh on a lens's high orders as they do with every dot.  Source:
    M. Abramowitz & I. Stegun, Handbook of Mathematical Functions (1964), 25.4.29 (nodes by NumPy).
    """
    points = plate.points_mm()
    low, high = points.min(axis=0), points.max(axis=0)
    centre = 0.5 * (low + high)
    nodes, weights = np.polynomial.legendre.leggauss(_SPREAD)
    x, y = np.meshgrid(
        *(centre[i] + 0.5 * (high - low)[i] * math.sqrt((n + 1) / max(n - 1, 1)) * nodes
          for i, n in enumerate((plate.columns, plate.rows)))
    )
    shares = 0.25 * np.outer(weights, weights).ravel()
    spread = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    board = plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    radius = plate.pitch_mm if board else 0.5 * (plate.dot_diameter_mm or 0.5 * plate.pitch_mm)
    half = 0.5 * (high - low) + np.array([radius, radius, 0.0])
    ways = [(a, b, 0.0) for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0) if (a, b) != (0.0, 0.0)]
    printed = np.setdiff1d(np.arange(plate.point_count), plate.absent)
    return spread, shares, centre + np.array(ways) * half, points[printed], centre
