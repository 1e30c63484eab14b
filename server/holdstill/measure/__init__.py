"""Measures of frames: sharpness, exposure, glare, evenness, stillness, noise. Array in, record out.

The doors the loop needs on every frame are here; the engines of the Focus and Light steps stand in
`focus`, `series`, `exposure`, `shake`, `lighting`, `routine`, `specimen` and `optics`.
"""

from .causes import Cause, causes
from .exposure import ExposureShot, advise_exposure, camera_setting, plate_goal, specimen_goal
from .focus import FocusOrder, FocusState, StaleReason, focus_field, focus_sample, focus_step
from .frame import frame_measures
from .lighting import aim, aim_at, brightness_gap, light_field, plate_room
from .routine import Routine, RoutineSample, RoutineStep, routine_step, tick_by_hand, warm_up
from .series import series_frame, sharpest
from .shake import ShakeCause, apparent_motion, shake
from .specimen import specimen_measures
from .stillness import stillness

__all__ = [
    "Cause",
    "ExposureShot",
    "FocusOrder",
    "FocusState",
    "Routine",
    "RoutineSample",
    "RoutineStep",
    "ShakeCause",
    "StaleReason",
    "advise_exposure",
    "aim",
    "aim_at",
    "apparent_motion",
    "brightness_gap",
    "camera_setting",
    "causes",
    "focus_field",
    "focus_sample",
    "focus_step",
    "frame_measures",
    "light_field",
    "plate_goal",
    "plate_room",
    "routine_step",
    "series_frame",
    "shake",
    "sharpest",
    "specimen_goal",
    "specimen_measures",
    "stillness",
    "tick_by_hand",
    "warm_up",
]
