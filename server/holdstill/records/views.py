"""A kept shot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .measures import FrameMeasures
from .rig import Pose
from .sightings import Sighting


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A kept shot: what each camera saw of the plate (cameras may be missing), and its measures."""

    view_id: int
    name: str
    taken_at_ms: float
    sightings: Mapping[str, Sighting]
    measures: Mapping[str, FrameMeasures] = field(default_factory=dict)
    originals: Mapping[str, str] = field(default_factory=dict)
    """Digest of each camera's original."""
    file_names: Mapping[str, str] = field(default_factory=dict)
    proof: bool = False
    """True: kept to test the solution, never used by it."""
    pose_rig_from_plate: Pose | None = None
    """The plate's pose when it was kept, by the solution of that moment (nominal rig before one)."""
