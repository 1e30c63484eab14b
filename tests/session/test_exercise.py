"""The start-of-shift exercise: two minutes, counted, and told in words; taking stops when it is over."""

from collections import Counter
from dataclasses import replace

from holdstill import session
from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Guide, Order, Part, Rhythm, ShotReport, Trouble
from holdstill.records import events as ev
from holdstill.session import Exercise, Keep, Let, Live, replay, step
from holdstill.session.exercise import exercise_state, result_says
from session.fabric import cue, opening, sighting, story, view

RHYTHM = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=0.0)


def kept_at(times_ms: list[float]) -> session.State:
    events: list[ev.Event] = [opening()]
    for number, at in enumerate(times_ms, 1):
        events.append(ev.ViewKept(at, replace(view(number), taken_at_ms=at), None))
    return replay(events)


def test_only_what_happened_within_the_two_minutes_counts() -> None:
    began = 50_000.0
    state = kept_at([1_000.0, 60_000.0, 90_000.0, began + limit("exercise_ms") + 1.0])
    state = step(state, ev.ShotRefused(70_000.0, "a", Trouble.FINGER, "left"))
    state = step(state, ev.ShotRefused(10_000.0, "b", Trouble.GLARE, "left"))
    found = exercise_state(state, Exercise(began), began + 60_000.0)
    assert found is not None
    assert (found.kept, found.refused, found.done, found.says) == (2, 1, False, ())
    assert exercise_state(state, None, 0.0) is None


def test_the_result_says_how_many_how_quick_what_went_wrong_and_what_helps() -> None:
    words = [say(s) for s in result_says(5, Counter({Trouble.MOVED: 2, Trouble.GLARE: 1}))]
    assert words == [
        "5 views kept in two minutes.",
        "One view every 24 seconds.",
        "3 shots not kept. Most often, 2 times:",
        "It moved",
        "Rest your elbows and hold until the chime.",
        "Hands and eyes are warm. Begin the shift.",
    ]
    assert [say(s) for s in result_says(0, Counter())] == [
        "0 views kept in two minutes.",
        "Nothing had to be refused.",
        "Once more, please: aim for 4 views.",
    ]


def test_an_exercise_has_cues_however_well_everything_is_known_already() -> None:
    state = replay([*story(12, length_um=1.0), ev.CueSet(5e4, cue(13, gain=0.02))])
    report = ShotReport(9, "s", 5.1e4, False, {}, {}, {}, {}, {})
    guide = Guide(Order.MOVE, Part.LEAN, "top", 0.4, False, 0.0, {})
    live = Live(report=report, sightings={c: sighting(c) for c in ("left", "right")}, guide=guide)
    rhythm = replace(RHYTHM, last_at_ms=5.1e4)
    assert session.advise(state, live, rhythm, 5.1e4).order is Order.DONE
    practising = replace(live, exercise=Exercise(5e4))
    assert session.advise(state, practising, rhythm, 5.1e4).order is Order.MOVE
    kept = step(state, ev.ViewKept(5.2e4, view(13), None))
    assert session.advise(kept, practising, rhythm, 5.3e4).order is Order.WAIT


def test_when_it_is_over_the_phone_says_so_and_nothing_more_is_taken() -> None:
    state = replay([opening(), ev.CueSet(1_000.0, cue(1))])
    guide = Guide(Order.HOLD_STILL, Part.STILL, "", 0.0, True, 1.0, {})
    report = ShotReport(9, "s", 100_000.0, False, {}, {}, {}, {}, {})
    live = Live(
        report=report,
        sightings={c: sighting(c) for c in ("left", "right")},
        guide=guide,
        still_frames=3,
        exercise=Exercise(1_000.0),
    )
    live = replace(live, earlier=session.live.Moment(report, live.sightings, None, guide, None))
    assert isinstance(session.judge(state, live, report), Keep)
    late = replace(report, taken_at_ms=1_000.0 + limit("exercise_ms"))
    over = replace(live, report=late)
    assert isinstance(session.judge(state, over, late), Let)
    advice = session.advise(state, over, RHYTHM, late.taken_at_ms)
    assert say(advice.headline) == "Exercise done: 0 views"
    assert advice.order is Order.DONE
    assert advice.remedy is not None
    assert say(advice.remedy) == "Once more, please: aim for 4 views."
