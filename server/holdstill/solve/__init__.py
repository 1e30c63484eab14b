"""Solve: the calibration with its uncertainty, its proof, and whether it still holds."""

from .drift import recheck
from .live import agree, live_pose
from .proof import prove
from .solver import solve

__all__ = ["agree", "live_pose", "prove", "recheck", "solve"]
