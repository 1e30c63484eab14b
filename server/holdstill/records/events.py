"""Everything that can happen to a session: a closed union. Replaying them gives the session."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .advice import Step, Trouble
from .cue import Cue
from .estimate import DriftResult, Estimate, ProofResult
from .measures import FrameMeasures
from .plate import Plate
from .rig import Pose, Rig
from .scene import SceneReference
from .second import SecondPlate
from .views import View


@dataclass(frozen=True, slots=True)
class SessionOpened:
    at_ms: float
    name: str
    initials: str
    plate: Plate
    rig: Rig
    cameras: tuple[str, ...]
    single_shots: bool
    """True: every shot was taken on purpose (files); False: the coach picks from a stream."""
    limits: Mapping[str, float] = field(default_factory=dict)
    settings: Mapping[str, float | int | str | bool] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CamerasNamed:
    at_ms: float
    cameras: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StepEntered:
    at_ms: float
    step: Step


@dataclass(frozen=True, slots=True)
class SettingChanged:
    at_ms: float
    name: str
    value: float | int | str | bool


@dataclass(frozen=True, slots=True)
class CueSet:
    at_ms: float
    cue: Cue


@dataclass(frozen=True, slots=True)
class CueSkipped:
    """The person asked for another pose."""

    at_ms: float
    cue_number: int


@dataclass(frozen=True, slots=True, eq=False)
class ViewKept:
    """A shot was kept, with the numbers that decided (`grounds`)."""

    at_ms: float
    view: View
    cue_number: int | None
    grounds: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class ShotRefused:
    at_ms: float
    shot_name: str
    trouble: Trouble
    camera: str | None
    originals: Mapping[str, str] = field(default_factory=dict)
    measures: Mapping[str, FrameMeasures] = field(default_factory=dict)
    grounds: Mapping[str, float | int | str] = field(default_factory=dict)
    pose_rig_from_plate: Pose | None = None


@dataclass(frozen=True, slots=True)
class FileRefused:
    """A file that could not be used: `message` says what, got, wanted, where, next step."""

    at_ms: float
    name: str
    camera: str | None
    message: str


@dataclass(frozen=True, slots=True)
class ViewDropped:
    at_ms: float
    view_id: int


@dataclass(frozen=True, slots=True)
class ViewBroughtBack:
    """The user overrules: this view is used by the solve whatever its residuals."""

    at_ms: float
    view_id: int


@dataclass(frozen=True, slots=True)
class ViewSetAside:
    """The user leaves this view out of the solve; it stays in the session and in the hand-over."""

    at_ms: float
    view_id: int


@dataclass(frozen=True, slots=True, eq=False)
class SceneKept:
    """A short series of the still scene was taken: its first picture is kept as a reference for later,
    its noise floor told."""

    at_ms: float
    reference: SceneReference


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    at_ms: float
    estimate: Estimate
    from_view_ids: tuple[int, ...]
    took_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class SolveFailed:
    at_ms: float
    why: str
    from_view_ids: tuple[int, ...]
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LengthEntered:
    """An independent length: `what` is "baseline" (tape), "pitch" or "gauge"; or the user accepts
    the scale without one (`what` = "accepted", `words` stand in the report)."""

    at_ms: float
    what: str
    value_mm: float
    sigma_mm: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Proved:
    at_ms: float
    result: ProofResult
    from_view_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SecondPlateDescribed:
    """A second plate will be shown; its pitch has an uncertainty. `words`: its SPEC. What was shown of
    another before is left behind."""

    at_ms: float
    plate: Plate
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class SecondPlateShown:
    """A shot of the second plate was taken; it is no view of the solve."""

    at_ms: float
    view: View


@dataclass(frozen=True, slots=True)
class SecondPlateAway:
    """No more shots of the second plate."""

    at_ms: float


@dataclass(frozen=True, slots=True)
class SecondPlateMeasured:
    """What the second plate says of the scale by its first `views` shots, or why (`Nothing.why`) it says
    nothing."""

    at_ms: float
    result: SecondPlate | None
    views: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class Rechecked:
    at_ms: float
    result: DriftResult
    shot_name: str


@dataclass(frozen=True, slots=True)
class ReadyWithdrawn:
    at_ms: float
    reason: str
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class HandedOver:
    at_ms: float
    files: tuple[tuple[str, int], ...]
    """(file name, bytes)."""


@dataclass(frozen=True, slots=True)
class StepShown:
    """The pictures showed that a step's work is done (`grounds`: the numbers that said so)."""

    at_ms: float
    step: Step
    grounds: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RigDescribed:
    """The rig was described anew on the Rig step's page."""

    at_ms: float
    rig: Rig


@dataclass(frozen=True, slots=True)
class Paused:
    at_ms: float


@dataclass(frozen=True, slots=True)
class Resumed:
    at_ms: float


Event = (
    SessionOpened
    | CamerasNamed
    | StepEntered
    | SettingChanged
    | CueSet
    | CueSkipped
    | ViewKept
    | ShotRefused
    | FileRefused
    | ViewDropped
    | ViewBroughtBack
    | ViewSetAside
    | SceneKept
    | Solved
    | SolveFailed
    | LengthEntered
    | Proved
    | SecondPlateDescribed
    | SecondPlateShown
    | SecondPlateAway
    | SecondPlateMeasured
    | Rechecked
    | ReadyWithdrawn
    | HandedOver
    | StepShown
    | RigDescribed
    | Paused
    | Resumed
)
