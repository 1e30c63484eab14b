"""Words for people, and nowhere else. ``say(Say(...))`` gives a sentence.

Each room's sentences stand in a file of their own here (``KEY: "template {value_px:.1f}"``); a
key stands once.  `faces_cameras` turns left and right to the operator's side: values named
``side`` or ``place`` are given as the cameras see them, and swapped for a person who faces them.
"""

from __future__ import annotations

import re

from holdstill.records import Say

from . import (
    archive,
    common,
    cues,
    feeds,
    intake,
    measure,
    plan,
    rig,
    session,
    sheet,
    simulate,
    solve,
    target,
    trust,
    web,
)

CATALOGUE: dict[str, str] = {}


def add(words: dict[str, str]) -> None:
    """Put a file's sentences into the catalogue. Raises ValueError when a key stands twice."""
    for key, template in words.items():
        if key in CATALOGUE:
            raise ValueError(f"phrase {key!r} stands twice")
        CATALOGUE[key] = template


add(archive.WORDS)
add(common.WORDS)
add(target.WORDS)
add(trust.WORDS)
add(cues.WORDS)
add(feeds.WORDS)
add(intake.WORDS)
add(measure.WORDS)
add(plan.WORDS)
add(rig.WORDS)
add(session.WORDS)
add(sheet.WORDS)
add(simulate.WORDS)
add(solve.WORDS)
add(web.WORDS)

_SWAP = {"left": "right", "right": "left"}


def operator_side(words: str, *, faces_cameras: bool) -> str:
    """`words` with left and right swapped when the operator faces the cameras.

    >>> operator_side("upper left", faces_cameras=True)
    'upper right'
    """
    if not faces_cameras:
        return words
    return re.sub(r"\b(left|right)\b", lambda m: _SWAP[m.group()], words)


def say(sentence: Say, *, faces_cameras: bool = True) -> str:
    """The sentence in words. Raises KeyError for a key that is not in the catalogue."""
    values = {
        name: operator_side(value, faces_cameras=faces_cameras)
        if name in ("side", "place") and isinstance(value, str)
        else value
        for name, value in sentence.values.items()
    }
    return CATALOGUE[sentence.key].format(**values)
