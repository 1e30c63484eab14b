"""Frames that a script or camera program sends: the source behind ``POST /frames/{camera}``."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from holdstill.limits import limit
from holdstill.records import Advice, FeedsState, FeedState, FrameBytes, Shot, SimState

from .clock import Rate
from .packed import FULL_SCALES, bytes_of, full_scale_of, unpack
from .refusals import words
from .source import Complain, Deliver, shot_name

_WAIT_S = 1.0
"""How long a sender is told to wait (Retry-After counts in whole seconds: RFC 9110, section 10.2.3)."""
TAKEN, TOO_MANY, REFUSED = "taken", "wait", "refused"
RAW = "application/octet-stream"
ENCODED = ("image/tiff", "image/png")


@dataclass(frozen=True, slots=True)
class Sent:
    """A frame as sent: the body and what its headers told (see docs/pushing.md)."""

    camera: str
    body: bytes
    kind: str
    shot: str | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None
    full_scale: int | None = None
    width: int | None = None
    height: int | None = None
    pixel_format: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What the sender is told.

    outcome
        ``"taken"``, ``"wait"`` (send again in `wait_s`) or ``"refused"`` (`words` say why).
    complete
        The shot this frame belongs to has all its frames now.
    replaced
        How many shots of the stream gave way to newer ones so far: the sender may slow down.
    """

    outcome: str
    words: str = ""
    complete: bool = False
    wait_s: float = 0.0
    replaced: int = 0


@dataclass(slots=True)
class _Camera:
    name: str
    rate: Rate = field(default_factory=Rate)
    frames: int = 0
    size_px: tuple[int, int] | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None


class PushedSource:
    """A `Source` that is sent its frames.

    names
        The cameras, in order. `single`: True when every shot is taken on purpose (a pedal, a timer):
        then none is dropped, and a sender that is too quick is told to wait; False: a stream, in
        which the newest wins.
    clock_s
        This machine's monotonic clock.
    """

    def __init__(
        self,
        names: Sequence[str],
        *,
        single: bool = False,
        clock_s: Callable[[], float] = time.monotonic,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self._cameras = {n: _Camera(n) for n in names}
        self._single = single
        self._clock_s, self._now_s = clock_s, now_s
        self._lock = threading.Lock()
        self._waiting: OrderedDict[str, dict[str, FrameBytes]] = OrderedDict()
        self._newest: dict[str, tuple[float, FrameBytes]] = {}
        self._number = self._looked = self._replaced = self._unpaired = 0
        self._named = False
        self._stopped = False
        self._deliver: Deliver = lambda shot: None
        self._complain: Complain = lambda name, camera, message: None

    @property
    def cameras(self) -> tuple[str, ...]:
        """Camera names in order, left before right."""
        return tuple(self._cameras)

    @property
    def single(self) -> bool:
        """Whether every shot is taken on purpose."""
        return self._single

    def start(self, deliver: Deliver, complain: Complain) -> None:
        """Frames that are sent from now on become shots."""
        self._deliver, self._complain = deliver, complain

    def stop(self) -> None:
        """Nothing is delivered after it returns."""
        with self._lock:
            self._stopped = True

    def advise(self, advice: Advice) -> None:
        """Senders do not listen."""

    def control(self, changes: Mapping[str, str]) -> str | None:
        """The sender is in charge of the cameras."""
        del changes
        return words("push-no-control")

    def sim_state(self) -> SimState | None:
        """Not simulated."""
        return None

    def looked_at(self, number: int) -> None:
        """The loop is done with a shot."""
        with self._lock:
            self._looked = max(self._looked, number)

    def feeds(self) -> FeedsState:
        """The senders as they stand."""
        now = self._clock_s()
        with self._lock:
            feeds = tuple(
                FeedState(
                    camera=c.name,
                    address=f"/frames/{c.name}",
                    state="running" if c.frames else "opening",
                    rate_hz=c.rate.hz(now),
                    frames=c.frames,
                    size_px=c.size_px,
                    exposure_ms=c.exposure_ms,
                    gain_db=c.gain_db,
                )
                for c in self._cameras.values()
            )
            pairing = "numbers" if self._named else "arrival"
            return FeedsState(feeds, pairing, shots=self._number, unpaired=self._unpaired)

    # -- what is sent ------------------------------------------------------------------------

    def push(self, sent: Sent) -> Answer:
        """Take a frame over. May be called from any thread."""
        if sent.camera not in self._cameras:
            known = ", ".join(self._cameras)
            return Answer(REFUSED, words("push-unknown-camera", name=sent.camera, known=known))
        if not sent.body:
            return Answer(REFUSED, words("push-empty"))
        now = self._clock_s()
        with self._lock:
            behind = self._number - self._looked
            if self._single and behind >= limit("push_shots_waiting_most"):
                wait_s = _WAIT_S
                why = words("push-wait", count=behind, seconds=f"{wait_s:.0f}")
                return Answer(TOO_MANY, why, wait_s=wait_s)
            number = self._cameras[sent.camera].frames + 1
        frame = self._frame(sent, number)
        if isinstance(frame, str):
            return Answer(REFUSED, frame)
        with self._lock:
            self._note(sent, frame, now)
            shot = self._by_name(sent, frame) if sent.shot is not None else self._by_time(frame, now)
            if shot is not None and not self._stopped:
                self._replaced += self._number > self._looked and not self._single
                self._number += 1
                shot_number, name = self._number, sent.shot or shot_name(frame.taken_at_ms)
                replaced = self._replaced
            else:
                return Answer(TAKEN, replaced=self._replaced)
        taken_ms = max(f.taken_at_ms for f in shot.values())
        ordered = {c: shot[c] for c in self._cameras}
        self._deliver(Shot(shot_number, name, taken_ms, ordered, self._single))
        return Answer(TAKEN, complete=True, replaced=replaced)

    def _frame(self, sent: Sent, number: int) -> FrameBytes | str:
        """The frame, or why it can't be used, in words."""
        name = f"{sent.shot or f'frame_{number:06d}'}_{sent.camera}"
        at_ms = 1000.0 * self._now_s()
        told: dict[str, Any] = {"exposure_ms": sent.exposure_ms, "gain_db": sent.gain_db}
        if sent.kind in ENCODED:
            return FrameBytes(sent.camera, name, at_ms, data=sent.body, full_scale=sent.full_scale, **told)
        if sent.kind != RAW:
            return words("push-type", got=sent.kind or "nothing")
        pixel_format = sent.pixel_format or "Mono8"
        scale = full_scale_of(pixel_format)
        if scale is None:
            known = ", ".join((*FULL_SCALES, "Mono10p", "Mono12p", "Mono10Packed", "Mono12Packed"))
            return words("push-bad-header", name="X-Pixel-Format", got=pixel_format, wanted=known)
        if not sent.width or not sent.height:
            size = "the picture's size"
            return words("push-bad-header", name="X-Width, X-Height", got="missing", wanted=size)
        most = limit("intake_side_px_max")
        if max(sent.width, sent.height) > most:
            return words("push-bad-header", name="X-Width, X-Height", got=max(sent.width, sent.height),
                         wanted=f"at most {most:.0f}")  # fmt: skip
        try:
            image = unpack(sent.body, pixel_format, sent.width, sent.height)
        except ValueError:
            need = bytes_of(pixel_format, sent.width * sent.height)
            return words("push-raw-size", got=len(sent.body), width=sent.width, height=sent.height,
                         kind=pixel_format, wanted=f"{need} bytes")  # fmt: skip
        return FrameBytes(sent.camera, name, at_ms, image=image, full_scale=sent.full_scale or scale, **told)

    def _note(self, sent: Sent, frame: FrameBytes, now_s: float) -> None:
        camera = self._cameras[sent.camera]
        camera.frames += 1
        camera.rate.add(now_s)
        if frame.image is not None:
            camera.size_px = (frame.image.shape[1], frame.image.shape[0])
        camera.exposure_ms, camera.gain_db = sent.exposure_ms, sent.gain_db

    def _by_name(self, sent: Sent, frame: FrameBytes) -> dict[str, FrameBytes] | None:
        """The frames of a named shot once all have come."""
        name, self._named = sent.shot or "", True
        so_far = self._waiting.setdefault(name, {})
        so_far[sent.camera] = frame
        if len(so_far) == len(self._cameras):
            del self._waiting[name]
            return so_far
        while len(self._waiting) > limit("push_shots_waiting_most"):
            old, frames = self._waiting.popitem(last=False)
            missing = ", ".join(c for c in self._cameras if c not in frames)
            first = next(iter(frames.values())).name
            self._complain(first, None, words("no-partner", name=first, missing=missing, shot=old))
        return None

    def _by_time(self, frame: FrameBytes, now_s: float) -> dict[str, FrameBytes] | None:
        """The frames that came together, where the sender names no shots: the newest of each camera."""
        if frame.camera in self._newest:
            self._unpaired += 1
        self._newest[frame.camera] = (now_s, frame)
        for camera, (came_s, _) in list(self._newest.items()):
            if now_s - came_s > limit("push_pair_window_s"):
                del self._newest[camera]
                self._unpaired += 1
        if len(self._newest) < len(self._cameras):
            return None
        together = {camera: one for camera, (_, one) in self._newest.items()}
        self._newest.clear()
        return together
