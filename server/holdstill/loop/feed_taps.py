"""Taps on the cameras themselves: which is left, which is right, and which way up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.intake.source import Feeding
from holdstill.records import Nothing, Say, Tap

if TYPE_CHECKING:
    from .runner import Runner


async def place(runner: Runner, tap: Tap) -> Say | Nothing:
    """``swap``: exchange the first two cameras; ``turn``: degrees more, of ``camera``.

    Only before the first view: later it would mix up what was kept.
    """
    if runner.state.entries:
        return Nothing("tap.refused.placed")
    wanted = {k: v for k, v in tap.values.items() if k in ("swap", "turn", "camera")}
    if not isinstance(runner.parts.source, Feeding) or not {"swap", "turn"} & set(wanted):
        return Nothing("tap.refused.bad-value")
    why = runner.parts.source.control(wanted)
    if why is not None:
        return Nothing("tap.refused.no-place", {"why": why})
    if "swap" in wanted:
        return Say("tap.done.place.swap")
    return Say("tap.done.place.turn", {"camera": wanted.get("camera", "")})
