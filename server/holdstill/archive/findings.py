"""What an examination found: a line that says how it is, and how to mend it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from holdstill.phrases import say
from holdstill.records import Say


class Health(StrEnum):
    """FINE; NOTE: worth knowing, nothing to do; WRONG: to be mended."""

    FINE = "fine"
    NOTE = "note"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at. Its sentence is ``doctor.<check>.<outcome>``, which for anything
    wrong ends with the way to mend it."""

    check: str
    outcome: str
    health: Health
    values: Mapping[str, float | int | str] = field(default_factory=dict)

    def words(self) -> str:
        """The finding as a sentence."""
        return say(Say(f"doctor.{self.check}.{self.outcome}", self.values))


def fine(check: str, outcome: str = "fine", **values: float | int | str) -> Finding:
    """A finding that all is well."""
    return Finding(check, outcome, Health.FINE, values)


def note(check: str, outcome: str, **values: float | int | str) -> Finding:
    """A finding worth knowing."""
    return Finding(check, outcome, Health.NOTE, values)


def wrong(check: str, outcome: str, **values: float | int | str) -> Finding:
    """A finding to be mended."""
    return Finding(check, outcome, Health.WRONG, values)
