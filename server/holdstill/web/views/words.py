"""Sentences, numbers and times as a page shows them."""

from __future__ import annotations

import logging
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from holdstill.phrases import CATALOGUE, operator_side, say
from holdstill.records import Quantity, Say

_LOG = logging.getLogger(__name__)
_UNIT = re.compile(r"(?<=\d) (?=(?:%|(?:µm|mm|px|ms|s|dB|degrees?)\b))")
_MICROMETRES = re.compile(r"(?<=\d )um\b")


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences turned to the operator's side, times in the bench's time zone."""

    faces_cameras: bool = True
    zone: tzinfo = UTC

    def say(self, sentence: Say | None) -> str:
        """The sentence; "" for None. A sentence whose words are missing is logged and shown by its
        key, so that a gap in the catalogue never hides the rest of a page."""
        if sentence is None:
            return ""
        try:
            return _MICROMETRES.sub("µm", say(sentence, faces_cameras=self.faces_cameras))
        except (KeyError, ValueError, IndexError):
            _LOG.error("no words for %s with %s", sentence.key, sorted(sentence.values))
            return sentence.key.replace(".", ": ").replace("-", " ")

    def key(self, key: str, **values: float | int | str) -> str:
        """The sentence of a key of the pages' own."""
        return self.say(Say(key, values))

    def has(self, key: str) -> bool:
        """True when the catalogue knows the key."""
        return key in CATALOGUE

    def side(self, place: str) -> str:
        """A place in the pictures, named from the operator's side."""
        return operator_side(place, faces_cameras=self.faces_cameras)

    def clock(self, at_ms: float) -> str:
        """Hours, minutes and seconds at the bench."""
        return datetime.fromtimestamp(at_ms / 1000, self.zone).strftime("%H:%M:%S")

    def day(self, at_ms: float) -> str:
        """Date and time to the minute at the bench."""
        return datetime.fromtimestamp(at_ms / 1000, self.zone).strftime("%Y-%m-%d %H:%M")


def unbroken(text: str) -> str:
    """`text` in which no line ends between a number and its unit."""
    return _UNIT.sub("\u00a0", text)


def figure(value: float, unit: str = "") -> str:
    """A measured value with a sensible number of digits: ``3.1 µm``, ``0.047 px``, ``128 µm``, ``0.0004 px``;
    what is not nothing is never told as nothing."""
    unit = {"um": "µm", "deg": "°"}.get(unit, unit)
    size = abs(value)
    digits = 0 if size >= 99.5 else 1 if size >= 1 else 2 if size >= 0.1 else 3
    if 0 < size < 0.0005:
        digits = min(9, math.ceil(-math.log10(size)))
    text = f"{value:.{digits}f}"
    return f"{text}{unit}" if unit == "°" else f"{text} {unit}".strip()


def share(value: float) -> str:
    """A share 0..1 in per cent: ``0.4 %``, ``12 %``."""
    percent = 100 * value
    return f"{percent:.0f} %" if percent >= 9.95 or percent == 0 else f"{percent:.1f} %"


def size_of(size_bytes: float) -> str:
    """Bytes for people (powers of ten, as storage is sold)."""
    size = float(size_bytes)
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000:
            return f"{size:.0f} {unit}" if unit == "B" or size >= 10 else f"{size:.1f} {unit}"
        size /= 1000
    return f"{size:.1f} TB"


def quantity_name(quantity: Quantity, words: Words) -> str:
    """What a quantity is called: ``length error over 100 mm``."""
    if quantity.gauge_mm is not None and words.has(f"quantity.{quantity.name}.over"):
        return words.key(f"quantity.{quantity.name}.over", gauge_mm=quantity.gauge_mm)
    return words.key(f"quantity.{quantity.name}")
