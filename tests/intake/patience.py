"""Another patience than the usual, for a test."""

from __future__ import annotations

from dataclasses import replace

import pytest

from holdstill import limits


def patience(monkeypatch: pytest.MonkeyPatch, name: str, seconds: float) -> None:
    """Another value for a limit that is a time."""
    monkeypatch.setitem(limits.TABLE, name, replace(limits.TABLE[name], value=seconds))
