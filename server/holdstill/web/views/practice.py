"""The start-of-shift exercise, and the rule of how still is still."""

from __future__ import annotations

import math
from typing import Any

from holdstill.records import Snapshot

from .words import Words

LOOKS = (("0.1", "still.strict"), ("0.2", "still.usual"), ("0.5", "still.lenient"))
"""Choices of the most motion in one exposure, px, and their words."""
_EVERY_S = 5
"""The time left is shown in steps of so many seconds, so that the page is not redrawn for each."""


def left_words(snapshot: Snapshot, words: Words) -> str:
    """Time left in the exercise, or "" without one."""
    exercise = snapshot.exercise
    if exercise is None or exercise.done:
        return ""
    seconds = _left_s(snapshot)
    return words.key("exercise.left", left=f"{seconds // 60}:{seconds % 60:02d}")


def _left_s(snapshot: Snapshot) -> int:
    exercise = snapshot.exercise
    if exercise is None:
        return 0
    left = max(0.0, exercise.until_ms - snapshot.at_ms) / 1000.0
    return _EVERY_S * math.ceil(left / _EVERY_S)


def show_exercise(snapshot: Snapshot, words: Words) -> dict[str, Any]:
    """The exercise's card: what it is, how far it is, and its result in words."""
    exercise = snapshot.exercise
    return {
        "simulated": snapshot.sim is not None,
        "exercise": exercise,
        "left": left_words(snapshot, words),
        "says": [words.say(s) for s in exercise.says] if exercise is not None else [],
    }


def exercise_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the exercise's card depends on."""
    exercise = snapshot.exercise
    if exercise is None:
        return (None, snapshot.sim is None)
    return (exercise.began_ms, exercise.done, exercise.kept, exercise.refused, _left_s(snapshot))


def rail_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the line at the top depends on: session, steps, and the time left in an exercise."""
    return (snapshot.session_name, snapshot.step, snapshot.steps, exercise_reads(snapshot))


def show_still(snapshot: Snapshot, words: Words) -> dict[str, Any]:
    """The shutter rule in words, and its choices."""
    rule = snapshot.still_rule
    too_long = (
        rule.longest_ms is not None and rule.exposure_ms is not None and rule.longest_ms < rule.exposure_ms
    )
    lines = [words.key("still.rule", motion_px=rule.motion_px)]
    if rule.exposure_ms is not None:
        lines.append(words.key("still.exposure", exposure_ms=rule.exposure_ms))
    if rule.longest_ms is not None and rule.longest_ms < 1000.0:
        lines.append(words.key("still.hands", longest_ms=rule.longest_ms))
    return {
        "lines": lines,
        "too_long": words.key("still.too long") if too_long else "",
        "choices": [
            (value, words.key(key), abs(float(value) - rule.motion_px) < 1e-9) for value, key in LOOKS
        ],
    }
