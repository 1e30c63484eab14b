"""What every camera looks like to the feed that drains it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from holdstill.errors import HoldstillError
from holdstill.phrases import say
from holdstill.records import Picture, Say


class CameraTrouble(HoldstillError):
    """A camera can't be opened or has gone: what (`trouble`) and what to do (`remedy`), in words.

    `for_good`: trying again can't help (no such file, a stream that has ended).
    """

    def __init__(self, key: str, *, for_good: bool = False, **values: float | int | str) -> None:
        self.trouble = Say(f"feed.{key}", values)
        self.remedy = Say(f"feed.{key}.remedy", values)
        self.for_good = for_good
        super().__init__(f"{say(self.trouble)}. {say(self.remedy)}")


@dataclass(frozen=True, slots=True, eq=False)
class Grab:
    """One frame as it came from a camera.

    arrived_s
        When it was complete here, on this machine's monotonic clock.
    camera_s
        When it was taken, on the camera's own clock; None where the camera tells no time.
    number
        The camera's own count of frames; None where it does not count.
    exposure_ms, gain_db
        Told with the frame itself (not read from the camera's settings); None otherwise.
    """

    image: Picture
    full_scale: int
    arrived_s: float
    camera_s: float | None = None
    number: int | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None


@dataclass(frozen=True, slots=True)
class Opened:
    """What opening a camera told.

    what
        Maker, model and serial number. `size_px`: (width, height) of its pictures, when known.
    exposure_ms, gain_db, rate_hz
        As set now; None where the camera does not tell.
    exposure_range_ms, gain_range_db
        What can be set; None: not from here.
    automatic
        What it goes on setting by itself although told not to.
    triggered
        ``"software"``: it waits for `trigger`; ``"hardware"``: for a line; ``""``: it runs free.
    """

    what: str
    size_px: tuple[int, int] | None = None
    exposure_ms: float | None = None
    exposure_range_ms: tuple[float, float] | None = None
    gain_db: float | None = None
    gain_range_db: tuple[float, float] | None = None
    rate_hz: float | None = None
    automatic: tuple[str, ...] = ()
    triggered: str = ""
    note: Say | None = None
    """Something the user should know about this kind of camera."""


@dataclass(frozen=True, slots=True)
class Losses:
    """Counts since opening: packets that came and that were missing for good, packets that had to be
    sent again, frames that came whole and that did not."""

    packets: int = 0
    packets_lost: int = 0
    packets_again: int = 0
    frames: int = 0
    frames_lost: int = 0


@dataclass(frozen=True, slots=True)
class Wishes:
    """How the cameras should run; None leaves a thing as the camera has it.

    region
        Left, top, width, height on the sensor, px.
    trigger
        ``"software"``, ``"hardware"`` or ``"free"``; None: software where all cameras can.
    """

    pixel_format: str | None = None
    region: tuple[int, int, int, int] | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None
    rate_hz: float | None = None
    trigger: str | None = None
    producers: tuple[str, ...] = field(default=())
    """Files of the makers' own drivers (GenTL, ``.cti``)."""


class Camera(Protocol):
    """One camera. `open`, `read` and `close` are called by one thread, and may block; the others by
    any thread while it is open."""

    address: str

    def open(self) -> Opened:
        """Open it and start its pictures. Raises CameraTrouble."""
        ...

    def read(self, timeout_s: float) -> Grab | None:
        """The next frame, or None when none came in time. Raises CameraTrouble when it has gone."""
        ...

    def close(self) -> None:
        """Stop, put back what was changed, let go. Never raises."""
        ...

    def set_exposure(self, exposure_ms: float) -> float:
        """Set the exposure; what the camera then has, ms. Raises CameraTrouble."""
        ...

    def set_gain(self, gain_db: float) -> float:
        """Set the gain; what the camera then has, dB. Raises CameraTrouble."""
        ...

    def trigger(self) -> None:
        """Take one frame now. Raises CameraTrouble."""
        ...

    def losses(self) -> Losses:
        """What was lost so far."""
        ...
