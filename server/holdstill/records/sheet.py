"""One shot at full size: its pictures in all cameras and all that is known of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .advice import Say
from .measures import GlarePatch, HiddenPatch
from .plate import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SheetPicture:
    """One camera's picture of a shot.

    digest
        Of the original; None where there is none (a camera that was missing, a full disk).
    size_px
        (width, height); (0, 0) when nothing tells.
    points_px
        float64 (n, 2), the dots found. `residuals_px`: float64 (n, 2), observed minus projected, or
        None where there is no calibration yet. `aside`: for each dot why the solve left it out, ""
        for one that it uses; all alike when the whole picture was left out.
    to_here
        float64 (3, 3): homography from the first picture that shows the plate to this one, px; None
        where the plate was not found.
    told
        What is known of the picture, in sentences, most important first.
    """

    camera: str
    digest: str | None
    size_px: tuple[int, int]
    points_px: FloatArray
    residuals_px: FloatArray | None
    aside: tuple[str, ...]
    dot_px: float | None
    glare: tuple[GlarePatch, ...]
    hidden: tuple[HiddenPatch, ...]
    clip_level: float | None
    rms_px: float | None
    to_here: FloatArray | None
    told: tuple[Say, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A shot and what became of it. `place`: its place in the session's story, from 1."""

    place: int
    places: int
    view_id: int | None
    name: str
    state: str
    """As in `ViewRow`."""
    reasons: tuple[Say, ...]
    at_ms: float
    pictures: tuple[SheetPicture, ...]
    forced: bool = False
    """Used by the solve because the user said so."""
    numbers: Mapping[str, float] = field(default_factory=dict)
