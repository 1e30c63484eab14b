"""Every threshold that decides what a user is told, in one table.

The rows stand in one file per room that uses them; ``TABLE`` is all of them by name, and
``limit("name")`` is the value.
"""

from __future__ import annotations

from . import intake, measure, plan, rig, session, setting_up, solve, target, trust
from .row import Limit

TABLE: dict[str, Limit] = {}
_FILES = (intake, measure, target, plan, rig, solve, session, setting_up, trust)
for _rows in (file.ROWS for file in _FILES):
    for _row in _rows:
        if _row.name in TABLE:
            raise ValueError(f"limit {_row.name!r} stands twice in the table")
        TABLE[_row.name] = _row


def limit(name: str) -> float:
    """Value of the limit called `name`. Raises KeyError for a name that is not in the table."""
    return TABLE[name].value


def all_values() -> dict[str, float]:
    """Every limit's value by name, as a session records them."""
    return {name: row.value for name, row in TABLE.items()}


__all__ = ["TABLE", "Limit", "all_values", "limit"]
