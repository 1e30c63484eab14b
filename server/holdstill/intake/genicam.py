"""A GigE Vision or USB3 Vision camera, as a `Camera`."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from holdstill.records import Picture

from . import genicam_find
from .camera import CameraTrouble, Grab, Losses, Opened, Wishes
from .genicam_features import Features
from .genicam_setup import SetByFeatures, Setup
from .packed import full_scale_of

TICKS_AT = 0x093C
"""Timestamp tick frequency, two 32-bit registers (GigE Vision 2.0 bootstrap registers; from memory)."""
PACKET_AT = 0x0D04
"""Stream channel packet size (same table)."""


class _VivaNodes:
    """A camera of the library, as `Nodes`."""

    def __init__(self, camera: Any) -> None:
        self._camera = camera

    def get(self, name: str) -> str:
        self._camera.invalidate(name)
        return str(self._camera.get(name))

    def set(self, name: str, value: str) -> None:
        self._camera.set(name, value)

    def has(self, name: str) -> bool:
        state = self._camera.feature_state(name)
        return bool(state.is_implemented and state.is_available)

    def limits(self, name: str) -> tuple[float, float] | None:
        span = self._camera.feature_state(name).range
        return (float(span.min), float(span.max)) if span is not None else None

    def entries(self, name: str) -> Sequence[str]:
        return [str(e) for e in self._camera.available_enum_entries(name)]


class GenicamCamera(SetByFeatures):
    """A `Camera` by its serial number.

    address
        ``gige:SERIAL``, ``gige:IP``, ``usb3:SERIAL`` or a serial number alone.
    wishes
        Pixel format, region, exposure, gain, rate, trigger.
    connect
        Opens a camera of the library; tests hand in one for a camera within the same process.
    """

    def __init__(
        self, address: str, wishes: Wishes | None = None, *, connect: Callable[[], Any] | None = None
    ) -> None:
        self.address = address
        self._wishes = wishes or Wishes()
        self._connect = connect or self._by_address
        self._camera: Any = None
        self._stream: Any = None
        self._ticks_hz = 1e9
        self._packet: bytes | None = None
        self._counts = Losses()
        self._gone = False

    def _by_address(self) -> Any:
        vg = genicam_find.library()
        found = genicam_find.find(self.address)
        if found.why_not is not None and found.why_not.key == "feed.held":
            raise CameraTrouble("held", address=self.address)
        try:
            gige = getattr(found.handle, "transport", "") == "gige"
            return vg.connect_gige(found.handle) if gige else vg.connect_u3v(found.handle)
        except vg.GenicamError as trouble:
            raise _refused(self.address, trouble) from trouble

    def open(self) -> Opened:
        """Find it, take control, set it as wished, start. Raises CameraTrouble."""
        vg = genicam_find.library()
        camera = self._camera = self._connect()
        self._gone = False
        features = Features(_VivaNodes(camera), (vg.GenicamError, ValueError))
        self._setup = Setup(features, self._wishes, self.address)
        try:
            opened = self._setup.begin(genicam_find.serial_of(vg, camera))
            self._ticks_hz = _ticks_hz(vg, camera)
            self._start(vg, camera)
        except CameraTrouble:
            self.close()
            raise
        except vg.GenicamError as trouble:
            self.close()
            raise _refused(self.address, trouble) from trouble
        return opened

    def _start(self, vg: Any, camera: Any) -> None:
        """Begin to stream, with the largest packets the network carries."""
        gige = camera.transport == "gige"
        if gige:
            with contextlib.suppress(vg.GenicamError):
                self._packet = camera.read_register(PACKET_AT, 4)
        try:
            stream = camera.stream(auto_packet_size=gige)
        except vg.GenicamError:
            stream = camera.stream()
        stream.__enter__()
        self._stream = stream

    def read(self, timeout_s: float) -> Grab | None:
        """The next whole frame, or None when none came in time. Raises CameraTrouble."""
        vg = genicam_find.library()
        stream, camera = self._stream, self._camera
        if stream is None:
            raise CameraTrouble("gone", address=self.address)
        try:
            frame = stream.next_frame(int(1000 * timeout_s))
        except vg.GenicamError as trouble:
            if "timeout" in str(trouble).lower() and not _lost(camera):
                return None
            self._gone = True
            raise CameraTrouble("gone", address=self.address) from trouble
        if frame is None:
            raise CameraTrouble("gone", address=self.address)
        arrived_s = time.monotonic()
        scale = full_scale_of(frame.pixel_format)
        if scale is None:
            raise CameraTrouble("no-format", address=self.address, wished=frame.pixel_format, known="Mono8")
        image: Picture = np.ascontiguousarray(frame.to_numpy())
        camera_s = frame.ts_dev / self._ticks_hz if frame.ts_dev else None
        return Grab(image, scale, arrived_s, camera_s, frame.block_id)

    def losses(self) -> Losses:
        """Packets and frames since the stream began."""
        stream = self._stream
        if stream is not None:
            stats = stream.stats()
            self._counts = Losses(
                packets=stats.packets_received,
                packets_lost=stats.packets_missing,
                packets_again=stats.resend_recovered,
                frames=stats.frames_complete,
                frames_lost=stats.frames_incomplete + stats.frames_missed,
            )
        return self._counts

    def trigger(self) -> None:
        """Take one frame now."""
        vg = genicam_find.library()
        camera = self._camera
        if camera is None:
            raise CameraTrouble("gone", address=self.address)
        try:
            camera.trigger_software()
        except vg.GenicamError as trouble:
            self._gone = True
            raise CameraTrouble("gone", address=self.address) from trouble

    def close(self) -> None:
        """Stop, put every feature back as it was, give the camera up. Never raises."""
        camera, stream, setup = self._camera, self._stream, self._setup
        self._camera = self._stream = self._setup = None
        if stream is not None:
            with contextlib.suppress(Exception):
                stream.__exit__(None, None, None)
        if camera is None:
            return
        if not self._gone and not _lost(camera):  # each write would wait for an answer in vain
            if setup is not None:
                setup.features.put_back()
            if self._packet is not None:
                with contextlib.suppress(Exception):
                    camera.write_register(PACKET_AT, self._packet)
        with contextlib.suppress(Exception):
            camera.close()


def _lost(camera: Any) -> bool:
    """Whether a camera no longer heeds this program: powered off, unplugged, or taken over."""
    if camera is None:
        return True
    if camera.transport != "gige":  # USB tells by failing
        return False
    return str(camera.control_state.value) == "Lost"


def _ticks_hz(vg: Any, camera: Any) -> float:
    """Ticks per second of a camera's clock: by its own word, else nanoseconds."""
    for name in ("GevTimestampTickFrequency", "DeviceTimestampFrequency"):
        with contextlib.suppress(vg.GenicamError, ValueError):
            told = float(camera.get(name))
            if told > 0:
                return told
    if camera.transport == "gige":
        with contextlib.suppress(vg.GenicamError):
            ticks = int.from_bytes(camera.read_register(TICKS_AT, 8), "big")
            if ticks > 0:
                return float(ticks)
    return 1e9


def _refused(address: str, trouble: Exception) -> CameraTrouble:
    """Why the library could not open or set up a camera, in words."""
    text = str(trouble)
    if any(word in text.lower() for word in ("access", "denied", "privilege", "busy")):
        return CameraTrouble("held", address=address)
    return CameraTrouble("unreachable", address=address, reason=text.splitlines()[0][:120])
