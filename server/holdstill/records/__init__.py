"""Frozen records that travel between rooms. Nothing here computes more than its own layout."""

from .advice import Advice, Ready, Say, Step, Tone, Trouble, Verdict
from .cue import Cue, Guide, Instruction, Lean, Order, Part, Place, Reach, Roll
from .estimate import (
    CameraEstimate,
    Check,
    DriftResult,
    Estimate,
    PairEstimate,
    PlateShape,
    ProofResult,
    Quantity,
    SetAside,
    ViewFit,
)
from .frames import Frame, FrameBytes, FrameFile, Original, Picture, Shot
from .lamps import ClearSighting, GlareSighting, Lamp
from .measures import FrameMeasures, GlarePatch, HiddenPatch, Stillness
from .nothing import Nothing
from .plate import FloatArray, IntArray, Mark, Marker, MarkKind, Plate, PlateKind
from .report import ShotReport
from .rig import CameraDescription, Lens, Pose, Rig
from .sightings import DotFlag, Sighting
from .snapshot import (
    CameraState,
    Coverage,
    HandoverFile,
    Rhythm,
    SimState,
    Snapshot,
    StepState,
    Storage,
    TiltMark,
    TracePoint,
    ViewRow,
)
from .taps import LivePicture, Tap, TapKind
from .views import View

__all__ = [
    "Advice", "CameraDescription", "CameraEstimate", "CameraState", "Check", "ClearSighting", "Coverage", "Cue",
    "DotFlag", "DriftResult", "Estimate", "FloatArray", "Frame", "FrameBytes", "FrameFile",
    "FrameMeasures", "GlarePatch", "GlareSighting", "Guide", "HandoverFile", "HiddenPatch", "Instruction", "IntArray", "Lamp", "Lean",
    "Lens", "LivePicture", "Mark", "MarkKind", "Marker", "Nothing", "Order", "Original", "PairEstimate", "Part",
    "Picture", "Place", "Plate", "PlateKind", "PlateShape", "Pose", "ProofResult", "Quantity",
    "Reach", "Ready", "Rhythm", "Rig", "Roll", "Say", "SetAside", "Shot", "ShotReport", "Sighting",
    "SimState", "Snapshot", "Step", "StepState", "Stillness", "Storage", "Tap", "TapKind", "TiltMark", "Tone",
    "TracePoint", "Trouble", "Verdict", "View", "ViewFit", "ViewRow",
]
