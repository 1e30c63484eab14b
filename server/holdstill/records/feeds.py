"""A camera's feed as it stands: what the pages tell of the cameras themselves."""

from __future__ import annotations

from dataclasses import dataclass

from .advice import Say


@dataclass(frozen=True, slots=True)
class ClockFit:
    """A camera's clock against this machine's: ``host_s = offset_s + (1 + drift_ppm 1e-6) camera_s``.

    jitter_ms
        Scatter of the arrivals above the quickest, ms: how far single arrival times can be believed.
    frames
        Frames behind it.
    """

    offset_s: float
    drift_ppm: float
    jitter_ms: float
    frames: int

    def host_s(self, camera_s: float) -> float:
        """This machine's time (s) of an instant on the camera's clock."""
        return self.offset_s + (1.0 + 1e-6 * self.drift_ppm) * camera_s


@dataclass(frozen=True, slots=True)
class FeedState:
    """One camera's feed.

    camera, address
        Its name in the session (``"left"``) and how it is reached (``"gige:40012345"``).
    what
        Maker, model and serial number as the camera tells, "" before it was opened.
    state
        ``"opening"``, ``"running"``, ``"silent"`` (open, but nothing comes), ``"lost"`` (trying
        again) or ``"ended"`` (a video file that is over).
    rate_hz
        Frames that came per second lately; None before two have come.
    lost_share
        Packets (or frames, where packets can't be counted) lost of those sent lately, 0..1.
    exposure_ms, gain_db
        As the camera tells; None where it does not. `exposure_most_ms`, `gain_most_db`: the most
        that may be set; None where it can't be set from here.
    turn_deg
        By how much the pictures are turned, anticlockwise: 0, 90, 180 or 270.
    automatic
        What the camera goes on setting by itself and would not leave alone (``"exposure"``, ...).
    clock
        Its clock against this machine's; None where frames carry no camera time.
    trouble, remedy
        What is wrong and what to do, in words to be; None when all is well.
    """

    camera: str
    address: str
    what: str = ""
    state: str = "opening"
    rate_hz: float | None = None
    frames: int = 0
    lost_share: float = 0.0
    reconnects: int = 0
    size_px: tuple[int, int] | None = None
    exposure_ms: float | None = None
    exposure_most_ms: float | None = None
    gain_db: float | None = None
    gain_most_db: float | None = None
    turn_deg: int = 0
    automatic: tuple[str, ...] = ()
    clock: ClockFit | None = None
    trouble: Say | None = None
    remedy: Say | None = None
    note: Say | None = None
    """Something to know about this kind of camera."""


@dataclass(frozen=True, slots=True)
class FeedsState:
    """All feeds of a rig, in the cameras' order. `pairing`: ``"trigger"``, ``"times"``, ``"arrival"``
    or ``"numbers"``; `apart_ms`: how far apart the newest shot's frames were taken, None when not
    known; `apart_sure_ms`: uncertainty of that (one sigma)."""

    feeds: tuple[FeedState, ...] = ()
    pairing: str = ""
    apart_ms: float | None = None
    apart_sure_ms: float | None = None
    shots: int = 0
    unpaired: int = 0
    """Frames that found no partner."""
