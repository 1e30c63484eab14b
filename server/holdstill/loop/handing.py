"""The hand-over files of a session."""

from __future__ import annotations

import time
from pathlib import Path

from holdstill.archive import Originals, handover
from holdstill.session import State


def hand_over(state: State, originals: Originals, folder: Path) -> list[tuple[str, int]]:
    """Write them to `folder`; (name, bytes) of each. Raises StorageTrouble."""
    return handover.hand_over(state, originals, folder, time.time() * 1000.0)
