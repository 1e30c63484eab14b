"""Where glare was seen, and the lamps that it gives away."""

from __future__ import annotations

from dataclasses import dataclass

from .rig import Pose


@dataclass(frozen=True, slots=True)
class GlareSighting:
    """A glare patch on the plate as one camera saw it.

    `x_mm`, `y_mm`: its middle on the plate (plate frame); `radius_mm`: its size there;
    `pose_rig_from_plate`: the plate as held then.
    """

    camera: str
    pose_rig_from_plate: Pose
    x_mm: float
    y_mm: float
    radius_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class ClearSighting:
    """A plate that one camera saw without any glare: evidence too."""

    camera: str
    pose_rig_from_plate: Pose


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp inferred from glare.

    position_rig_mm
        Middle of the lamp in the rig frame.
    spread_mm
        How far its rays miss one another at the lamp (rms): the lamp's size and what is not known
        of it.
    lobe_mm
        Typical radius of its glare patch on the plate.
    sightings
        How many glare patches speak for it.
    side
        Where it stands as seen from the bench: ``"left"``, ``"right"``, ``"above"``, ``"below"`` or
        ``"behind the cameras"``, as the cameras see it.
    """

    position_rig_mm: tuple[float, float, float]
    spread_mm: float
    lobe_mm: float
    sightings: int
    side: str
    bench_share: tuple[float, float, float] | None = None
    """The same place from the bench's middle, in stand-offs: right, down, away from the cameras (as
    they see it; they stand at about -1); for the small plan."""
