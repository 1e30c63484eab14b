"""The session: ``step(state, event) -> state``, and what follows from a state.

Pure: no clock, no files, no randomness. Replaying the events gives the same session anywhere.
"""

from .advise import advise
from .exercise import Exercise
from .focusing import focus_gauge
from .judge import TAKING, Decision, Keep, Let, Refuse, judge, stuck
from .light import SPECIMEN
from .live import Live, forget_sharpness, look
from .setup import SETTING_UP, dim_views, shown
from .sheet import sheet
from .snapshot import NO_COVERAGE, Around, rows, snapshot
from .state import Entry, State, replay, step
from .troubles import Found, first_trouble
from .verdict import against, scale_known, verdict
from .work import (
    PlanWork,
    ProveWork,
    RecheckWork,
    SolveWork,
    Work,
    enough,
    kept_poses,
    next_step,
    wanted,
)

__all__ = [
    "NO_COVERAGE",
    "SETTING_UP",
    "SPECIMEN",
    "TAKING",
    "Around",
    "Decision",
    "Entry",
    "Exercise",
    "Found",
    "Keep",
    "Let",
    "Live",
    "PlanWork",
    "ProveWork",
    "RecheckWork",
    "Refuse",
    "SolveWork",
    "State",
    "Work",
    "advise",
    "against",
    "enough",
    "first_trouble",
    "dim_views",
    "focus_gauge",
    "forget_sharpness",
    "judge",
    "kept_poses",
    "look",
    "next_step",
    "replay",
    "rows",
    "scale_known",
    "sheet",
    "shown",
    "snapshot",
    "step",
    "stuck",
    "verdict",
    "wanted",
]
