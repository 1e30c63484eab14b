"""A check's name, value and remedy in words, alike on the pages, in the report and in the verdict."""

from __future__ import annotations

from holdstill.records import Check, Say

from . import CATALOGUE, say


def check_name(check: Check) -> str:
    """What is checked."""
    return _known(f"check.{check.name}") or check.name


def check_value(check: Check) -> str:
    """Its value with its unit; "-" where there is none."""
    if check.value is None or check.value == "":
        return "-"
    if not isinstance(check.value, float | int):
        return str(check.value)
    unit = _known(f"check.unit.{check.name}")
    return f"{check.value:.5g} {unit}" if unit else f"{check.value:.5g}"


def check_remedy(check: Check) -> str:
    """What to do about it; "" while it holds."""
    return _known(check.remedy) or check.remedy


def _known(key: str) -> str:
    return say(Say(key)) if key in CATALOGUE else ""
