"""What a person asks for by touch, key or pedal, and live pictures: the pages' side of the loop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from .setup import Box, FocusGauge, GlareMark


class TapKind(StrEnum):
    """What a tap asks for. `values` it carries are told behind each."""

    DROP_LAST = "drop-last"
    DROP_VIEW = "drop-view"
    """view_id"""
    BRING_BACK = "bring-back"
    """view_id"""
    SET_ASIDE = "set-aside"
    """view_id"""
    PAUSE = "pause"
    RESUME = "resume"
    ENTER_STEP = "enter-step"
    """step: a `Step` value"""
    TAKE_NOW = "take-now"
    """Keep the next shot whatever its novelty, if plate, sharpness and stillness allow."""
    SKIP_CUE = "skip-cue"
    """Ask for another pose."""
    FORGET_SHARPNESS = "forget-sharpness"
    SET_SIDE = "set-side"
    """faces_cameras: "yes" or "no" """
    ENTER_LENGTH = "enter-length"
    """what: "baseline", "pitch", "gauge" or "accepted"; value_mm; sigma_mm; words"""
    PROVE = "prove"
    """Ask for views that the solve does not use."""
    HAND_OVER = "hand-over"
    STILL_SERIES = "still-series"
    """Take the next shots as a series of the still scene."""
    SECOND_PLATE = "second-plate"
    """spec, and sigma_mm where it tells no uncertainty: look for this plate; without: no more."""
    RECHECK = "recheck"
    """Take the next shot as a recheck."""
    SET_EXPOSURE = "set-exposure"
    """Set the exposure advised, on sources that can."""
    FOCUS_PART = "focus-part"
    """camera; left, top, right, bottom (shares of the picture), or none: the part watched."""
    FOCUS_CAMERA = "focus-camera"
    """camera: whose ring is being turned; "" to follow the pictures again."""
    TICK = "tick"
    """camera; step: a `RoutineStep` value that the operator says is done."""
    ROUTINE_AGAIN = "routine-again"
    """camera: begin the focusing routine anew."""
    LIGHT_SUBJECT = "light-subject"
    """subject: "plate" or "specimen"."""
    WATCH_STILL = "watch-still"
    """Watch a scene that stands still for some seconds: flicker, vibration, warm air."""
    DESCRIBE_RIG = "describe-rig"
    """The fields of the Rig step's form, by the rig file's names."""
    PLACE = "place"
    """swap: yes; or camera and turn (90, 180, 270): which camera is left, and which way up."""
    SET_MOTION = "set-motion"
    """motion_px: most motion of the plate in an exposure, 0.1 to 1."""
    EXERCISE = "exercise"
    """what: "start" or "stop" (demo and practice only)."""
    SIM = "sim"
    """Any of the fields of `SimState`, as numbers or "yes"/"no" (demo and practice only)."""


@dataclass(frozen=True, slots=True)
class Tap:
    """`cue_number`: the number of the cue the person saw; a tap on a cue that has passed is
    refused in words (None for taps that belong to no cue)."""

    kind: TapKind
    cue_number: int | None = None
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class LivePicture:
    """Newest picture of a camera, small, with what to draw over it.

    number counts up; `size_px` is the original's (width, height), in whose pixels `outline_px`
    (polygon of the plate found, or empty) is given.
    """

    camera: str
    number: int
    taken_at_ms: float
    jpeg: bytes
    size_px: tuple[int, int]
    outline_px: tuple[tuple[float, float], ...] = ()
    mark: str | None = None
    """`Place` value of the edge or corner of this picture to reach, or None."""
    sharpness: float | None = None
    sharpness_best: float | None = None
    saturated_png: bytes | None = None
    """Small 1-channel PNG (same aspect), non-zero where saturated; for the zebra."""
    gauge: FocusGauge | None = None
    """Readings of the focus gauge, on the Focus step; `turned`: this camera's ring is turned now."""
    turned: bool = False
    glare: tuple[GlareMark, ...] = ()
    """Glare patches, on the Light step."""
    box: Box | None = None
    """The part of the picture that was dragged, on the Light step (the specimen's)."""
    centre: bool = False
    """True when the picture's middle should be marked, for aiming (the Rig step)."""
