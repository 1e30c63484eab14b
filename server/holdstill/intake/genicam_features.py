"""A GenICam camera's features: read and set by their standard names, put back afterwards.

Names: GenICam Standard Features Naming Convention (SFNC) 2.7, and the older ones it replaced
(``ExposureTimeAbs``, ``GainRaw``), from memory.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Sequence
from typing import Any, Protocol

log = logging.getLogger("holdstill")

EXPOSURE = ("ExposureTime", "ExposureTimeAbs")
"""In microseconds."""
GAIN = ("Gain", "GainRaw")
RATE = ("AcquisitionFrameRate", "AcquisitionFrameRateAbs")
RATE_ENABLE = ("AcquisitionFrameRateEnable", "AcquisitionFrameRateEnabled")
AUTOMATICS = {"exposure": "ExposureAuto", "gain": "GainAuto", "white balance": "BalanceWhiteAuto"}


class Nodes(Protocol):
    """What is needed of a camera's library: features by name, as text.  Raises whatever it likes."""

    def get(self, name: str) -> str:
        """A feature's value."""
        ...

    def set(self, name: str, value: str) -> None:
        """Set a feature."""
        ...

    def has(self, name: str) -> bool:
        """Whether the camera has it and it is available now."""
        ...

    def limits(self, name: str) -> tuple[float, float] | None:
        """Smallest and largest value now."""
        ...

    def entries(self, name: str) -> Sequence[str]:
        """What an enumeration accepts."""
        ...


class Features:
    """Sets features and remembers what they were.

    nodes
        The camera. `troubles`: the exceptions its library raises.
    """

    def __init__(self, nodes: Nodes, troubles: tuple[type[Exception], ...]) -> None:
        self._nodes = nodes
        self._troubles = troubles
        self._before: dict[str, str] = {}

    def has(self, name: str) -> bool:
        """Whether the camera has a feature."""
        with contextlib.suppress(*self._troubles):
            return self._nodes.has(name)
        return False

    def first(self, names: Sequence[str]) -> str | None:
        """The first of `names` that the camera has."""
        return next((n for n in names if self.has(n)), None)

    def text(self, name: str | None) -> str | None:
        """A feature's value as text; None where there is none."""
        if name is None:
            return None
        with contextlib.suppress(*self._troubles):
            return self._nodes.get(name)
        return None

    def number(self, name: str | None) -> float | None:
        """A feature's value; None where there is none."""
        text = self.text(name)
        try:
            return float(text) if text is not None else None
        except ValueError:
            return None

    def limits(self, name: str) -> tuple[float, float] | None:
        """Smallest and largest value now; None where the camera does not tell."""
        with contextlib.suppress(*self._troubles):
            return self._nodes.limits(name)
        return None

    def entries(self, name: str) -> tuple[str, ...]:
        """What an enumeration accepts; empty where there is none."""
        with contextlib.suppress(*self._troubles):
            return tuple(self._nodes.entries(name))
        return ()

    def put(self, name: str | None, value: Any) -> bool:
        """Set a feature, remembering what it was; False when the camera would not."""
        if name is None:
            return False
        before, wanted = self.text(name), value if isinstance(value, str) else f"{value:g}"
        if isinstance(value, int) and not isinstance(value, bool):
            wanted = str(value)
        if before == wanted:
            return True
        try:
            self._nodes.set(name, wanted)
        except self._troubles as trouble:
            log.info("%s = %s was refused: %s", name, wanted, trouble)
            return False
        if before is not None:
            self._before.setdefault(name, before)
        return True

    def put_within(self, name: str, value: float) -> bool:
        """Set a number, held to what the camera accepts now."""
        span = self.limits(name)
        if span is not None:
            value = min(max(value, span[0]), span[1])
        return self.put(name, float(value))

    def put_back(self) -> None:
        """Set everything as it was, newest change first; what the camera refuses stays."""
        waiting = list(reversed(self._before.items()))
        for _ in range(2):  # a region's offset may have to wait for its width, and the other way round
            refused = []
            for name, value in waiting:
                try:
                    self._nodes.set(name, value)
                except self._troubles:
                    refused.append((name, value))
            waiting = refused
        for name, value in waiting:
            log.info("%s could not be put back to %s", name, value)
        self._before.clear()

    # -- what a rig needs --------------------------------------------------------------------

    def region(self, left: int, top: int, width: int, height: int) -> bool:
        """Read out a part of the sensor: size first while the offsets are zero, then the offsets."""
        for name in ("OffsetX", "OffsetY"):
            self.put(name, 0)
        done = self.put("Width", width) and self.put("Height", height)
        done = (self.put("OffsetX", left) or left == 0) and done
        return (self.put("OffsetY", top) or top == 0) and done

    def switch_off_automatics(self) -> tuple[str, ...]:
        """Switch off what the camera sets by itself; what would not be switched off."""
        stubborn = []
        for what, name in AUTOMATICS.items():
            if self.text(name) in (None, "Off"):
                continue
            if not self.put(name, "Off"):
                stubborn.append(what)
        return tuple(stubborn)

    def free_running(self, rate_hz: float | None) -> None:
        """Frames come by themselves, `rate_hz` a second if the camera can be told."""
        if self.text("TriggerMode") not in (None, "Off"):
            self.put("TriggerMode", "Off")
        if rate_hz is not None:
            enable = self.first(RATE_ENABLE)
            if enable is not None:
                self.put(enable, "true")
            rate = self.first(RATE)
            if rate is not None:
                self.put_within(rate, rate_hz)

    def triggered(self, source: str) -> bool:
        """Each frame waits for a trigger: ``"Software"``, or a line.  False when it can't be had."""
        if self.has("TriggerSelector"):
            self.put("TriggerSelector", "FrameStart")
        if source not in self.entries("TriggerSource"):
            return False
        return self.put("TriggerSource", source) and self.put("TriggerMode", "On")

    def lines(self) -> tuple[str, ...]:
        """Trigger inputs, in the camera's order."""
        return tuple(e for e in self.entries("TriggerSource") if e.startswith("Line"))
