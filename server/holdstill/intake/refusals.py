"""Complaints in words: what, got, wanted, where, and the next step."""

from __future__ import annotations

from holdstill.errors import BadFrame, BadInput
from holdstill.phrases import say
from holdstill.records import Say


class Unfinished(BadFrame):
    """A picture that looks half-written: worth another look when its file changes."""


def shown(name: str, longest: int = 160) -> str:
    """`name` fit to stand in one line of text: control characters replaced, length bounded.

    >>> shown("left\\n01.png")
    'left�01.png'
    """
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in name)
    return clean if len(clean) <= longest else clean[: longest // 2] + "..." + clean[-longest // 3 :]


def words(key: str, /, **values: float | int | str) -> str:
    """The sentence called `key` of ``phrases.intake``; text values are made fit to show."""
    fit = {k: shown(v) if isinstance(v, str) else v for k, v in values.items()}
    return say(Say("intake." + key, fit))


def bad_frame(key: str, /, **values: float | int | str) -> BadFrame:
    """A `BadFrame` with the sentence called `key`."""
    return BadFrame(words(key, **values))


def unfinished(key: str, /, **values: float | int | str) -> Unfinished:
    """An `Unfinished` with the sentence called `key`."""
    return Unfinished(words(key, **values))


def bad_input(key: str, /, **values: float | int | str) -> BadInput:
    """A `BadInput` with the sentence called `key`."""
    return BadInput(words(key, **values))
