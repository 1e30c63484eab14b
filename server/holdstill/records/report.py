"""What comes back from a worker for one shot: numbers, tags and digests, and small pictures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .measures import FrameMeasures
from .nothing import Nothing
from .sightings import Sighting


@dataclass(frozen=True, slots=True, eq=False)
class ShotReport:
    """One shot, looked at. `sightings`: a `Sighting`, or `Nothing` with why the plate was not
    found. `previews`: camera -> JPEG bytes, at most 960 px wide. `refused`: camera -> message for
    a file that could not be decoded."""

    number: int
    name: str
    taken_at_ms: float
    single: bool
    sightings: Mapping[str, Sighting | Nothing]
    measures: Mapping[str, FrameMeasures]
    digests: Mapping[str, str]
    sizes_px: Mapping[str, tuple[int, int]]
    bit_depths: Mapping[str, int]
    previews: Mapping[str, bytes] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)
    saturated: Mapping[str, bytes] = field(default_factory=dict)
    """camera -> small grey PNG, non-zero where the picture clips; absent where it does not."""
    notes: tuple[str, ...] = ()
    exposure_ms: Mapping[str, float] = field(default_factory=dict)
    took_ms: float = 0.0
    gain_db: Mapping[str, float] = field(default_factory=dict)
    """camera -> gain as the source tells, dB; absent where it does not."""
    apart_ms: float | None = None
    """How far apart the cameras' frames were taken, ms; None where that is not known."""
