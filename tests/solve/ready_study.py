"""The study behind the table "Never a false ready": clean sessions, single defects, pairs of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from holdstill.records import Estimate, Ready
from solve.ready_sessions import is_ready, live_through, plain, true_errors
from solve.session_defects import SINGLE, Defect, labels

SPOILED = 1.5
"""True error over its goal from which a session counts as spoiled."""


@dataclass(slots=True)
class Outcome:
    """A session lived through: its defects, true error over goal, verdict, reasons."""

    defects: tuple[Defect, ...]
    seed: int
    error: float
    state: Ready
    reasons: list[str] = field(default_factory=list)

    @property
    def spoiled(self) -> bool:
        return self.error >= SPOILED

    @property
    def false_ready(self) -> bool:
        return self.spoiled and self.state is Ready.READY

    @property
    def named(self) -> bool:
        """Whether one of the defects is among the reasons, or stopped its shots at the gate."""
        return any(wanted in told for d in self.defects for wanted in d.named for told in self.reasons)

    @property
    def first(self) -> str:
        return self.reasons[0].split(":")[0] if self.reasons else ""


def run(defects: Sequence[Defect], seed: int, more: int = 12) -> Outcome:
    """One session with these defects; the same seed gives the same session. `more`: views in hand."""
    script = plain(np.random.default_rng(seed), more=more)
    for defect in defects:
        defect.change(script)
    lived = live_through(script, brought_back=any(d.brought_back for d in defects))
    truth = script.shots[-1].truth
    error = (
        max(true_errors(truth, lived.estimate).values())
        if isinstance(lived.estimate, Estimate) else float("inf")
    )
    assert is_ready(lived.final) == (lived.final.state is Ready.READY)
    return Outcome(tuple(defects), seed, error, lived.final.state, labels(lived))


def pairs() -> Iterable[tuple[Defect, Defect]]:
    """Every two defects that can be put together, but for the one pair that no plain lattice shows:
    pictures mirrored in both cameras and the cameras swapped give a world that is whole in a mirror."""
    mirror = {"cameras swapped", "both cameras mirrored"}
    return ((a, b) for a, b in combinations(SINGLE, 2) if {a.name, b.name} != mirror)


def table(outcomes: Sequence[Outcome]) -> list[str]:
    """Lines of a table, one a defect (or kind of outcome)."""
    by_name: dict[str, list[Outcome]] = {}
    for o in outcomes:
        by_name.setdefault(" + ".join(d.name for d in o.defects) or "none (clean)", []).append(o)
    lines = ["| defect | sessions | spoiled | ready though spoiled | named | first reason, most often |",
             "|---|---|---|---|---|---|"]
    for name, mine in by_name.items():
        common = Counter(o.first for o in mine).most_common(2)
        lines.append(
            f"| {name} | {len(mine)} | {sum(o.spoiled for o in mine)} | {sum(o.false_ready for o in mine)} | "
            f"{sum(o.named for o in mine)} | " + ", ".join(f"{n} x {w}" for w, n in common) + " |")
    return lines
