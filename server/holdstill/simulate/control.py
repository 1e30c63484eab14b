"""What a visitor may change on a simulated bench, read from text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Say

RANGES: dict[str, tuple[float, float]] = {
    "tilt_x_deg": (-55.0, 55.0),
    "tilt_y_deg": (-55.0, 55.0),
    "turn_deg": (-360.0, 360.0),
    "x_mm": (-400.0, 400.0),
    "y_mm": (-400.0, 400.0),
    "distance_mm": (250.0, 3000.0),
    "exposure_stops": (-6.0, 6.0),
    "focus_mm": (150.0, 5000.0),
    "exposure_ms": (0.05, 250.0),
    "gain_db": (0.0, 24.0),
    "knock_deg": (-2.0, 2.0),
}
"""Smallest and largest value of each control: what the simulation can draw."""

_HELD = ("tilt_x_deg", "tilt_y_deg", "turn_deg", "x_mm", "y_mm", "distance_mm")
_SWITCHES = ("visitor_holds", "glare_lamp", "finger", "shake")
_YES = {
    "yes": True,
    "no": False,
    "true": True,
    "false": False,
    "1": True,
    "0": False,
    "on": True,
    "off": False,
}


@dataclass(frozen=True, slots=True)
class Change:
    """Wishes by field; None leaves a thing as it is. `held`: the six numbers of the plate."""

    visitor_holds: bool | None = None
    glare_lamp: bool | None = None
    finger: bool | None = None
    shake: bool | None = None
    held: Mapping[str, float] = field(default_factory=dict)
    exposure_stops: float | None = None
    exposure_by_stops: float | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None
    focus_mm: float | None = None
    knock_deg: float | None = None


def read(changes: Mapping[str, str]) -> Change:
    """Fields of `SimState` (and exposure, exposure_ms, gain_db, knock_deg) from text.

    Numbers are held to `RANGES`.  ``exposure`` is a change in stops, or ``auto`` for the usual
    exposure.  Raises BadInput, in words, for an unknown name or a value that is no number.
    """
    held: dict[str, float] = {}
    switches: dict[str, bool] = {}
    numbers: dict[str, float] = {}
    for name, text in changes.items():
        if name in _SWITCHES:
            if text.strip().lower() not in _YES:
                raise BadInput(say(Say("simulate.not-a-switch", {"name": name, "got": text[:40]})))
            switches[name] = _YES[text.strip().lower()]
        elif name == "exposure":
            auto = text.strip().lower() == "auto"
            numbers["exposure_stops" if auto else "exposure_by_stops"] = 0.0 if auto else _number(name, text)
        elif name in _HELD:
            held[name] = _number(name, text)
        elif name in RANGES:
            numbers[name] = _number(name, text)
        else:
            known = ", ".join((*_SWITCHES, "exposure", *RANGES))
            raise BadInput(say(Say("simulate.unknown-control", {"name": name[:40], "known": known})))
    return Change(held=held, **switches, **numbers)  # type: ignore[arg-type]


def _number(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isnan(value):
        raise BadInput(say(Say("simulate.not-a-number", {"name": name, "got": text[:40]})))
    low, high = RANGES.get(name, (-6.0, 6.0))
    return min(max(value, low), high)
