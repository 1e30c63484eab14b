"""A rig, its optics, its light and its operator: for the demo, for practice and for tests.

Two ways to a picture.  The *exact* path (`render`) covers pixels without approximation and is what
finders are held to; the *quick* path (`quick`) pulls a blurred texture into place and is fast
enough to run live.  Nothing here shares drawing, projection or finding code with ``target``,
``measure`` or ``solve``.
"""

from .bench import Bench, BenchSettings, demo_plate
from .control import Change, read
from .held import Held, held_of, pose_of
from .light import GLARING, OBLIQUE, Lamp, mirror_point_mm
from .operator import Lapse, Operator, Skill, sloppy
from .optics import (
    SimCamera,
    SimRig,
    binned,
    circle_of_confusion_mm,
    converging,
    demo_rig,
    reference_rig,
    window,
)
from .quick import Grain, QuickCamera, quick_exposed
from .render import Blur, BlurKind, exact, exact_level, true_points_px
from .scene import PlateBody, body
from .sensor import Sensor, exposed, variance_gray2
from .series import Shimmer, Unrest, focus_series, focus_series_speckle, light_factor, static_series
from .setting import Setting, Wash

__all__ = [
    "Bench",
    "BenchSettings",
    "demo_plate",
    "Change",
    "read",
    "Held",
    "held_of",
    "pose_of",
    "GLARING",
    "OBLIQUE",
    "Lamp",
    "mirror_point_mm",
    "Lapse",
    "Operator",
    "Skill",
    "sloppy",
    "SimCamera",
    "SimRig",
    "circle_of_confusion_mm",
    "converging",
    "demo_rig",
    "reference_rig",
    "Grain",
    "QuickCamera",
    "quick_exposed",
    "Blur",
    "BlurKind",
    "binned",
    "exact",
    "exact_level",
    "true_points_px",
    "window",
    "PlateBody",
    "body",
    "Sensor",
    "exposed",
    "variance_gray2",
    "Setting",
    "Wash",
    "Shimmer",
    "Unrest",
    "focus_series",
    "focus_series_speckle",
    "light_factor",
    "static_series",
]
