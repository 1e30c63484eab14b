"""Is the rig ready, and why: *ready / provisional / not yet / stop*."""

from __future__ import annotations

from collections.abc import Mapping

from holdstill.limits import limit
from holdstill.phrases import CATALOGUE, say
from holdstill.phrases.checks import check_name, check_value
from holdstill.records import Check, Estimate, Quantity, Ready, Say, Trouble, Verdict
from holdstill.records import events as ev

from .second import checks_with, scale_by_second
from .state import State

WANTS_VIEWS = ("too few views", "no shared view", "views too alike", "no cameras")
"""Why a solve failed, where more views are the cure."""
UNITS = {"um": "µm"}
"""Units as people write them."""
TOO_FEW_TO_HOLD_OUT = "too few views for folds"
"""Why a proof could not even be tried."""


def verdict(state: State) -> Verdict:
    """What can be said of the rig now. Pure.

    *Stop* when a check fails that no further view can mend; *not yet* while something named is
    wanting, or once a later picture has spoken against it; *provisional* when everything holds but the
    proof on views that the solve did not use, or the scale has no independent length; *ready*
    otherwise. The first reason is the one to mend first, and `remedy` belongs to it.
    """
    at_ms = state.estimate_at_ms
    estimate = state.estimate
    if estimate is None or not state.solve_ids() or _failed(state):
        unsolved, next_move = _unsolved(state)
        return Verdict(Ready.NOT_YET, (unsolved,), next_move, at_ms)
    checks = checks_with(estimate.checks, state.second)
    stops = [c for c in checks if c.stops and not c.ok]
    if stops:
        return Verdict(Ready.STOP, tuple(_of_check(c) for c in stops), _remedy(stops[0].remedy), at_ms)
    wanting, remedy = _wanting(state, estimate)
    spoken = _spoken_against(state)
    doubtful = any(not c.ok for c in checks)
    if spoken is not None and doubtful:
        # It never was ready: what a recheck of such a calibration says comes last.
        reason = Say(f"reason.withdrawn.{spoken.reason}", spoken.numbers)
        return Verdict(Ready.NOT_YET, (*wanting, reason), remedy, at_ms)
    if spoken is not None:
        reason = Say(f"reason.withdrawn.{spoken.reason}", spoken.numbers)
        cure = Say("remedy.recheck" if spoken.reason == "moved" else f"remedy.{spoken.reason}")
        return Verdict(Ready.NOT_YET, (reason, *wanting), cure, spoken.at_ms, withdrawn=True)
    if wanting:
        return Verdict(Ready.NOT_YET, tuple(wanting), remedy, at_ms)
    missing = _unproven(state)
    if missing:
        return Verdict(Ready.PROVISIONAL, tuple(s for s, _ in missing), missing[0][1], at_ms)
    proof_at = state.proof.at_ms if state.proof is not None else at_ms
    held = (Say("reason.all held"), *_scale_stands_on(state))
    return Verdict(Ready.READY, held, None, max(at_ms, proof_at))


def against(state: State, sizes_px: Mapping[str, tuple[int, int]], at_ms: float) -> ev.ReadyWithdrawn | None:
    """What a later shot's picture sizes say against the calibration: None, or that it is withdrawn
    (another binning or window: the calibration is not this picture's)."""
    if state.estimate is None:
        return None
    for camera in state.estimate.cameras:
        got = sizes_px.get(camera.name, camera.lens.size_px)
        if got != camera.lens.size_px:
            return ev.ReadyWithdrawn(at_ms, "size", _sizes(camera.name, got, camera.lens.size_px))
    return None


def _sizes(camera: str, got: tuple[int, int], wanted: tuple[int, int]) -> dict[str, float | int | str]:
    return {
        "camera": camera,
        "got": f"{got[0]} x {got[1]}",
        "wanted": f"{wanted[0]} x {wanted[1]}",
    }


def _spoken_against(state: State) -> ev.ReadyWithdrawn | None:
    """The withdrawal that stands: told by an event, or by a shot of another size since the last kept."""
    if state.withdrawn is not None:
        return state.withdrawn
    newest = state.story[-1].refusal if state.story else None
    if newest is None or newest.trouble is not Trouble.MISMATCH or newest.camera is None:
        return None
    size = newest.grounds.get("width_px"), newest.grounds.get("height_px")
    if not (isinstance(size[0], int) and isinstance(size[1], int)):
        return None
    return against(state, {newest.camera: (size[0], size[1])}, newest.at_ms)


def _failed(state: State) -> bool:
    """Whether the views that stand now could not be solved: an older solution is not theirs."""
    return state.failure is not None and state.failure.from_view_ids == state.solve_ids()


def _unsolved(state: State) -> tuple[Say, Say]:
    views = len(state.solve_ids())
    if state.failure is not None and _failed(state):
        key = f"solve.{state.failure.why}"
        if key in CATALOGUE:
            remedy = "remedy.take views" if state.failure.why in WANTS_VIEWS else "remedy.solve failed"
            return Say(key, state.failure.numbers), Say(remedy)
        return Say("reason.solve failed", {"why": state.failure.why}), Say("remedy.solve failed")
    few = Say("reason.few views", {"views": views, "wanted": int(limit("least_views"))})
    return few, Say("remedy.take views")


def _wanting(state: State, estimate: Estimate) -> tuple[list[Say], Say | None]:
    reasons: list[Say] = []
    remedy: Say | None = None
    views = len(estimate.used_view_ids)
    if views < limit("least_views"):
        reasons.append(Say("reason.few views", {"views": views, "wanted": int(limit("least_views"))}))
        remedy = Say("remedy.take views")
    for check in checks_with(estimate.checks, state.second):
        if not check.ok and not check.stops:
            reasons.append(_of_check(check))
            remedy = remedy or _remedy(check.remedy)
    for q in estimate.quantities:
        if not q.value <= q.goal:
            reasons.append(over_goal(q))
            remedy = remedy or Say("remedy.more views")
        elif _edges_unseen(q):
            hidden = q.by_richer_model or 0.0
            reasons.append(Say("reason.edges unseen", {"value": hidden, "unit": q.unit, "goal": q.goal}))
            remedy = remedy or Say("remedy.distortion")
    if state.proof is not None and not state.proof.result.passed:
        failed = state.proof.result.reasons
        if views < limit("least_views"):
            # Said already: with so few views none could be held out, and nothing was tried.
            failed = tuple(r for r in failed if r != TOO_FEW_TO_HOLD_OUT)
        elif not failed:
            failed = ("",)
        reasons += [Say("reason.proof failed", {"why": proof_words(r)}) for r in failed]
        remedy = remedy or Say("remedy.more views")
    return reasons, remedy


def _edges_unseen(q: Quantity) -> bool:
    """Whether a lens term that the views can't show could spoil the pictures' borders."""
    at_edges = q.name == "edge_distortion_px" and q.by_richer_model is not None
    return at_edges and (q.by_richer_model or 0.0) > limit("edge_model_times") * q.goal


def proof_words(reason: str) -> str:
    """Why a proof did not hold, as a sentence."""
    return say(Say(f"proof.{reason}")) if f"proof.{reason}" in CATALOGUE else reason


def over_goal(q: Quantity) -> Say:
    """A quantity that is above its goal, as a sentence."""
    unit = UNITS.get(q.unit, q.unit)
    return Say(
        "reason.over goal",
        {"name": say(Say(f"quantity.{q.name}")), "value": q.value, "goal": q.goal, "unit": unit},
    )


def _unproven(state: State) -> list[tuple[Say, Say]]:
    missing: list[tuple[Say, Say]] = []
    if state.proof is None:
        missing.append((Say("reason.no proof"), Say("remedy.prove")))
    unseen = _unseen(state)
    if unseen >= limit("verdict_unseen_shots"):
        missing.append((Say("reason.unseen", {"count": unseen}), Say("remedy.good shot")))
    if not scale_known(state):
        missing.append((Say("reason.scale unverified"), Say("remedy.enter length")))
    return missing


def _unseen(state: State) -> int:
    """How many shots since the last one that was kept could not be used: what the rig did meanwhile
    nobody has seen."""
    count = 0
    looked = state.recheck.at_ms if state.recheck is not None else 0.0
    for line in reversed(state.story):
        if line.refusal is None or line.refusal.at_ms < looked:
            break
        count += 1
    return count


def scale_known(state: State) -> bool:
    """Whether an independent length stands behind the scale, or the user accepted it in words.

    A length that is known worse than `scale_length_share` bears nothing out and does not count.
    """
    return bool(_scale_stands_on(state))


def _scale_stands_on(state: State) -> tuple[Say, ...]:
    """What the scale rests on, in words; empty when on nothing but the nominal pitch."""
    rig, plate, out = state.rig, state.plate, []
    tape_sigma_mm = rig.tape_sigma_mm or limit("check_tape_sigma_mm")
    for name, length_mm, sigma_mm in (
        ("tape", rig.tape_baseline_mm, tape_sigma_mm),
        ("gauge", rig.gauge_mm, rig.gauge_sigma_mm),
        ("pitch", plate.pitch_mm, plate.pitch_sigma_mm),
    ):
        if length_mm is not None and sigma_mm is not None:
            share = sigma_mm / length_mm
            if share <= limit("scale_length_share"):
                told = {"percent": 100.0 * share, "length_mm": length_mm}
                out.append(Say(f"reason.scale.{name}", told))
    second = scale_by_second(state.second)
    out += [second] if second is not None else []
    accepted = [e.words.strip() for e in state.lengths if e.what == "accepted" and e.words.strip()]
    if accepted and not out:
        out.append(Say("reason.scale.accepted", {"words": accepted[-1]}))
    return tuple(out)


def _of_check(check: Check) -> Say:
    told = {"name": check_name(check), "check": check.name, "value": check_value(check), "limit": check.limit}
    return Say("reason.check", told)


def _remedy(key: str) -> Say | None:
    return Say(key) if key else None
