"""Taps: a form in, a sentence out."""

from __future__ import annotations

from collections.abc import Mapping

from holdstill.records import Nothing, Say, Tap, TapKind

LONGEST_VALUE = 400
MOST_VALUES = 16


def tap_of(form: Mapping[str, str]) -> Tap | Nothing:
    """The tap that a form's fields ask for, or ``Nothing`` with the phrase that says why not.

    ``kind`` is a `TapKind` value, ``cue`` the number of the cue the person saw (may be empty);
    every other field travels in the tap's values.
    """
    try:
        kind = TapKind(form.get("kind", ""))
    except ValueError:
        return Nothing("tap.refused.unknown")
    number = form.get("cue", "")
    if number and not (number.isascii() and number.isdigit() and len(number) < 10):
        return Nothing("tap.refused.bad-value")
    values = {name: value for name, value in form.items() if name not in ("kind", "cue")}
    if len(values) > MOST_VALUES or any(len(v) > LONGEST_VALUE or len(n) > 40 for n, v in values.items()):
        return Nothing("tap.refused.bad-value")
    return Tap(kind, int(number) if number else None, values)


def refusal(nothing: Nothing) -> Say:
    """A refused tap's sentence."""
    return Say(nothing.why, nothing.numbers)
