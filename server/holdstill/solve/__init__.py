"""Solve: the calibration with its uncertainty, its proof, and whether it still holds."""

from .live import agree, live_pose
from .solver import solve

__all__ = ["agree", "live_pose", "solve"]
