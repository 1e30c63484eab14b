"""What the coach asks for, in the small vocabulary a person can follow.

Sides (LEFT, RIGHT) in these records are always the *picture's*: as seen from the cameras. Words
and drawings for the operator are turned to the operator's side in ``phrases`` and ``web`` only.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .rig import Pose


class Lean(StrEnum):
    """Which edge of the plate comes toward the cameras."""

    FLAT = "flat"
    TOP = "top"
    BOTTOM = "bottom"
    LEFT = "left"
    RIGHT = "right"


class Roll(StrEnum):
    LYING = "lying"
    UPRIGHT = "upright"


class Reach(StrEnum):
    MIDDLE = "middle"
    NEARER = "nearer"
    FARTHER = "farther"


class Place(StrEnum):
    """Part of the picture, as the cameras see it."""

    UPPER_LEFT = "upper left"
    TOP = "top"
    UPPER_RIGHT = "upper right"
    LEFT = "left"
    CENTRE = "centre"
    RIGHT = "right"
    LOWER_LEFT = "lower left"
    BOTTOM = "bottom"
    LOWER_RIGHT = "lower right"


@dataclass(frozen=True, slots=True)
class Instruction:
    lean: Lean
    lean_deg: float
    place: Place
    reach: Reach
    roll: Roll


class Part(StrEnum):
    """The part of an instruction that is being asked for now (one move at a time)."""

    ROLL = "roll"
    REACH = "reach"
    PLACE = "place"
    LEAN = "lean"
    STILL = "still"


@dataclass(frozen=True, slots=True)
class Cue:
    """What is asked for now. `pose_rig_from_plate` is the wished pose; `gain`: share of the
    weighted uncertainty it is expected to take off (0..1); `reason`: key of why it was chosen;
    `proof`: the view will be used to test the solution, not to make it."""

    number: int
    instruction: Instruction
    pose_rig_from_plate: Pose
    gain: float
    reason: str
    proof: bool = False
    best_gain: float = 0.0
    """`gain` of the most informative pose that could be asked for; `gain` may give up a little of
    it to spare the hands. 0 when not known."""
    lamp: str = ""
    """`Lamp.side` of the lamp whose glare keeps clearly better poses from being had; "" when none does."""


class Order(StrEnum):
    """The one short order while moving."""

    SHOW_PLATE = "show plate"
    MOVE = "move"
    A_LITTLE_MORE = "a little more"
    BACK_A_LITTLE = "back a little"
    HOLD_STILL = "hold still"
    KEPT = "kept"
    WAIT = "wait"
    PAUSED = "paused"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Guide:
    """The live difference between the plate as held and the wished pose.

    part, direction
        What to change now and which way (``"toward"``/``"away"``, a `Place` value for where to
        move, ``"nearer"``/``"farther"``, ``"clockwise"``/``"anticlockwise"`` as the cameras see it).
    distance
        How far off, 1 = at the start of a typical move, 0 = there; for tone and order.
    good_enough
        True when the live pose is worth taking: near the wish, or worth `take_share` of it.
    live_share
        Worth of the live pose over the worth of the best candidate (None before it is known).
    edges
        Edges or corner of the picture to reach, per camera: camera -> `Place`.
    """

    order: Order
    part: Part
    direction: str
    distance: float
    good_enough: bool
    live_share: float | None
    edges: dict[str, Place]
