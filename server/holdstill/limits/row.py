"""The shape of a row of the limits table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["standard", "paper", "derived", "measured", "common practice", "chosen"]


@dataclass(frozen=True, slots=True)
class Limit:
    """A threshold that decides what a user is told: value, unit, meaning, basis and source."""

    name: str
    value: float
    unit: str
    meaning: str
    basis: Basis
    source: str
