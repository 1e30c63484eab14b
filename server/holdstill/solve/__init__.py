"""Solve: the calibration with its uncertainty, its proof, and whether it still holds."""

from .drift import recheck
from .fitted import (
    place_of,
    plane_map,
    point_numbers,
    view_residuals,
    with_residuals,
    without_residuals,
)
from .live import agree, live_pose
from .plausible import plausibility as checks
from .proof import prove
from .scene import floor_meaning, recheck_scene
from .second import measure_second
from .solver import solve

__all__ = [
    "agree",
    "checks",
    "floor_meaning",
    "live_pose",
    "measure_second",
    "place_of",
    "plane_map",
    "point_numbers",
    "prove",
    "recheck",
    "recheck_scene",
    "solve",
    "view_residuals",
    "with_residuals",
    "without_residuals",
]
