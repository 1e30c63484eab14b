"""The start-of-shift exercise, and how still hands must be, as the pages show them."""

from __future__ import annotations

from dataclasses import dataclass

from .advice import Say


@dataclass(frozen=True, slots=True)
class ExerciseState:
    """Two minutes of practice on the simulated rig. Times in ms on the server's clock.

    kept, refused
        Views kept and shots refused since `began_ms`. `says`: the result in words, when `done`.
    """

    began_ms: float
    until_ms: float
    done: bool
    kept: int
    refused: int
    says: tuple[Say, ...] = ()


@dataclass(frozen=True, slots=True)
class StillRule:
    """How still is still.

    motion_px
        Most motion during one exposure for a view to be taken. `exposure_ms`: the longest of the
        cameras' exposures, None where they don't tell. `longest_ms`: exposure up to which the hands
        seen so far keep within the rule, None before that is known.
    """

    motion_px: float
    exposure_ms: float | None = None
    longest_ms: float | None = None
