"""Cameras that OpenCV reads: USB webcams, RTSP and HTTP streams, video files, image sequences."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from holdstill.limits import limit
from holdstill.records import Picture, Say

from .camera import CameraTrouble, Grab, Losses, Opened, Wishes
from .decode import work_out_full_scale

_V4L2_TENTHS_MS = 0.1
"""Unit of CAP_PROP_EXPOSURE with V4L2: 100 us (V4L2_CID_EXPOSURE_ABSOLUTE, kernel documentation)."""
_MANUAL, _AUTO = 1.0, 3.0
"""V4L2_EXPOSURE_MANUAL and V4L2_EXPOSURE_APERTURE_PRIORITY (same source)."""


class Kind(Enum):
    """What an address names."""

    WEBCAM = "webcam"
    NETWORK = "network"
    VIDEO = "video"
    SEQUENCE = "sequence"


@dataclass(frozen=True, slots=True)
class _Automatic:
    """Something a webcam may set by itself: OpenCV's property, the values for on and off."""

    what: str
    prop: int
    off: float


_AUTOMATICS = (
    _Automatic("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, _MANUAL),
    _Automatic("focus", cv2.CAP_PROP_AUTOFOCUS, 0.0),
    _Automatic("white balance", cv2.CAP_PROP_AUTO_WB, 0.0),
)


def quiet() -> None:
    """OpenCV's own messages on failing streams say less than ours: leave them out."""
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


def open_capture(kind: Kind, where: str) -> cv2.VideoCapture:
    """OpenCV's reader for an address; may block for the network's patience, not longer."""
    quiet()
    if kind is Kind.WEBCAM:
        backend = cv2.CAP_V4L2 if sys.platform == "linux" else cv2.CAP_ANY
        return cv2.VideoCapture(int(where) if where.isdigit() else where, backend)
    if kind is Kind.SEQUENCE:
        return cv2.VideoCapture(where, cv2.CAP_IMAGES)
    if kind is Kind.NETWORK:
        patience_ms = int(1000 * limit("feed_network_s"))
        options = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, patience_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, patience_ms]
        return cv2.VideoCapture(where, cv2.CAP_FFMPEG, options)
    return _open_video(where)


def _open_video(where: str) -> cv2.VideoCapture:
    """A video file: grey ones as they are (16 bits stay 16), others in colour."""
    plain = cv2.VideoCapture(where, cv2.CAP_FFMPEG, [cv2.CAP_PROP_CONVERT_RGB, 0])
    if plain.isOpened() and int(plain.get(cv2.CAP_PROP_CODEC_PIXEL_FORMAT)) in _GREY_FORMATS:
        return plain
    plain.release()
    return cv2.VideoCapture(where, cv2.CAP_FFMPEG)


def _fourcc(text: bytes) -> int:
    return int.from_bytes(text, "little")


_GREY_FORMATS = {_fourcc(b"Y800"), _fourcc(b"GREY"), _fourcc(b"Y1\x00\x10"), _fourcc(b"Y16 ")}
"""FFmpeg's tags of gray8 and gray16le as OpenCV tells them."""


class StreamCamera:
    """A `Camera` that OpenCV reads.

    kind, where
        What it is, and OpenCV's name for it (index or device, URL, file, pattern with ``%04d``).
    opener
        Makes the reader; tests hand in one of their own for devices that can't be had.
    """

    def __init__(
        self,
        kind: Kind,
        where: str,
        wishes: Wishes | None = None,
        *,
        opener: Callable[[Kind, str], cv2.VideoCapture] = open_capture,
    ) -> None:
        self.address = where
        self.kind = kind
        self._wishes = wishes or Wishes()
        self._opener = opener
        self._capture: cv2.VideoCapture | None = None
        self._before: list[tuple[int, float]] = []
        self._frames = 0
        self._began_s = 0.0
        self._interval_s: float | None = None
        self._full_scale: int | None = None

    def open(self) -> Opened:
        """Open it. Raises CameraTrouble with the likely reason."""
        if self.kind is Kind.VIDEO and not Path(self.address).is_file():
            raise CameraTrouble("no-file", for_good=True, address=self.address)
        capture = self._opener(self.kind, self.address)
        if not capture.isOpened():
            capture.release()
            raise self._unopened()
        self._capture, self._frames = capture, 0
        rate = capture.get(cv2.CAP_PROP_FPS)
        rate_hz = rate if 0.1 <= rate <= 1000.0 else None
        if self.kind in (Kind.VIDEO, Kind.SEQUENCE):
            rate_hz = self._wishes.rate_hz or rate_hz or limit("feed_rate_hz")
            self._interval_s = 1.0 / rate_hz
        self._began_s = time.monotonic()
        size = (int(capture.get(cv2.CAP_PROP_FRAME_WIDTH)), int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)))
        automatic: tuple[str, ...] = ()
        exposure_ms = gain = None
        if self.kind is Kind.WEBCAM:
            capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
            automatic = self._switch_off(capture)
            exposure_ms, gain = self._settings(capture)
        note = Say("feed.note.network") if self.kind is Kind.NETWORK else None
        return Opened(
            what=self._what(capture),
            size_px=size if min(size) > 0 else None,
            exposure_ms=exposure_ms,
            exposure_range_ms=(0.1, 1000.0) if exposure_ms is not None else None,
            gain_db=gain,
            rate_hz=rate_hz if self.kind is not Kind.NETWORK else None,
            automatic=automatic,
            note=note,
        )

    def _unopened(self) -> CameraTrouble:
        if self.kind is Kind.WEBCAM:
            device = Path(f"/dev/video{self.address}" if self.address.isdigit() else self.address)
            if sys.platform == "linux" and not device.exists():
                return CameraTrouble("no-device", address=str(device))
            return CameraTrouble("busy", address=self.address)
        if self.kind is Kind.NETWORK:
            return CameraTrouble("no-stream", address=_without_secrets(self.address))
        key = "no-sequence" if self.kind is Kind.SEQUENCE else "no-video"
        return CameraTrouble(key, for_good=True, address=self.address)

    def _what(self, capture: cv2.VideoCapture) -> str:
        if self.kind is Kind.NETWORK:
            return _without_secrets(self.address)
        return f"{self.address} ({capture.getBackendName()})"

    # -- reading -----------------------------------------------------------------------------

    def read(self, timeout_s: float) -> Grab | None:
        """The next frame; files keep to their own pace. Raises CameraTrouble at their end."""
        capture = self._capture
        if capture is None:
            raise CameraTrouble("away", camera=self.address)
        if self._interval_s is not None:
            due_s = self._began_s + self._frames * self._interval_s - time.monotonic()
            if due_s > timeout_s:
                time.sleep(timeout_s)
                return None
            time.sleep(max(due_s, 0.0))
        came, image = capture.read()
        arrived_s = time.monotonic()
        if not came or image is None:
            if self.kind in (Kind.VIDEO, Kind.SEQUENCE):
                raise CameraTrouble("ended", for_good=True, address=self.address)
            raise CameraTrouble("gone", address=_without_secrets(self.address))
        self._frames += 1
        number = self._frames if self._interval_s is not None else None
        grey = _grey(image)
        return Grab(grey, self._scale_of(grey), arrived_s, number=number)

    def _scale_of(self, image: Picture) -> int:
        """The full scale, worked out from the first frame; raised when a frame exceeds it."""
        if image.dtype == np.uint8:
            return 255
        if self._full_scale is None or int(image.max()) > self._full_scale:
            self._full_scale = work_out_full_scale(image)
        return self._full_scale

    def close(self) -> None:
        """Put the webcam's automatics back and let go."""
        capture, self._capture = self._capture, None
        if capture is None:
            return
        with contextlib.suppress(cv2.error):
            for prop, value in reversed(self._before):
                capture.set(prop, value)
        self._before.clear()
        with contextlib.suppress(cv2.error):
            capture.release()

    # -- setting (webcams) -------------------------------------------------------------------

    def _switch_off(self, capture: cv2.VideoCapture) -> tuple[str, ...]:
        """Switch off what the webcam sets by itself; what would not be switched off."""
        stubborn = []
        for one in _AUTOMATICS:
            before = capture.get(one.prop)
            on = before == _AUTO if one.prop == cv2.CAP_PROP_AUTO_EXPOSURE else before == 1.0
            if not on:
                continue
            capture.set(one.prop, one.off)
            if capture.get(one.prop) == before:
                stubborn.append(one.what)
            else:
                self._before.append((one.prop, before))
        return tuple(stubborn)

    def _settings(self, capture: cv2.VideoCapture) -> tuple[float | None, float | None]:
        """Exposure in ms (with V4L2, whose unit is known); gain is in no known unit: None."""
        if capture.getBackendName() != "V4L2":
            return (None, None)
        value = capture.get(cv2.CAP_PROP_EXPOSURE)
        if value <= 0:
            return (None, None)
        self._before.insert(0, (cv2.CAP_PROP_EXPOSURE, value))
        return (value * _V4L2_TENTHS_MS, None)

    def set_exposure(self, exposure_ms: float) -> float:
        """Set a webcam's exposure, in steps of 0.1 ms; what it then has, ms."""
        capture = self._capture
        if capture is None or self.kind is not Kind.WEBCAM:
            raise CameraTrouble("not-settable", address=_without_secrets(self.address))
        capture.set(cv2.CAP_PROP_EXPOSURE, max(1.0, round(exposure_ms / _V4L2_TENTHS_MS)))
        return float(capture.get(cv2.CAP_PROP_EXPOSURE)) * _V4L2_TENTHS_MS

    def set_gain(self, gain_db: float) -> float:
        """A stream's gain can't be set in dB."""
        del gain_db
        raise CameraTrouble("not-settable", address=_without_secrets(self.address))

    def trigger(self) -> None:
        """A stream can't be triggered."""
        raise CameraTrouble("not-settable", address=_without_secrets(self.address))

    def losses(self) -> Losses:
        """OpenCV does not tell of losses."""
        return Losses(frames=self._frames)


def _grey(image: Any) -> Picture:
    """Rows and columns of grey, a copy of its own; colour by ITU-R BT.601."""
    if image.ndim == 3 and image.shape[2] > 1:
        image = cv2.cvtColor(image, cv2.COLOR_BGRA2GRAY if image.shape[2] == 4 else cv2.COLOR_BGR2GRAY)
    grey: Picture = np.ascontiguousarray(image[:, :, 0] if image.ndim == 3 else image)
    return grey


def _without_secrets(url: str) -> str:
    """An address without the name and password that may stand in it."""
    scheme, sep, rest = url.partition("://")
    if not sep:
        return url
    host, slash, path = rest.partition("/")
    return f"{scheme}://{host.rpartition('@')[2]}{slash}{path.partition('?')[0]}"
