"""The session: ``step(state, event) -> state``, and what follows from a state.

Pure: no clock, no files, no randomness. Replaying the events gives the same session anywhere.
"""

from .advise import advise
from .exercise import Exercise
from .focusing import focus_gauge
from .judge import TAKING, Decision, Keep, Let, Refuse, judge, stuck
from .light import SPECIMEN
from .live import Live, forget_sharpness, look
from .second import STEPS as SECOND_STEPS
from .second import checks_with, scale_by_second
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
    SecondWork,
    SolveWork,
    Work,
    as_second,
    enough,
    kept_poses,
    next_step,
    second_due,
    wanted,
)

__all__ = [
    "NO_COVERAGE",
    "SECOND_STEPS",
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
    "SecondWork",
    "Refuse",
    "SolveWork",
    "State",
    "Work",
    "advise",
    "against",
    "as_second",
    "checks_with",
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
    "scale_by_second",
    "scale_known",
    "second_due",
    "sheet",
    "shown",
    "snapshot",
    "step",
    "stuck",
    "verdict",
    "wanted",
]
