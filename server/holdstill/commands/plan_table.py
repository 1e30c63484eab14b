"""The rig on paper in lines of text, for ``holdstill plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.phrases import say
from holdstill.records import Say

if TYPE_CHECKING:
    from holdstill.session.paper import PaperRig

_LABEL = 26
"""Letters that a label has room for; a longer one stands on a line of its own."""


def table(paper: PaperRig) -> list[str]:
    """Everything on paper, line by line."""
    from holdstill.session.paper_rows import assumed_words, sections

    lines = [_head(paper)]
    if assumed := assumed_words(paper):
        lines.append(assumed)
    for section in sections(paper):
        lines += ["", section.title]
        for label, value in section.rows:
            if len(label) > _LABEL:
                lines.append(f"  {label}")
            lines.append(_say("paper.row", label="" if len(label) > _LABEL else label, value=value))
    if paper.notes:
        lines += ["", _say("paper.notes"), *(f"  {say(note)}" for note in paper.notes)]
    return lines


def _say(key: str, **values: float | int | str) -> str:
    return say(Say(key, values))


def _head(paper: PaperRig) -> str:
    cameras = _say("paper.and").join(camera.name for camera in paper.cameras)
    values: dict[str, float | int | str] = {
        "name": paper.rig.name,
        "cameras": cameras,
        "stand_off_mm": paper.stand_off_mm,
    }
    if paper.pair is None:
        return _say("paper.head.single", **values)
    return _say("paper.head", **values, angle_deg=paper.pair.stereo_angle_deg)
