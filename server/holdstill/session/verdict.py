"""Is the rig ready, and why: *ready / provisional / not yet / stop*."""

from __future__ import annotations

from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Estimate, Quantity, Ready, Say, Verdict

from .state import State


def verdict(state: State) -> Verdict:
    """What can be said of the rig now. Pure.

    *Stop* when a check fails that no further view can mend; *not yet* while something named is
    wanting; *provisional* when everything holds but the proof on views that the solve did not use,
    or the scale has no independent length; *ready* otherwise.
    """
    at_ms = state.estimate_at_ms
    estimate = state.estimate
    if estimate is None or not state.solve_ids():
        return Verdict(Ready.NOT_YET, (_unsolved(state),), Say("remedy.take views"), at_ms)
    stops = [c for c in estimate.checks if c.stops and not c.ok]
    if stops:
        reasons = tuple(_of_check(c.name, c.value, c.limit) for c in stops)
        return Verdict(Ready.STOP, reasons, _remedy(stops[0].remedy), at_ms)
    if state.withdrawn is not None:
        reasons = (Say(f"reason.withdrawn.{state.withdrawn.reason}"),)
        return Verdict(Ready.NOT_YET, reasons, Say("remedy.recheck"), state.withdrawn.at_ms, withdrawn=True)
    wanting, remedy = _wanting(state, estimate)
    if wanting:
        return Verdict(Ready.NOT_YET, tuple(wanting), remedy, at_ms)
    missing = _unproven(state)
    if missing:
        return Verdict(Ready.PROVISIONAL, tuple(s for s, _ in missing), missing[0][1], at_ms)
    proof_at = state.proof.at_ms if state.proof is not None else at_ms
    return Verdict(Ready.READY, (Say("reason.all held"),), None, max(at_ms, proof_at))


def _unsolved(state: State) -> Say:
    views = len(state.solve_ids())
    if state.failure is not None and state.failure.from_view_ids == state.solve_ids():
        return Say("reason.solve failed", {"why": state.failure.why})
    return Say("reason.few views", {"views": views, "wanted": int(limit("least_views"))})


def _wanting(state: State, estimate: Estimate) -> tuple[list[Say], Say | None]:
    reasons: list[Say] = []
    remedy: Say | None = None
    views = len(estimate.used_view_ids)
    if views < limit("least_views"):
        reasons.append(Say("reason.few views", {"views": views, "wanted": int(limit("least_views"))}))
        remedy = Say("remedy.take views")
    for check in estimate.checks:
        if not check.ok and not check.stops:
            reasons.append(_of_check(check.name, check.value, check.limit))
            remedy = remedy or _remedy(check.remedy)
    for q in estimate.quantities:
        if q.value > q.goal:
            reasons.append(over_goal(q))
            remedy = remedy or Say("remedy.more views")
    if state.proof is not None and not state.proof.result.passed:
        reasons += [Say("reason.proof failed", {"why": r}) for r in state.proof.result.reasons] or [
            Say("reason.proof failed", {"why": ""})
        ]
        remedy = remedy or Say("remedy.more views")
    return reasons, remedy


def over_goal(q: Quantity) -> Say:
    """A quantity that is above its goal, as a sentence."""
    return Say(
        "reason.over goal",
        {"name": say(Say(f"quantity.{q.name}")), "value": q.value, "goal": q.goal, "unit": q.unit},
    )


def _unproven(state: State) -> list[tuple[Say, Say]]:
    missing: list[tuple[Say, Say]] = []
    if state.proof is None:
        missing.append((Say("reason.no proof"), Say("remedy.prove")))
    if not scale_known(state):
        missing.append((Say("reason.scale unverified"), Say("remedy.enter length")))
    return missing


def scale_known(state: State) -> bool:
    """Whether an independent length stands behind the scale, or the user accepted it in words."""
    accepted = any(e.what == "accepted" and e.words.strip() for e in state.lengths)
    measured = any(e.what in ("baseline", "pitch", "gauge") for e in state.lengths)
    return (
        accepted
        or measured
        or state.rig.tape_baseline_mm is not None
        or state.plate.pitch_sigma_mm is not None
    )


def _of_check(name: str, value: float | str | None, wanted: str) -> Say:
    shown = f"{value:.4g}" if isinstance(value, float) else str(value)
    return Say("reason.check", {"name": name, "value": shown, "limit": wanted})


def _remedy(key: str) -> Say | None:
    return Say(key) if key else None
