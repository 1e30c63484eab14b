"""Everything the pages show, in one record: made by ``session``, drawn by ``web``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .advice import Advice, Say, Step, Trouble, Verdict
from .cue import Place
from .estimate import CameraEstimate, Check, DriftResult, PairEstimate, PlateShape, ProofResult, Quantity
from .exercise import ExerciseState, StillRule
from .feeds import FeedsState
from .lamps import Lamp
from .measures import FrameMeasures
from .rig import Rig
from .scene import SceneState
from .second import SecondShown
from .setup import Setup


@dataclass(frozen=True, slots=True)
class StepState:
    step: Step
    state: str
    """``"done"``, ``"now"``, ``"todo"`` or ``"trouble"``."""
    note: Say | None = None


@dataclass(frozen=True, slots=True)
class CameraState:
    """A camera as it stands now. `found` of `wanted` plate points; both 0 without plate."""

    name: str
    found: int
    wanted: int
    measures: FrameMeasures | None
    size_px: tuple[int, int] | None
    sharpness_best: float | None = None
    sharpness_path: tuple[float, ...] = ()
    focus_say: Say | None = None
    light_say: Say | None = None


@dataclass(frozen=True, slots=True)
class TiltMark:
    """A kept view on the tilt dial, as the cameras see it: x right edge toward the cameras
    positive, y top edge toward the cameras positive, in degrees."""

    x_deg: float
    y_deg: float


@dataclass(frozen=True, slots=True)
class Coverage:
    tilts: tuple[TiltMark, ...]
    wished_tilt: TiltMark | None
    field: Mapping[Place, int]
    """How many views put dots in each ninth of the pictures (least over the cameras)."""
    wished_place: Place | None
    missing: tuple[Say, ...]
    """Names of what is not covered yet, most useful first."""


@dataclass(frozen=True, slots=True)
class ViewRow:
    """One line of what happened: a view or a refused shot, newest last."""

    view_id: int | None
    name: str
    state: str
    """``"kept"``, ``"not kept"``, ``"set aside"``, ``"dropped"`` or ``"proof"``."""
    reason: Say | None
    at_ms: float
    digests: Mapping[str, str]
    rms_px: Mapping[str, float] = field(default_factory=dict)
    gain: float | None = None
    trouble: Trouble | None = None
    camera: str | None = None
    place: int = 0
    """Its place in the session's story, from 1: the number of its full-size page."""


@dataclass(frozen=True, slots=True)
class TracePoint:
    """The headline quantity after so many views."""

    views: int
    value: float


@dataclass(frozen=True, slots=True)
class Storage:
    free_bytes: int
    bytes_per_view: int
    views_left: int


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How shots come: `kind` "stream", "interval", "by hand" or "unknown"; mean interval (s)."""

    kind: str
    interval_s: float | None
    shots: int
    proven: bool
    last_at_ms: float | None
    next_at_ms: float | None = None


@dataclass(frozen=True, slots=True)
class HandoverFile:
    name: str
    size_bytes: int
    what: Say


@dataclass(frozen=True, slots=True)
class SimState:
    """The simulated rig's controls as they stand (demo and practice only)."""

    visitor_holds: bool
    tilt_x_deg: float
    tilt_y_deg: float
    turn_deg: float
    x_mm: float
    y_mm: float
    distance_mm: float
    exposure_stops: float
    focus_mm: float
    glare_lamp: bool
    finger: bool
    shake: bool


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The state of a session for the pages. Times in ms since the epoch, on the server's clock."""

    session_name: str
    plate_words: str
    at_ms: float
    step: Step
    steps: tuple[StepState, ...]
    advice: Advice
    cameras: tuple[CameraState, ...]
    coverage: Coverage
    views: tuple[ViewRow, ...]
    kept_count: int
    customary_count: int
    trace: tuple[TracePoint, ...]
    quantities: tuple[Quantity, ...]
    camera_estimates: tuple[CameraEstimate, ...]
    pair_estimates: tuple[PairEstimate, ...]
    rms_px: float | None
    checks: tuple[Check, ...]
    plate_shape: PlateShape | None
    proof: ProofResult | None
    verdict: Verdict
    files: tuple[HandoverFile, ...]
    storage: Storage | None
    rhythm: Rhythm
    paused: bool
    solving: bool
    file_messages: tuple[str, ...] = ()
    alarm: str = ""
    """A trouble with the disk or inside, in words, while it lasts: views may not be kept."""
    dropped_frames: int = 0
    operator_faces_cameras: bool = True
    sim: SimState | None = None
    lens_reason: str = ""
    rig: Rig | None = None
    """The rig as described, for the Rig step."""
    drift: DriftResult | None = None
    """The newest recheck, or None."""
    lamps: tuple[Lamp, ...] = ()
    """Lamps inferred from glare."""
    scene: SceneState | None = None
    """The still scene: a series being taken, its noise floor. None before any."""
    second: SecondShown | None = None
    """A second plate, shown for the scale."""
    feeds: FeedsState | None = None
    """The cameras themselves, where the source knows them."""
    setup: Setup = field(default_factory=Setup)
    """What the Rig, Focus and Light steps show."""
    exercise: ExerciseState | None = None
    """The start-of-shift exercise, while there is one."""
    still_rule: StillRule = field(default_factory=lambda: StillRule(0.2))
    """How still the plate must be, and whether the hands and the exposure allow it."""
