"""The lamps that glare gave away, on a small plan seen from above, from the operator's side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from holdstill.limits import limit
from holdstill.records import Lamp, Say, Snapshot

from .words import Words

WIDTH, HEIGHT = 200.0, 130.0
_STAND_OFF = 72.0
"""One stand-off on paper."""
_EDGE = 12.0


@dataclass(frozen=True, slots=True)
class LampMark:
    """A lamp on the plan: place in the box, its name in words, whether it is in the way."""

    x: float
    y: float
    name: str
    guilty: bool


def lamp_mark(lamp: Lamp, words: Words, *, guilty: bool) -> LampMark:
    """Where a lamp stands on the plan; one beyond the paper stands at its edge.

    Who faces the cameras has them ahead, at the top, and their right on the left; who stands behind
    them has the plate ahead.
    """
    across, _, along = lamp.bench_share or (0.0, 0.0, -1.0)
    side, middle = (-1.0, _plate_y(words)) if words.faces_cameras else (1.0, _plate_y(words))
    away = 1.0 if words.faces_cameras else -1.0
    x = 0.5 * WIDTH + side * across * _STAND_OFF
    y = middle + away * along * _STAND_OFF
    held = min(max(x, _EDGE), WIDTH - _EDGE), min(max(y, _EDGE), HEIGHT - _EDGE)
    return LampMark(*held, words.say(named(lamp.side)), guilty)


def _plate_y(words: Words) -> float:
    return HEIGHT - 30.0 if words.faces_cameras else 30.0


def named(side: str) -> Say:
    """A lamp's name by the side it stands on."""
    return Say("lamp.at.side", {"side": side}) if side in ("left", "right") else Say(f"lamp.at.{side}")


def show_lamps(snapshot: Snapshot, words: Words) -> dict[str, Any]:
    """The plan: plate, cameras, lamps; and what to do about the one in the way."""
    cue = snapshot.advice.cue
    guilty = cue.lamp if cue is not None else ""
    count = max(1, min(len(snapshot.cameras), 5))
    away = -1.0 if words.faces_cameras else 1.0
    cameras = [
        (0.5 * WIDTH + 26.0 * (i - 0.5 * (count - 1)), _plate_y(words) + away * _STAND_OFF)
        for i in range(count)
    ]
    sentence = None
    if guilty:
        sentence = (
            Say("lamp.move.side", {"side": guilty})
            if guilty in ("left", "right")
            else Say(f"lamp.move.{guilty}")
        )
    return {
        "lamps": [
            lamp_mark(lamp, words, guilty=lamp.side == guilty)
            for lamp in snapshot.lamps
            if lamp.sightings >= limit("lamp_shown_sightings") or lamp.side == guilty
        ],
        "plate_y": _plate_y(words),
        "cameras": cameras,
        "sentence": words.say(sentence),
        "width": WIDTH,
        "height": HEIGHT,
    }


def lamps_read(snapshot: Snapshot) -> tuple[object, ...]:
    """What the plan depends on."""
    cue = snapshot.advice.cue
    return (
        snapshot.lamps,
        cue.lamp if cue is not None else "",
        len(snapshot.cameras),
        snapshot.operator_faces_cameras,
    )
