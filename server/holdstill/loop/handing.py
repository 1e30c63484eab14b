"""The hand-over files of a session."""

from __future__ import annotations

from pathlib import Path

from holdstill import session, target
from holdstill.archive import Originals
from holdstill.session import State


def hand_over(state: State, originals: Originals, folder: Path) -> list[tuple[str, int]]:
    """Write them to `folder`; (name, bytes) of each. Placeholder until archive lands."""
    raise NotImplementedError((session, target, state, originals, folder))
