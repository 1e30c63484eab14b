"""What a tap does: an event, or a change of the moment. A tap on a cue that has passed is refused."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace

from holdstill import session
from holdstill.records import Nothing, Say, Step, Tap, TapKind
from holdstill.records import events as ev

from . import feed_taps, setup_taps
from .runner import Runner
from .second import second_plate
from .still import STEPS

Answer = Say | Nothing
Handler = Callable[[Runner, Tap], Awaitable[Answer]]
CUE_BOUND = (TapKind.TAKE_NOW, TapKind.SKIP_CUE, TapKind.DROP_LAST)
"""Taps that belong to the cue the person saw."""


async def act(runner: Runner, tap: Tap) -> Answer:
    """Carry out `tap`, one after the other; `Nothing.why` is a key of ``phrases`` when it was refused."""
    async with runner.once.turn(tap):
        stale = tap.cue_number is not None and tap.cue_number != runner.state.cue_number
        kept_at_ms, now_ms = runner.live.kept_at_ms, runner.parts.now_ms()
        again = runner.once.meant_before(tap, kept_at_ms=kept_at_ms, now_ms=now_ms)
        if again or (stale and tap.kind in CUE_BOUND):
            return Nothing("tap.refused.passed")
        answer = await HANDLERS[tap.kind](runner, tap)
        if isinstance(answer, Say):
            runner.once.done(tap, now_ms)
    if isinstance(answer, Say):
        runner.touched()
    return answer


def _done(tap: Tap, **values: str | int | float) -> Say:
    return Say(f"tap.done.{tap.kind.value}", values)


async def _event(runner: Runner, tap: Tap, event: ev.Event) -> Answer:
    if await runner.append(event):
        return _done(tap)
    return Nothing("tap.refused.not-now")


async def _drop_last(runner: Runner, tap: Tap) -> Answer:
    standing = [e.view.view_id for e in runner.state.entries if not e.dropped]
    if not standing:
        return Nothing("tap.refused.nothing-to-drop")
    return await _event(runner, tap, ev.ViewDropped(runner.parts.now_ms(), standing[-1]))


def _view_id(runner: Runner, tap: Tap) -> int | None:
    text = tap.values.get("view_id", "")
    ids = {e.view.view_id for e in runner.state.entries}
    return int(text) if text.isascii() and text.isdigit() and len(text) < 9 and int(text) in ids else None


AboutView = type[ev.ViewDropped] | type[ev.ViewBroughtBack] | type[ev.ViewSetAside]


async def _of_view(runner: Runner, tap: Tap, made: AboutView) -> Answer:
    """An event about the view that a tap names."""
    view_id = _view_id(runner, tap)
    if view_id is None:
        return Nothing("tap.refused.no-such-view")
    done = await runner.append(made(runner.parts.now_ms(), view_id))
    return _done(tap, view_id=view_id) if done else Nothing("tap.refused.not-now")


async def _drop_view(runner: Runner, tap: Tap) -> Answer:
    return await _of_view(runner, tap, ev.ViewDropped)


async def _bring_back(runner: Runner, tap: Tap) -> Answer:
    return await _of_view(runner, tap, ev.ViewBroughtBack)


async def _set_aside(runner: Runner, tap: Tap) -> Answer:
    return await _of_view(runner, tap, ev.ViewSetAside)


async def _pause(runner: Runner, tap: Tap) -> Answer:
    return await _event(runner, tap, ev.Paused(runner.parts.now_ms()))


async def _resume(runner: Runner, tap: Tap) -> Answer:
    return await _event(runner, tap, ev.Resumed(runner.parts.now_ms()))


async def _enter_step(runner: Runner, tap: Tap) -> Answer:
    named = {s.value: s for s in Step}
    wanted = tap.values.get("step", "")
    if wanted not in named:
        return Nothing("tap.refused.bad-value")
    return await _event(runner, tap, ev.StepEntered(runner.parts.now_ms(), named[wanted]))


async def _take_now(runner: Runner, tap: Tap) -> Answer:
    if runner.state.step not in session.TAKING:
        return Nothing("tap.refused.not-now")
    runner.live = replace(runner.live, take_now=True)
    return _done(tap)


async def _skip_cue(runner: Runner, tap: Tap) -> Answer:
    if runner.state.cue is None or runner.state.cue_spent:
        return Nothing("tap.refused.not-now")
    return await _event(runner, tap, ev.CueSkipped(runner.parts.now_ms(), runner.state.cue_number))


async def _forget_sharpness(runner: Runner, tap: Tap) -> Answer:
    runner.live = session.forget_sharpness(runner.live)
    return _done(tap)


async def _set_side(runner: Runner, tap: Tap) -> Answer:
    faces = tap.values.get("faces_cameras", "")
    if faces not in ("yes", "no"):
        return Nothing("tap.refused.bad-value")
    return await _event(
        runner, tap, ev.SettingChanged(runner.parts.now_ms(), "faces_cameras", faces == "yes")
    )


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if 0 < value < 1e6 else None


async def _enter_length(runner: Runner, tap: Tap) -> Answer:
    what, words = tap.values.get("what", ""), tap.values.get("words", "").strip()[:500]
    now = runner.parts.now_ms()
    if what == "accepted":
        if not words:
            return Nothing("tap.refused.bad-value")
        return await _event(runner, tap, ev.LengthEntered(now, what, 0.0, 0.0, words))
    value, sigma = _number(tap.values.get("value_mm", "")), _number(tap.values.get("sigma_mm", ""))
    if what not in ("baseline", "pitch", "gauge") or value is None or sigma is None:
        return Nothing("tap.refused.bad-value")
    return await _event(runner, tap, ev.LengthEntered(now, what, value, sigma, words))


async def _prove(runner: Runner, tap: Tap) -> Answer:
    if runner.state.estimate is None:
        return Nothing("tap.refused.no-estimate")
    return await _event(runner, tap, ev.StepEntered(runner.parts.now_ms(), Step.PROOF))


async def _hand_over(runner: Runner, tap: Tap) -> Answer:
    if runner.state.estimate is None:
        return Nothing("tap.refused.no-estimate")
    return _done(tap) if await runner.hand_over() else Nothing("tap.refused.not-now")


async def _recheck(runner: Runner, tap: Tap) -> Answer:
    if runner.state.estimate is None:
        return Nothing("tap.refused.no-estimate")
    return await _event(runner, tap, ev.StepEntered(runner.parts.now_ms(), Step.RECHECK))


async def _still_series(runner: Runner, tap: Tap) -> Answer:
    if runner.state.estimate is None:
        return Nothing("tap.refused.no-estimate")
    if runner.state.step not in STEPS or runner.still.running:
        return Nothing("tap.refused.not-now")
    runner.still.begin()
    return _done(tap)


async def _set_motion(runner: Runner, tap: Tap) -> Answer:
    value = _number(tap.values.get("motion_px", ""))
    if value is None or not 0.1 <= value <= 1.0:
        return Nothing("tap.refused.bad-value")
    return await _event(runner, tap, ev.SettingChanged(runner.parts.now_ms(), "motion_px", value))


async def _exercise(runner: Runner, tap: Tap) -> Answer:
    """Two minutes on the simulated rig: the visitor takes the plate, and gives it back at the end."""
    if runner.parts.source.sim_state() is None:
        return Nothing("tap.refused.not-simulated")
    starts, now = tap.values.get("what") == "start", runner.parts.now_ms()
    runner.parts.source.control({"visitor_holds": "yes" if starts else "no"})
    if starts and runner.state.paused:
        await runner.append(ev.Resumed(now))
    if starts and runner.state.step is not Step.POSES:
        await runner.append(ev.StepEntered(now, Step.POSES))
    runner.live = replace(runner.live, exercise=session.Exercise(now) if starts else None)
    return _done(tap)


async def _sim(runner: Runner, tap: Tap) -> Answer:
    if runner.parts.source.sim_state() is None:
        return Nothing("tap.refused.not-simulated")
    why = runner.parts.source.control(tap.values)
    return _done(tap) if why is None else Nothing("tap.refused.bad-value", {"why": why})


HANDLERS: dict[TapKind, Handler] = {
    TapKind.DROP_LAST: _drop_last,
    TapKind.DROP_VIEW: _drop_view,
    TapKind.BRING_BACK: _bring_back,
    TapKind.SET_ASIDE: _set_aside,
    TapKind.PAUSE: _pause,
    TapKind.RESUME: _resume,
    TapKind.ENTER_STEP: _enter_step,
    TapKind.TAKE_NOW: _take_now,
    TapKind.SKIP_CUE: _skip_cue,
    TapKind.FORGET_SHARPNESS: _forget_sharpness,
    TapKind.SET_SIDE: _set_side,
    TapKind.ENTER_LENGTH: _enter_length,
    TapKind.PROVE: _prove,
    TapKind.HAND_OVER: _hand_over,
    TapKind.RECHECK: _recheck,
    TapKind.STILL_SERIES: _still_series,
    TapKind.SECOND_PLATE: second_plate,
    TapKind.SET_EXPOSURE: setup_taps.set_exposure,
    TapKind.FOCUS_PART: setup_taps.focus_part,
    TapKind.FOCUS_CAMERA: setup_taps.focus_camera,
    TapKind.TICK: setup_taps.tick,
    TapKind.ROUTINE_AGAIN: setup_taps.routine_again,
    TapKind.LIGHT_SUBJECT: setup_taps.light_subject,
    TapKind.WATCH_STILL: setup_taps.watch_still,
    TapKind.DESCRIBE_RIG: setup_taps.describe_rig,
    TapKind.PLACE: feed_taps.place,
    TapKind.SET_MOTION: _set_motion,
    TapKind.EXERCISE: _exercise,
    TapKind.SIM: _sim,
}
