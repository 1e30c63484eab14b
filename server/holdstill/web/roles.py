"""What whoever has joined may do."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """An operator may act; a watcher may look."""

    OPERATOR = "operator"
    WATCHER = "watcher"
    SENDER = "sender"
    """A script that sends frames, and may do nothing else."""
