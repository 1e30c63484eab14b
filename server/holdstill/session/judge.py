"""Whether a shot becomes a view: keep it, refuse it with a reason, or let it pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from holdstill.limits import limit
from holdstill.records import ShotReport, Step, Trouble

from .live import Live
from .state import State

Grounds = Mapping[str, float | int | str]


@dataclass(frozen=True, slots=True)
class Keep:
    """Keep the shot; `grounds`: the numbers that decided. `earlier`: not the newest shot but the one
    before it (``Live.earlier``), which the newest shows to have been still on both sides."""

    grounds: Grounds
    cue_number: int | None
    proof: bool
    earlier: bool = False


@dataclass(frozen=True, slots=True)
class Refuse:
    """Don't keep it, and say why."""

    trouble: Trouble
    camera: str | None
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Let:
    """Nothing to decide: an instant of a stream between views."""


Decision = Keep | Refuse | Let

TAKING = (Step.POSES, Step.SOLVE, Step.PROOF)
"""Steps in which views are taken from a stream."""


def judge(state: State, live: Live, report: ShotReport) -> Decision:
    """Decide on the newest shot. Pure.

    A shot taken on purpose (a file) is kept when it is clean and refused otherwise; redundancy is
    only noted.  From a stream a view is taken when the plate has been still for some frames and
    the pose is near the wish, or is worth nearly as much; it is the last but one of them, so that
    the plate is known not to have moved before it nor after it.
    """
    if report.single:
        return _single(state, live)
    return _stream(state, live, report)


def stuck(state: State, live: Live, now_ms: float) -> bool:
    """Whether a stream's cue leads nowhere, so that another pose helps more than the same words again.

    Either a shot had to be refused at the wished pose and nothing better has come of it since, or the
    plate has been in sight for long without a view.
    """
    if state.cue_spent or state.paused or state.step not in TAKING or live.report is None:
        return False
    last = state.story[-1].refusal if state.story else None
    refused = last is not None and live.refused is not None and live.refused[0] == state.cue_number
    if refused and last is not None and now_ms - last.at_ms > limit("stuck_ms"):
        return True
    out_of_sight = live.trouble is not None and live.trouble.trouble is Trouble.NO_PLATE
    return not out_of_sight and now_ms - state.cue_at_ms > limit("cue_patience_ms")


def _single(state: State, live: Live) -> Decision:
    if live.seen_trouble is not None:
        found = live.seen_trouble
        return Refuse(found.trouble, found.camera, found.numbers)
    return Keep(_grounds(live), _answered(state, live), proof=_for_proof(state))


def _stream(state: State, live: Live, report: ShotReport) -> Decision:
    if state.paused or state.step not in TAKING:
        return Let()
    if live.exercise is not None and report.taken_at_ms >= live.exercise.until_ms:
        return Let()
    guide, found = live.guide, live.seen_trouble
    still = live.still_frames >= limit("still_frames")
    if live.take_now:
        if found is not None:
            return Refuse(found.trouble, found.camera, found.numbers)
        if not still:
            return _moved(live)
        return Keep(_grounds(live), _answered(state, live), proof=_for_proof(state), earlier=_sound(live))
    if guide is None or not guide.good_enough or not state.setting("auto_take"):
        return Let()
    if live.trouble is not None and found is not None:
        stuck = live.trouble_frames >= 2 * limit("trouble_frames") and still
        if stuck and live.refused != (state.cue_number, found.trouble):
            return Refuse(found.trouble, found.camera, found.numbers)
        return Let()
    before = live.earlier
    if found is not None or not still or before is None or not _sound(live):
        return Let()
    if before.guide is None or not before.guide.good_enough:
        return Let()
    return Keep(_grounds(live), state.cue_number, proof=_for_proof(state), earlier=True)


def _sound(live: Live) -> bool:
    """Whether the shot before this one showed no trouble."""
    return live.earlier is not None and live.earlier.seen_trouble is None


def _moved(live: Live) -> Refuse:
    worst = max(live.still.values(), key=lambda s: s.shift_px, default=None)
    numbers: dict[str, float | int | str] = {"travel_px": round(live.steady.worst_px, 4)}
    if worst is not None:
        numbers |= {"shift_px": worst.shift_px, "speed_px_per_s": worst.speed_px_per_s}
    if live.steady.longest_ms is not None:
        numbers["longest_ms"] = round(live.steady.longest_ms, 2)
    return Refuse(Trouble.MOVED, worst.camera if worst else None, numbers)


def _answered(state: State, live: Live) -> int | None:
    if state.cue is None or state.cue_spent:
        return None
    return state.cue_number if live.guide is not None and live.guide.good_enough else None


def _for_proof(state: State) -> bool:
    return state.step is Step.PROOF and state.cue is not None and state.cue.proof


def _grounds(live: Live) -> dict[str, float | int | str]:
    numbers: dict[str, float | int | str] = {"still_frames": live.still_frames}
    if live.steady.travel_px:
        numbers["travel_px"] = round(live.steady.worst_px, 4)
    for camera, s in live.still.items():
        numbers[f"{camera}.shift_px"] = round(s.shift_px, 4)
        if s.blur_px is not None:
            numbers[f"{camera}.blur_px"] = round(s.blur_px, 4)
    if live.guide is not None:
        numbers["distance"] = round(live.guide.distance, 3)
        if live.guide.live_share is not None:
            numbers["live_share"] = round(live.guide.live_share, 3)
    return numbers
