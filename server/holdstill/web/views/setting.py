"""The first three steps' part of the pages: what the stage shows, and the card with the rest."""

from __future__ import annotations

from typing import Any

from holdstill.records import Snapshot, Step

from .focus import focus_card, focus_reads, focus_stage
from .light import light_card, light_reads, light_stage
from .rig import rig_card, rig_reads, rig_stage
from .words import Words

Context = dict[str, Any]


def setting_stage(snapshot: Snapshot, words: Words) -> Context:
    """What the stage of the Rig, Focus or Light step shows."""
    if snapshot.step is Step.FOCUS:
        return {"focus": focus_stage(snapshot, words)}
    if snapshot.step is Step.LIGHT:
        return {"light": light_stage(snapshot, words)}
    return {"rig": rig_stage(snapshot, words)}


def setting_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What that stage depends on."""
    if snapshot.step is Step.FOCUS:
        return focus_reads(snapshot)
    if snapshot.step is Step.LIGHT:
        return light_reads(snapshot)
    return rig_reads(snapshot)


def show_setup(snapshot: Snapshot, words: Words) -> Context:
    """The card of the first three steps; nothing on the later ones."""
    if snapshot.step is Step.FOCUS:
        return {"panel": "focus", "card": focus_card(snapshot, words)}
    if snapshot.step is Step.LIGHT:
        return {"panel": "light", "card": light_card(snapshot, words)}
    if snapshot.step is Step.RIG:
        return {"panel": "rig", "card": rig_card(snapshot, words)}
    return {"panel": "", "card": {}}


def card_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the card depends on."""
    if snapshot.step is Step.FOCUS:
        focus = snapshot.setup.focus
        shift = tuple((c, round(v, 2)) for c, v in focus.shift.items())
        return (snapshot.step, tuple(focus.routine.items()), focus.apertures, shift)
    if snapshot.step is Step.LIGHT:
        return (snapshot.step, *light_reads(snapshot))
    if snapshot.step is Step.RIG:
        return (snapshot.step, *rig_reads(snapshot))
    return (None,)
