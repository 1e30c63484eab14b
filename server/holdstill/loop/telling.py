"""What the loop tells by itself: sentences, and numbers for a report on a bug."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.phrases import say
from holdstill.records import Say, ShotReport, Step
from holdstill.session import Live, State

if TYPE_CHECKING:
    from .runner import Runner


def show(runner: Runner, report: ShotReport) -> None:
    """A shot's small pictures are now the newest ones that the phones see."""
    number = runner.pictures.now + 1
    runner.reports.update(dict.fromkeys(report.previews, (number, report)))
    runner.pictures.bump()


def session_words(key: str, **values: str) -> str:
    """A sentence of the loop's own, in words."""
    return say(Say(key, values))


def numbers_of(state: State, live: Live, eye_restarts: int, mind_restarts: int) -> dict[str, int | float]:
    """Numbers about a session for a report on a bug: counts, and no word that anybody typed."""
    return {
        "events": state.events,
        "cameras": len(state.cameras),
        "views": len(state.entries),
        "step": list(Step).index(state.step),
        "solved": int(state.estimate is not None),
        "pictures": live.shots,
        "eye restarts": eye_restarts,
        "mind restarts": mind_restarts,
    }
