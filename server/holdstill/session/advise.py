"""The one thing to say now."""

from __future__ import annotations

from collections.abc import Mapping

from holdstill.limits import limit
from holdstill.phrases import cues
from holdstill.records import (
    Advice,
    Cue,
    Guide,
    Order,
    Part,
    Place,
    Ready,
    Rhythm,
    Say,
    Step,
    Tone,
    Trouble,
)

from .exercise import exercise_state
from .live import Live
from .second import Second, second_says
from .setup import advise_setting_up
from .state import State
from .troubles import Found
from .verdict import verdict
from .work import cue_due, enough, second_due

POSE_STEPS = (Step.POSES, Step.SOLVE, Step.PROOF)
_JUDGED = {
    Ready.READY: Tone.READY,
    Ready.PROVISIONAL: Tone.SILENT,
    Ready.NOT_YET: Tone.TROUBLE,
    Ready.STOP: Tone.TROUBLE,
}
"""How a verdict sounds."""
AWAY = ("lost", "silent", "ended")
"""States of a feed in which no pictures come of it."""


def advise(state: State, live: Live, rhythm: Rhythm, now_ms: float) -> Advice:
    """What the phone says now: at most one trouble, one cue, one order. Pure.

    `now_ms` is on the server's clock, like every time in `state` and `live`.
    """
    if state.paused:
        return _plain(state, Say("advice.paused"), Order.PAUSED)
    exercise = exercise_state(state, live.exercise, now_ms)
    if exercise is not None and exercise.done:
        over = Say("advice.exercise", {"count": exercise.kept})
        return Advice(state.step, over, Order.DONE, Tone.READY, remedy=exercise.says[-1])
    away = _away(state, live)
    if away is not None:
        return away
    if second_due(state) is not None and state.second is not None:
        return _of_second(state, state.second, live.second)
    if state.step not in POSE_STEPS:
        return _of_step(state, live)
    if live.kept_at_ms is not None and now_ms - live.kept_at_ms < limit("kept_shown_ms"):
        return _kept(state, live)
    silent = _silence(state, live, rhythm, now_ms)
    if silent is not None:
        return silent
    ended = state.step is not Step.PROOF and enough(state)
    if ended and not state.cue_spent and exercise is None:  # an exercise has cues however well all is known
        return _enough(state)
    if live.trouble is not None and cue_due(state):  # with no pose asked for, the plate may be put down
        return _in_trouble(state, live, live.trouble)
    if state.cue is None or state.cue_spent:
        return _between(state, practising=exercise is not None)
    return _cue(state, live, rhythm, now_ms, state.cue)


def _plain(state: State, headline: Say, order: Order, tone: Tone = Tone.SILENT) -> Advice:
    return Advice(state.step, headline, order, tone)


def _enough(state: State) -> Advice:
    """Enough views: said so, with what one more would bring."""
    promised = max(state.cue.gain, state.cue.best_gain) if state.cue is not None else 0.0
    more = Say("advice.enough.more", {"percent": 100.0 * promised})
    return Advice(state.step, Say("advice.enough"), Order.DONE, Tone.READY, remedy=more)


def _kept(state: State, live: Live) -> Advice:
    count = len(state.solve_ids()) + len(state.standing(proof=True))
    return Advice(
        state.step, Say("advice.kept", {"count": count}), Order.KEPT, Tone.KEPT, cue=state.cue, nearness=1.0
    )


def _away(state: State, live: Live) -> Advice | None:
    """A camera that can't be had: what is wrong with it and what to do; None while all are there."""
    for feed in live.feeds.feeds if live.feeds is not None else ():
        if feed.state in AWAY and feed.trouble is not None:
            headline, _ = cues.trouble_says(Trouble.NO_FRAMES, feed.camera, None)
            return Advice(
                state.step,
                feed.trouble if feed.state == "ended" else headline,
                Order.WAIT,
                Tone.TROUBLE,
                remedy=feed.remedy,
                trouble=Trouble.NO_FRAMES,
                trouble_camera=feed.camera,
            )
    return None


def _silence(state: State, live: Live, rhythm: Rhythm, now_ms: float) -> Advice | None:
    single = state.opened is not None and state.opened.single_shots
    if live.report is None:
        key = "advice.first shot" if single else "advice.waiting for pictures"
        return _plain(state, Say(key), Order.WAIT)
    if not single and now_ms - live.report.taken_at_ms > limit("silence_ms"):
        headline, remedy = cues.trouble_says(Trouble.NO_FRAMES, None, None)
        for feed in live.feeds.feeds if live.feeds is not None else ():
            if feed.trouble is not None and feed.remedy is not None:
                headline, remedy = feed.trouble, feed.remedy
                break
        return Advice(
            state.step, headline, Order.WAIT, Tone.TROUBLE, remedy=remedy, trouble=Trouble.NO_FRAMES
        )
    return None


def _in_trouble(state: State, live: Live, found: Found) -> Advice:
    place = found.place.value if found.place is not None else None
    longest = found.numbers.get("longest_ms")
    headline, remedy = cues.trouble_says(
        found.trouble,
        found.camera,
        place,
        way=found.way,
        longest_ms=longest if isinstance(longest, float) else None,
    )
    if found.trouble is Trouble.SAME_AS_BEFORE and state.cue is not None and live.guide is not None:
        remedy = cues.cue_headline(state.cue.instruction, live.guide.part)
    if found.trouble is Trouble.BAD_FILE and "message" in found.numbers:
        remedy = Say("advice.message", {"message": found.numbers["message"]})
    if found.trouble is Trouble.TOO_DARK and found.numbers.get("covered") and found.camera is not None:
        headline, remedy = Say("light.covered", {"camera": found.camera}), Say("light.covered.remedy")
    order = Order.SHOW_PLATE if found.trouble is Trouble.NO_PLATE else Order.WAIT
    single = live.report is not None and live.report.single
    return Advice(
        state.step,
        headline,
        order,
        Tone.NOT_KEPT if single else Tone.TROUBLE,
        cue=state.cue if not state.cue_spent else None,
        guide=live.guide,
        remedy=remedy,
        trouble=found.trouble,
        trouble_camera=found.camera,
    )


def _of_second(state: State, second: Second, live: Live | None) -> Advice:
    """While a second plate is looked for: what is wrong with what is seen of it, else what to do with it."""
    found = live.seen_trouble if live is not None else None
    if found is None or found.trouble is Trouble.NO_PLATE:
        still = live is not None and found is None
        return _plain(state, second_says(second), Order.HOLD_STILL if still else Order.SHOW_PLATE)
    place = found.place.value if found.place is not None else None
    headline, remedy = cues.trouble_says(found.trouble, found.camera, place, way=found.way)
    return Advice(
        state.step, headline, Order.WAIT, Tone.TROUBLE, remedy=remedy, trouble=found.trouble,
        trouble_camera=found.camera,
    )  # fmt: skip


def _between(state: State, *, practising: bool) -> Advice:
    if state.step is Step.PROOF and not cue_due(state):
        if state.proof is None:
            return _plain(state, Say("advice.proving"), Order.WAIT)
        judged = verdict(state).state
        return _plain(state, Say(f"advice.verdict.{judged.value}"), Order.DONE, _JUDGED[judged])
    if state.step is not Step.PROOF and enough(state) and not practising:
        return _plain(state, Say("advice.enough"), Order.DONE, Tone.READY)
    return _plain(state, Say("advice.thinking"), Order.WAIT)


def lamp_says(side: str) -> Say:
    """Which lamp to move, and where to, by the side it stands on (as the cameras see it)."""
    if side in ("left", "right"):
        return Say("lamp.move.side", {"side": side})
    return Say(f"lamp.move.{side}")


def _cue(state: State, live: Live, rhythm: Rhythm, now_ms: float, cue: Cue) -> Advice:
    guide = live.guide
    if state.lamp_new and now_ms - state.cue_at_ms < limit("lamp_shown_ms"):
        return Advice(state.step, Say("advice.lamp"), Order.WAIT, Tone.TROUBLE, remedy=lamp_says(cue.lamp))
    part = guide.part if guide is not None else _first_part(cue)
    seen = len(live.sightings) == len(state.cameras)  # with a cue just set, the pose is known a picture later
    order = guide.order if guide is not None else Order.MOVE if seen else Order.SHOW_PLATE
    if state.opened is not None and state.opened.single_shots:
        part, order = _timed(cue, guide, rhythm, now_ms)
    headline = cues.cue_headline(cue.instruction, part)
    nearness = 0.0 if guide is None else max(0.0, min(1.0, 1.0 - guide.distance))
    return Advice(
        state.step,
        headline,
        order,
        _tone(guide, order),
        cue=cue,
        guide=guide,
        nearness=nearness,
        marks=_marks(state, cue, guide),
    )


def _first_part(cue: Cue) -> Part:
    flat = cue.instruction.lean_deg == 0
    return Part.PLACE if flat else Part.LEAN


def _timed(cue: Cue, guide: Guide | None, rhythm: Rhythm, now_ms: float) -> tuple[Part, Order]:
    """With shots at intervals there is no live view between them: the cue's own moves, then
    *hold still* when the next shot is due."""
    part = _first_part(cue) if guide is None or guide.part is Part.STILL else guide.part
    if rhythm.next_at_ms is not None and 0 <= rhythm.next_at_ms - now_ms < still_before_ms(rhythm):
        return part, Order.HOLD_STILL
    return part, Order.MOVE


def still_before_ms(rhythm: Rhythm) -> float:
    """How long before the next shot the plate must be still: less when shots come quickly, so that there
    is time left to move."""
    usual = limit("still_before_ms")
    if rhythm.interval_s is None:
        return usual
    return min(usual, limit("still_before_share") * 1000.0 * rhythm.interval_s)


def _tone(guide: Guide | None, order: Order) -> Tone:
    if order is Order.HOLD_STILL:
        return Tone.STILL
    if guide is None:
        return Tone.SILENT
    return Tone.COLDER if order is Order.BACK_A_LITTLE else Tone.WARMER


def _marks(state: State, cue: Cue, guide: Guide | None) -> Mapping[str, Place]:
    if guide is not None and guide.edges:
        return guide.edges
    if cue.instruction.place is Place.CENTRE:
        return {}
    return dict.fromkeys(state.cameras, cue.instruction.place)


def _of_step(state: State, live: Live) -> Advice:
    step = state.step
    if step is Step.HANDOVER:
        judged = verdict(state)
        if judged.withdrawn:
            headline = Say("advice.withdrawn")
            return Advice(step, headline, Order.DONE, Tone.TROUBLE, remedy=judged.remedy)
        key = "advice.handed over" if state.handed is not None else "advice.hand over"
        tone = Tone.READY if judged.state is Ready.READY else Tone.SILENT
        return _plain(state, Say(key), Order.DONE, tone)
    if step is Step.RECHECK:
        if state.recheck is None:
            return _plain(state, Say("advice.recheck"), Order.WAIT)
        moved = state.recheck.result
        key = "moved" if moved.moved and moved.matters else "within" if moved.moved else "unmoved"
        tone = Tone.TROUBLE if key == "moved" else Tone.SILENT
        return _plain(state, Say(f"advice.recheck.{key}"), Order.DONE, tone)
    if live.report is None:
        return _plain(state, Say("advice.waiting for pictures"), Order.WAIT)
    return advise_setting_up(state, live.setup, live.report, live.sightings)
