"""Rigs, poses and sightings made from numbers alone, for the solver's tests (no pictures)."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from holdstill.geometry import matrices, pose_of, project, rotation_matrix, visible_in
from holdstill.records import CameraDescription, Lens, Plate, PlateKind, Pose, Rig, Sighting, View

DOTS = Plate(PlateKind.DOTS, 14, 10, 14.0, dot_diameter_mm=6.0)
SIZE = (2448, 2048)
REFERENCE = Rig(
    "reference",
    (
        CameraDescription("left", *SIZE, 3.45, 25.0),
        CameraDescription("right", *SIZE, 3.45, 25.0),
    ),
    stand_off_mm=700.0, stereo_angle_deg=20.0, volume_mm=(100.0, 100.0, 100.0),
)
TAPED = replace(REFERENCE, tape_baseline_mm=243.1, tape_sigma_mm=1.5)
LENSES = (
    Lens(7251.0, 7249.5, 1231.0, 1019.0, -0.11, 0.35, 2e-4, -3e-4, 0.0, SIZE),
    Lens(7238.0, 7239.0, 1215.0, 1030.0, -0.12, 0.40, -1e-4, 2e-4, 0.0, SIZE),
)
CENTRE = np.array([0.0, 0.0, 700.0])


def camera_poses(count: int = 2, angle_deg: float = 20.0) -> list[Pose]:
    """Camera poses from the rig frame: on an arc about the crossing, first one the identity."""
    out = []
    for index in range(count):
        turn = rotation_matrix(np.array([0.0, np.radians(angle_deg) * index, 0.0]))
        out.append((turn, CENTRE - turn @ CENTRE))
    return [pose_of(r, t) for r, t in out]


@dataclass
class Truth:
    """What the sightings were made from. `bend` (points, 3) is added to the plate's points, mm."""

    plate: Plate = DOTS
    lenses: tuple[Lens, ...] = LENSES
    poses: list[Pose] = field(default_factory=camera_poses)
    names: tuple[str, ...] = ("left", "right")
    bend: np.ndarray | None = None

    def points(self) -> np.ndarray:
        flat = self.plate.points_mm()
        return flat if self.bend is None else flat + self.bend


def plate_poses(
    rng: np.random.Generator, count: int, plate: Plate = DOTS, *, tilt_deg: float = 30.0,
    spread_mm: float = 40.0, depth_mm: float = 40.0, upright: float = 0.3,
) -> list[Pose]:
    """Plate poses in the rig frame, spread and tilted about the crossing, looking at the middle of
    the two cameras."""
    middle = plate.points_mm().mean(axis=0)
    half = rotation_matrix(np.array([0.0, -np.radians(10.0), 0.0]))
    out = []
    for _ in range(count):
        tilt = rng.uniform(-1, 1, 2)
        tilt = tilt / max(1.0, float(np.linalg.norm(tilt))) * np.radians(tilt_deg)
        roll = np.pi / 2 * (rng.random() < upright) + rng.normal(0, 0.1)
        turn = half @ rotation_matrix(np.array([tilt[0], tilt[1], 0.0])) @ rotation_matrix(
            np.array([0.0, 0.0, roll])
        )
        at = CENTRE + half @ (rng.uniform(-1, 1, 3) * np.array([spread_mm, spread_mm * 0.8, depth_mm]))
        out.append(pose_of(turn, at - turn @ middle))
    return out


@lru_cache(maxsize=8)
def _smoothing(plate: Plate, reach_mm: float) -> np.ndarray:
    points = plate.points_mm()[:, :2]
    gap2 = ((points[:, None] - points[None]) ** 2).sum(axis=2)
    return np.linalg.cholesky(np.exp(-0.5 * gap2 / reach_mm**2) + 1e-6 * np.eye(plate.point_count))


def noise(
    rng: np.random.Generator, plate: Plate, sigma_px: float, *, correlated: float = 0.0,
    reach_mm: float = 60.0,
) -> np.ndarray:
    """Errors of a picture's points (n, 2): white, or partly smooth over the plate (`correlated` is
    the share of the variance)."""
    count = plate.point_count
    white = rng.normal(0.0, 1.0, (count, 2))
    if correlated <= 0.0:
        return sigma_px * white
    smooth = _smoothing(plate, reach_mm) @ rng.normal(0.0, 1.0, (count, 2))
    return sigma_px * (np.sqrt(1.0 - correlated) * white + np.sqrt(correlated) * smooth)


def sight(
    truth: Truth, camera: int, pose: Pose, rng: np.random.Generator, sigma_px: float = 0.05,
    *, correlated: float = 0.0, reach_mm: float = 60.0, absolute: bool = True,
) -> Sighting | None:
    """One camera's sighting of the plate, or None when it sees fewer than 20 points."""
    r, t = matrices(pose)
    in_rig = truth.points() @ r.T + t
    lens = truth.lenses[camera]
    seen = visible_in(lens, lens.size_px, truth.poses[camera], in_rig)
    if seen.sum() < 20:
        return None
    cr, ct = matrices(truth.poses[camera])
    errors = noise(rng, truth.plate, sigma_px, correlated=correlated, reach_mm=reach_mm)
    pixels = project(lens, in_rig @ cr.T + ct) + errors
    ids = np.flatnonzero(seen).astype(np.int32)
    empty = np.zeros(0, dtype=np.int32)
    return Sighting(
        truth.names[camera], lens.size_px, ids, pixels[ids], np.full(len(ids), max(sigma_px, 1e-3)),
        np.zeros(len(ids), dtype=np.int32), empty, np.zeros((0, 2)), absolute, blur_px=1.0,
    )


def views_of(
    truth: Truth, poses: list[Pose], rng: np.random.Generator, sigma_px: float = 0.05,
    *, correlated: float = 0.0, reach_mm: float = 60.0, absolute: bool = True, first_id: int = 1,
) -> list[View]:
    """Views of the plate at these poses."""
    out = []
    for index, pose in enumerate(poses):
        sightings = {}
        for camera, name in enumerate(truth.names):
            seen = sight(truth, camera, pose, rng, sigma_px, correlated=correlated, reach_mm=reach_mm,
                         absolute=absolute)
            if seen is not None:
                sightings[name] = seen
        number = first_id + index
        out.append(View(number, f"view {number}", 1000.0 * number, sightings))
    return out
