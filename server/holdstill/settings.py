"""Choices a user can make, with their defaults: one table for options, the session and Help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Value = float | int | str | bool


@dataclass(frozen=True, slots=True)
class Setting:
    """A choice: name, default, and what it means (shown in Help)."""

    name: str
    default: Value
    meaning: str


TABLE: dict[str, Setting] = {
    row.name: row
    for row in (
        Setting(
            "faces_cameras",
            True,
            "The operator faces the cameras (True) or stands behind them (False): whose left is meant.",
        ),
        Setting("proof_views", 3, "Views taken at the end that the solve does not use, to test it."),
        Setting("auto_hand_over", False, "Write the hand-over files as soon as the rig is ready."),
        Setting("auto_take", True, "Take a view by itself when the plate is still and worth it."),
        Setting(
            "motion_px",
            0.2,
            "Most motion of the plate during one exposure, in px, for a view to be taken: 0.1 to 1.",
        ),
        Setting("goal_views_most", 40, "Stop asking for views at this number whatever the uncertainty."),
        Setting("plan", "information", '"information" or "customary" (a fixed list of 26 poses).'),
    )
}


def defaults() -> dict[str, Value]:
    """Every setting's default by name."""
    return {name: row.default for name, row in TABLE.items()}


def value(settings: Mapping[str, Value], name: str) -> Value:
    """A setting's value in `settings`, or its default. Raises KeyError for an unknown name."""
    return settings.get(name, TABLE[name].default)
