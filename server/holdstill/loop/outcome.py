"""From a worker's answer to the event that records it."""

from __future__ import annotations

from holdstill import solve
from holdstill.records import Cue, DriftResult, Estimate, Nothing, ProofResult
from holdstill.records import events as ev
from holdstill.records.second import SecondPlate
from holdstill.session import PlanWork, ProveWork, RecheckWork, SecondWork, SolveWork, Work


def event_of(work: Work, result: object, *, at_ms: float, took_ms: float) -> ev.Event | None:
    """The event for `result` of `work`; None when there is nothing to record (no pose to ask for).

    Raises TypeError when a door gave back something it does not promise.
    """
    match work, result:
        case SolveWork(), Estimate():
            ids = tuple(v.view_id for v in work.views)
            return ev.Solved(at_ms, solve.without_residuals(result), ids, took_ms)
        case SolveWork(), Nothing():
            ids = tuple(v.view_id for v in work.views)
            return ev.SolveFailed(at_ms, result.why, ids, result.numbers)
        case PlanWork(), Cue():
            return ev.CueSet(at_ms, result)
        case ProveWork(), ProofResult():
            return ev.Proved(at_ms, result, tuple(v.view_id for v in work.proof_views))
        case ProveWork(), Nothing():
            failed = ProofResult((), "none", 0.0, None, 0, None, None, passed=False, reasons=(result.why,))
            return ev.Proved(at_ms, failed, tuple(v.view_id for v in work.proof_views))
        case RecheckWork(), DriftResult():
            return ev.Rechecked(at_ms, result, work.views[0].name)
        case SecondWork(), SecondPlate():
            return ev.SecondPlateMeasured(at_ms, result, len(work.views))
        case SecondWork(), Nothing():
            return ev.SecondPlateMeasured(at_ms, None, len(work.views), result.why)
        case PlanWork() | RecheckWork(), Nothing():
            return None
        case _:
            raise TypeError(f"{type(work).__name__} was answered by {type(result).__name__}")
