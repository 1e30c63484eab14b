"""What a phone is told: one thing at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from .cue import Cue, Guide, Order, Place


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence for a person, not yet in words: a key of ``phrases`` and the values it needs."""

    key: str
    values: Mapping[str, float | int | str] = field(default_factory=dict)


class Step(StrEnum):
    RIG = "rig"
    FOCUS = "focus"
    LIGHT = "light"
    POSES = "poses"
    SOLVE = "solve"
    PROOF = "proof"
    HANDOVER = "hand-over"
    RECHECK = "recheck"


class Trouble(StrEnum):
    """Why a shot is not kept, or why no cue can be followed now. Most useful first."""

    NO_FRAMES = "no frames"
    BAD_FILE = "bad file"
    MISMATCH = "mismatch"
    PARTNER_MISSING = "partner missing"
    UNSYNCHRONISED = "unsynchronised"
    TOO_DARK = "too dark"
    TOO_BRIGHT = "too bright"
    NO_PLATE = "no plate"
    WRONG_PLATE = "wrong plate"
    TURNED = "turned"
    ONE_CAMERA = "one camera"
    HALF_OUT = "half out"
    GLARE = "glare"
    SHADOW = "shadow"
    FINGER = "finger"
    MOVED = "moved"
    BLURRED = "blurred"
    DEFOCUSED = "defocused"
    SAME_AS_BEFORE = "same as before"


class Tone(StrEnum):
    """What the phone sounds."""

    SILENT = "silent"
    WARMER = "warmer"
    COLDER = "colder"
    STILL = "still"
    KEPT = "kept"
    NOT_KEPT = "not kept"
    TROUBLE = "trouble"
    READY = "ready"


@dataclass(frozen=True, slots=True)
class Advice:
    """The one thing to say now.

    headline
        The cue (or the trouble's sentence). `order`: the one short order below it. `remedy`: one
        more line, only when there is trouble.
    nearness
        0..1, 1 = at the wished pose; drives the tone's pitch and the drawing.
    """

    step: Step
    headline: Say
    order: Order
    tone: Tone
    cue: Cue | None = None
    guide: Guide | None = None
    remedy: Say | None = None
    trouble: Trouble | None = None
    trouble_camera: str | None = None
    nearness: float = 0.0
    marks: Mapping[str, Place] = field(default_factory=dict)
    """camera -> edge or corner of its picture to reach."""


class Ready(StrEnum):
    READY = "ready"
    PROVISIONAL = "provisional"
    NOT_YET = "not yet"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the rig is ready, why, and the one most useful thing to do about it."""

    state: Ready
    reasons: tuple[Say, ...]
    remedy: Say | None
    at_ms: float
    withdrawn: bool = False
