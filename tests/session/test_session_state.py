import dataclasses
from dataclasses import replace

import pytest

from holdstill import session
from holdstill.phrases import say
from holdstill.records import Order, Ready, Rhythm, Say, ShotReport, Step, Tone
from holdstill.records import events as ev
from holdstill.session import PlanWork, ProveWork, SolveWork, replay, step, verdict, wanted
from session.fabric import CAMERAS, cue, estimate, opening, story, view


def test_views_are_kept_in_order_and_spend_their_cue() -> None:
    state = replay(story(3))
    assert state.solve_ids() == (1, 2, 3)
    assert state.cue_spent
    assert [p.views for p in state.trace] == [1, 2, 3]
    assert [p.value for p in state.trace] == [9.0, 4.5, 3.0]


def test_the_trace_is_of_the_quantity_that_the_pages_show() -> None:
    events = story(2)
    solved = events[-1]
    assert isinstance(solved, ev.Solved)
    (length,) = solved.estimate.quantities
    shape = dataclasses.replace(length, name="shape_um", value=37.0)
    events[-1] = dataclasses.replace(
        solved, estimate=dataclasses.replace(solved.estimate, quantities=(shape, length))
    )
    state = replay(events)
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=9.1e3)
    around = session.Around(9e3, "dots", rhythm, session.NO_COVERAGE)
    live = session.Live()
    shown = session.snapshot(state, live, session.advise(state, live, around.rhythm, 9e3), around)
    assert shown.trace[-1].value == shown.quantities[0].value == 37.0


def test_a_plate_that_is_seen_is_not_asked_for_again_when_the_next_cue_comes() -> None:
    state = replay([*story(2), ev.CueSet(9e3, cue(9))])
    report = ShotReport(9, "shot 9", 9.1e3, False, {}, {}, {}, {}, {})
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=9.1e3)
    seen = session.Live(report=report, sightings=view(9).sightings)
    assert session.advise(state, seen, rhythm, 9.2e3).order is Order.MOVE
    one = session.Live(report=report, sightings={"left": view(9).sightings["left"]})
    assert session.advise(state, one, rhythm, 9.2e3).order is Order.SHOW_PLATE


def test_a_view_of_another_cue_leaves_the_cue_standing_in_single_shots() -> None:
    state = replay([opening(single=True), ev.CueSet(1, cue(1)), ev.ViewKept(2, view(1), None)])
    assert not state.cue_spent


def test_the_same_view_twice_and_unknown_views_are_broken_promises() -> None:
    state = replay(story(2))
    with pytest.raises(ValueError, match="view 2 was kept already"):
        step(state, ev.ViewKept(9e3, view(2), None))
    with pytest.raises(ValueError, match="no view 7"):
        step(state, ev.ViewDropped(9e3, 7))
    with pytest.raises(ValueError, match="open already"):
        step(state, opening())


def test_work_comes_in_order_solve_then_plan_then_prove() -> None:
    state = replay([opening()])
    assert isinstance(wanted(state), PlanWork)
    state = step(state, ev.CueSet(1, cue(1)))
    assert wanted(state) is None
    state = step(state, ev.ViewKept(2, view(1), 1))
    work = wanted(state)
    assert isinstance(work, SolveWork)
    assert [v.view_id for v in work.views] == [1]
    state = step(state, ev.Solved(3, estimate((1,), 9.0), (1,)))
    plan = wanted(state)
    assert isinstance(plan, PlanWork)
    assert plan.number == 2
    state = step(state, ev.StepEntered(4, Step.PROOF))
    for number in (2, 3, 4):
        state = step(state, ev.CueSet(5, cue(number, proof=True)))
        state = step(state, ev.ViewKept(6, view(number, proof=True), number))
    work = wanted(state)
    assert isinstance(work, ProveWork)
    assert [v.view_id for v in work.proof_views] == [2, 3, 4]
    assert [v.view_id for v in work.views] == [1]


def test_a_failed_solve_is_not_tried_again_until_the_views_change() -> None:
    state = replay([opening(), ev.ViewKept(1, view(1), None), ev.SolveFailed(2, "too few views", (1,))])
    assert isinstance(wanted(state), PlanWork)
    state = step(state, ev.ViewKept(3, view(2), None))
    assert isinstance(wanted(state), SolveWork)


def test_dropping_a_view_solves_afresh_without_it() -> None:
    state = step(replay(story(4)), ev.ViewDropped(9e3, 4))
    work = wanted(state)
    assert isinstance(work, SolveWork)
    assert [v.view_id for v in work.views] == [1, 2, 3]


def test_a_dropped_view_brought_back_stays_dropped_unless_asked() -> None:
    state = step(replay(story(2)), ev.ViewBroughtBack(9e3, 1))
    assert state.forced_ids() == (1,)
    state = step(state, ev.ViewDropped(9e3, 1))
    assert state.forced_ids() == ()


def test_ready_needs_views_goals_proof_and_a_known_scale() -> None:
    from holdstill.records import ProofResult

    assert verdict(replay([opening()])).state is Ready.NOT_YET
    few = verdict(replay(story(3)))
    assert few.state is Ready.NOT_YET
    assert few.reasons[0].key == "reason.few views"
    over = verdict(replay(story(12, length_um=6.0)))
    assert over.state is Ready.NOT_YET
    assert over.reasons[0].key == "reason.over goal"
    state = replay(story(12))
    unproven = verdict(state)
    assert unproven.state is Ready.PROVISIONAL
    assert {r.key for r in unproven.reasons} == {"reason.no proof", "reason.scale unverified"}
    held = ProofResult((13,), "unused views", 0.06, 0.05, 40, 5.0, 2.0, passed=True)
    state = step(state, ev.Proved(2e4, held, (13,)))
    assert verdict(state).state is Ready.PROVISIONAL
    accepted = ev.LengthEntered(2.1e4, "accepted", 0, 0, "the plate maker's certificate is trusted")
    ready = step(
        step(
            step(state, accepted), ev.Solved(2.2e4, estimate(tuple(range(1, 13)), 3.0), tuple(range(1, 13)))
        ),
        ev.Proved(2.3e4, held, (13,)),
    )
    assert verdict(ready).state is Ready.READY
    assert verdict(ready).at_ms == 2.3e4
    spoken = step(ready, ev.ReadyWithdrawn(3e4, "moved"))
    withdrawn = verdict(spoken)
    assert withdrawn.state is Ready.NOT_YET
    assert withdrawn.withdrawn
    # and it is said where it is seen and heard, whatever was handed over before
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=3e4)
    at_end = step(spoken, ev.StepEntered(3.1e4, Step.HANDOVER))
    advice = session.advise(at_end, session.Live(), rhythm, 3.2e4)
    assert say(advice.headline) == "No longer ready"
    assert advice.remedy == withdrawn.remedy
    assert advice.tone is Tone.TROUBLE
    before = session.advise(step(ready, ev.StepEntered(3.1e4, Step.HANDOVER)), session.Live(), rhythm, 3.2e4)
    assert before.tone is Tone.READY


def test_a_failed_proof_is_never_ready() -> None:
    from holdstill.records import ProofResult

    missed = ProofResult((13,), "unused views", 2.0, 1.5, 40, 500.0, 200.0, passed=False, reasons=("length",))
    state = step(replay(story(12)), ev.Proved(2e4, missed, (13,)))
    assert verdict(state).state is Ready.NOT_YET


def test_a_new_view_takes_the_proof_back() -> None:
    from holdstill.records import ProofResult

    held = ProofResult((13,), "unused views", 0.06, 0.05, 40, 5.0, 2.0, passed=True)
    state = step(replay(story(12)), ev.Proved(2e4, held, (13,)))
    assert step(state, ev.ViewKept(3e4, view(14), None)).proof is None


def test_enough_needs_goals_and_a_poor_next_view() -> None:
    state = replay(story(12))
    assert not session.enough(state), "what the next view promises is not known yet"
    assert not session.enough(step(state, ev.CueSet(2e4, cue(13, gain=0.2))))
    met = step(state, ev.CueSet(2e4, cue(13, gain=0.02)))
    assert session.enough(met)
    better = dataclasses.replace(cue(13, gain=0.02), best_gain=0.2)
    assert not session.enough(step(state, ev.CueSet(2e4, better))), "a lazy pose hides a good one"
    custom = ev.SettingChanged(2.1e4, "plan", "customary")
    assert not session.enough(step(met, custom)), "who must follow the customary list sees it through"
    live = session.Live(report=ShotReport(1, "a", 2e4, False, {}, {}, {}, {}, {}))
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=2e4)
    advice = session.advise(met, live, rhythm, 2e4)
    assert say(advice.headline) == "Enough views. Now the proof"
    assert advice.remedy is not None
    assert say(advice.remedy) == "One more view would take off about 2 %."
    assert not session.enough(replay(story(12, length_um=6.0)))
    assert not session.enough(replay(story(8, length_um=1.0)))


def test_an_unknown_setting_is_a_broken_promise() -> None:
    with pytest.raises(ValueError, match="unknown setting"):
        step(replay([opening()]), ev.SettingChanged(1, "colour", "blue"))
    assert replay([opening()]).cameras == CAMERAS


def test_a_cue_that_leads_nowhere_gives_way() -> None:
    from dataclasses import replace

    from holdstill.records import ShotReport, Trouble
    from holdstill.session import Found, Live, stuck

    state = replay([opening(), ev.CueSet(1000, cue(1))])
    live = Live(report=ShotReport(1, "a", 1000.0, False, {}, {}, {}, {}, {}))
    assert not stuck(state, live, 20_000)
    assert stuck(state, live, 32_000)
    assert not stuck(step(state, ev.Paused(2000)), live, 32_000)
    away = replace(live, trouble=Found(Trouble.NO_PLATE))
    assert not stuck(state, away, 32_000)
    refused = step(state, ev.ShotRefused(5000, "b", Trouble.GLARE, "left"))
    glared = replace(live, refused=(1, Trouble.GLARE))
    assert not stuck(refused, glared, 10_000)
    assert stuck(refused, glared, 18_000)


def test_no_plate_in_sight_is_no_trouble_once_the_files_are_handed_over() -> None:
    from holdstill.records import Trouble
    from holdstill.session import Found, Live
    from holdstill.session.snapshot import steps

    live = Live(trouble=Found(Trouble.NO_PLATE))
    state = replay(story(2))
    assert {s.step: s.state for s in steps(state, live)}[Step.POSES] == "trouble"
    handed = step(state, ev.StepEntered(9e3, Step.HANDOVER))
    assert {s.step: s.state for s in steps(handed, live)}[Step.HANDOVER] == "now"


def test_once_the_proof_has_its_views_the_plate_may_be_put_down() -> None:
    from holdstill.records import ProofResult, Trouble
    from holdstill.session import Found, Live
    from holdstill.session.snapshot import steps

    live = Live(report=ShotReport(1, "a", 2e4, False, {}, {}, {}, {}, {}), trouble=Found(Trouble.NO_PLATE))
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=2e4)
    state = step(replay(story(12)), ev.StepEntered(2e4, Step.PROOF))
    assert say(session.advise(state, live, rhythm, 2e4).headline) == "Show the plate"
    for number in (13, 14, 15):
        state = step(state, ev.ViewKept(2e4 + number, view(number, proof=True), None))
    told = session.advise(state, live, rhythm, 2.2e4)
    assert told.trouble is None
    assert say(told.headline) == say(Say("advice.proving"))
    assert {s.step: s.state for s in steps(state, live)}[Step.PROOF] == "now"
    held = ProofResult((13, 14, 15), "unused views", 0.01, 0.01, 40, 5.0, 2.0, passed=True)
    state = step(state, ev.Proved(2.2e4, held, (13, 14, 15)))
    assert session.advise(state, live, rhythm, 2.2e4).trouble is None


def test_a_proof_that_did_not_hold_leads_back_to_the_poses_for_one_more_view() -> None:
    from holdstill.records import ProofResult

    missed = ProofResult(
        (13,), "unused views", 2.0, 1.5, 40, 500.0, 200.0, passed=False, reasons=("lengths",)
    )
    state = step(replay(story(12)), ev.StepEntered(2e4, Step.PROOF))
    state = step(state, ev.Proved(2.1e4, missed, (13,)))
    assert session.next_step(state) is Step.POSES
    state = step(state, ev.StepEntered(2.2e4, Step.POSES))
    assert not session.enough(state)
    state = step(state, ev.ViewKept(2.3e4, view(14), None))
    state = step(state, ev.Solved(2.4e4, estimate((*range(1, 13), 14), 1.0), (*range(1, 13), 14)))
    assert session.enough(state)


def test_a_trouble_that_wanders_between_cameras_does_not_flicker() -> None:
    from holdstill.records import Trouble
    from holdstill.session import Found, Live
    from holdstill.session.live import _settle

    live, said = Live(), []
    both, one = Found(Trouble.HALF_OUT), Found(Trouble.HALF_OUT, "left")
    for found in [one] * 3 + [both, one, both, both, one, one] + [both] * 3 + [None] * 3:
        live = _settle(live, found, single=False)
        said.append(None if live.trouble is None else live.trouble.camera or "all")
    assert said == [None, None, *["left"] * 9, "all", "all", "all", None]


def test_a_trouble_stands_long_enough_to_be_read() -> None:
    """Frames 100 ms apart: said after three of them, for a second at least, and no longer than it lasts."""
    from holdstill.limits import limit
    from holdstill.records import Trouble
    from holdstill.session import Found, Live
    from holdstill.session.live import _settle

    finger, glare, live, said = Found(Trouble.FINGER), Found(Trouble.GLARE, "left"), Live(), []
    for number, found in enumerate([finger] * 3 + [glare] * 12 + [None] * 4):
        report = ShotReport(number, "a", 1e4 + 100.0 * number, False, {}, {}, {}, {}, {})
        live = _settle(replace(live, report=report), found, single=False)
        said.append(None if live.trouble is None else live.trouble.trouble)
    assert said[:3] == [None, None, Trouble.FINGER]
    stood = 100.0 * said.count(Trouble.FINGER)
    assert limit("say_least_ms") <= stood < limit("say_least_ms") + 150.0
    assert said[said.index(Trouble.GLARE) :][:1] == [Trouble.GLARE]
    assert said[-1] is Trouble.GLARE  # three frames without it, but not read yet
