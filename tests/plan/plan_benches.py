"""Benches, plates and hands for the planner's tests: described rigs, and poses near a wish."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdstill.geometry import rotation_matrix
from holdstill.plan.scene import Scene
from holdstill.records import CameraDescription, Plate, PlateKind, Pose, Rig

CAMERAS = ("left", "right")


def dots(pitch_mm: float = 14.0, columns: int = 14, rows: int = 10) -> Plate:
    return Plate(PlateKind.DOTS, columns, rows, pitch_mm, dot_diameter_mm=0.4 * pitch_mm)


def bench_rig(
    focal_mm: float = 25.0,
    stand_off_mm: float = 700.0,
    stereo_angle_deg: float = 20.0,
    f_number: float | None = None,
    cameras: Sequence[str] = CAMERAS,
) -> Rig:
    return Rig(
        cameras=tuple(CameraDescription(n, 2448, 2048, 3.45, focal_mm, f_number) for n in cameras),
        stand_off_mm=stand_off_mm,
        stereo_angle_deg=stereo_angle_deg,
    )


RIGS = {
    "reference": (bench_rig(), dots()),
    "wide": (bench_rig(12.0, 450.0, 30.0), dots(18.0)),
    "long": (bench_rig(50.0, 1000.0, 15.0), dots(10.0)),
    "small plate": (bench_rig(), dots(10.0)),
}


def held(
    scene: Scene, wish: Pose, rng: np.random.Generator, turn_deg: float = 6.0, shift_mm: float = 10.0
) -> Pose:
    """The wish as a hand holds it: off by normal errors per axis (standard deviations)."""
    rotation, middle = scene.bench_pose(wish)
    slip = rotation_matrix(np.radians(rng.normal(0.0, turn_deg, 3)))
    return scene.rig_pose(slip @ rotation, middle + rng.normal(0.0, shift_mm, 3))
