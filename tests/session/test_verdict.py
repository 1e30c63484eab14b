"""What the verdict rests on, and everything that withholds or withdraws it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from holdstill import session, solve
from holdstill.phrases import say
from holdstill.records import DriftResult, Estimate, ProofResult, Ready, Trouble, View
from holdstill.records import events as ev
from holdstill.session import State
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of

AT = 1.7e12


@lru_cache
def solved(gauge_mm: float | None = None) -> tuple[Estimate, tuple[View, ...]]:
    rng = np.random.default_rng(12)
    views = tuple(views_of(Truth(), plate_poses(rng, 18, spread_mm=45.0), rng, sigma_px=0.03))
    rig = replace(REFERENCE, gauge_mm=gauge_mm, gauge_sigma_mm=None if gauge_mm is None else 0.05)
    found = solve.solve(DOTS, rig, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    return found, views


def proven(*later: ev.Event, estimate: Estimate | None = None) -> State:
    """A session whose every goal is met and held, then what comes later."""
    found, views = solved()
    ids = tuple(v.view_id for v in views)
    events: list[ev.Event] = [
        ev.SessionOpened(AT, "fork", "", DOTS, REFERENCE, ("left", "right"), True),
        *(ev.ViewKept(AT, v, None) for v in views),
        ev.Solved(AT + 1, estimate or found, ids),
        ev.Proved(AT + 2, ProofResult((99,), "unused views", 0.04, 0.03, 40, 9.0, 3.0, passed=True), ()),
        *later,
    ]
    return session.replay(events)


def taped(value_mm: float = 243.1, sigma_mm: float = 1.5) -> ev.LengthEntered:
    return ev.LengthEntered(AT + 3, "baseline", value_mm, sigma_mm)


def again(state: State, estimate: Estimate | None = None) -> State:
    """The session once the solve and the proof have followed a length."""
    ids = state.solve_ids()
    state = session.step(state, ev.Solved(AT + 4, estimate or solved()[0], ids))
    passed = ProofResult((99,), "unused views", 0.04, 0.03, 40, 9.0, 3.0, passed=True)
    return session.step(state, ev.Proved(AT + 5, passed, ()))


def words(state: State) -> str:
    return " / ".join(say(r) for r in session.verdict(state).reasons)


def ready() -> State:
    state = again(proven(taped()))
    assert session.verdict(state).state is Ready.READY
    return state


def test_ready_says_what_the_scale_rests_on() -> None:
    assert "scale borne out by the taped baseline of 243.1 mm, to 0.62 %" in words(ready())
    bare = proven()
    assert session.verdict(bare).state is Ready.PROVISIONAL
    assert "scale unverified" in words(bare)
    accepted = again(proven(ev.LengthEntered(AT + 3, "accepted", 0.0, 0.0, "same plate as last week")))
    assert session.verdict(accepted).state is Ready.READY
    assert "scale accepted without a length of its own: same plate as last week" in words(accepted)
    pitch = again(proven(ev.LengthEntered(AT + 3, "pitch", 14.001, 0.002)))
    assert "scale by a measured pitch of 14.001 mm" in words(pitch)


def test_a_length_known_too_badly_verifies_nothing() -> None:
    loose = again(proven(taped(243.1, 20.0)))
    assert session.verdict(loose).state is Ready.PROVISIONAL
    assert not session.scale_known(loose)


def test_a_length_across_the_plate_is_compared_with_its_pitch() -> None:
    good = again(proven(ev.LengthEntered(AT + 3, "gauge", 182.04, 0.05)), solved(182.04)[0])
    assert session.verdict(good).state is Ready.READY
    assert "length across the plate, 182.04 mm" in words(good)
    shrunk = again(proven(ev.LengthEntered(AT + 3, "gauge", 180.2, 0.05)), solved(180.2)[0])
    verdict = session.verdict(shrunk)
    assert verdict.state is Ready.STOP
    assert "length across the plate: 182" in words(shrunk)
    assert say(verdict.remedy) == "Measure the plate again, and enter its pitch"  # type: ignore[arg-type]


def test_a_later_picture_of_another_size_withdraws_it() -> None:
    grounds = {"width_px": 1224, "height_px": 1024, "width_before_px": 2448, "height_before_px": 2048}
    refused = ev.ShotRefused(AT + 9, "later", Trouble.MISMATCH, "right", grounds=grounds)
    state = session.step(ready(), refused)
    verdict = session.verdict(state)
    assert (verdict.state, verdict.withdrawn, verdict.at_ms) == (Ready.NOT_YET, True, AT + 9)
    assert "right has 1224 x 1024 px, the calibration is for 2448 x 2048" in words(state)
    assert session.against(state, {"left": (2448, 2048)}, AT) is None
    spoken = session.against(state, {"left": (2448, 2040)}, AT)
    assert spoken is not None
    assert spoken.reason == "size"


def test_shots_nobody_could_look_at_withhold_it_until_one_can() -> None:
    state = ready()
    for k in range(3):
        assert session.verdict(state).state is Ready.READY
        state = session.step(state, ev.ShotRefused(AT + 10 + k, f"dark {k}", Trouble.TOO_DARK, None))
    assert session.verdict(state).state is Ready.PROVISIONAL
    assert "the newest 3 shots could not be used" in words(state)
    looked = DriftResult(False, False, None, 0.01, 0.0, 0.5, ("unmoved",))
    state = session.step(state, ev.Rechecked(AT + 20, looked, "later"))
    assert session.verdict(state).state is Ready.READY


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        ("camera moved", "a camera has moved"),
        ("another pitch", "another pitch"),
        ("lens changed", "lens setting"),
    ],
)
def test_a_recheck_withdraws_it_with_the_cause_and_a_calm_one_gives_it_back(reason: str, told: str) -> None:
    moved = DriftResult(True, True, "right", 0.4, 0.01, 22.0, (reason, "shape_um over goal"))
    state = session.step(ready(), ev.Rechecked(AT + 9, moved, "later"))
    assert session.verdict(state).withdrawn
    assert told in words(state)
    calm = DriftResult(False, False, None, 0.01, 0.0, 0.5, ("unmoved",))
    state = session.step(state, ev.Rechecked(AT + 11, calm, "later still"))
    assert session.verdict(state).state is Ready.READY


def test_views_that_can_not_be_solved_are_not_covered_by_an_older_solution() -> None:
    state = ready()
    failed = ev.SolveFailed(AT + 9, "mirrored", state.solve_ids(), {"camera": "right"})
    state = session.step(state, failed)
    assert session.verdict(state).state is Ready.NOT_YET
    assert words(state) == "The pictures of one camera are mirrored (right). Switch its mirroring off."


def test_a_border_nobody_covered_asks_for_views_in_the_corners() -> None:
    found = solved()[0]
    hidden = tuple(
        replace(q, by_richer_model=1.6 * q.goal) if q.name == "edge_distortion_px" else q
        for q in found.quantities
    )
    state = again(proven(taped()), replace(found, quantities=hidden))
    assert session.verdict(state).state is Ready.NOT_YET
    assert "the pictures' borders are hardly covered" in words(state)


def test_a_doubtful_calibration_is_told_before_what_a_recheck_of_it_says() -> None:
    found = solved()[0]
    checks = tuple(replace(c, ok=False) if c.name == "noise" else c for c in found.checks)
    state = again(proven(taped()), replace(found, checks=checks))
    moved = DriftResult(True, True, "right", 0.4, 0.01, 22.0, ("camera moved", "shape_um over goal"))
    verdict = session.verdict(session.step(state, ev.Rechecked(AT + 9, moved, "later")))
    assert [r.key for r in verdict.reasons] == ["reason.check", "reason.withdrawn.moved"]
    assert not verdict.withdrawn


def test_a_proof_that_few_views_could_not_hold_out_is_not_told_as_one_that_failed() -> None:
    """What is wanting is views, said once; with views enough the same reason would be told."""
    state = proven()
    whys = ("too few views for folds",)
    untried = ProofResult((), "k-fold", 0.0, 0.0, 0, 0.0, 0.0, passed=False, reasons=whys)
    state = session.step(state, ev.Proved(AT + 6, untried, ()))
    assert "the proof did not hold: too few views to hold some of them out" in words(state)
    few = replace(solved()[0], used_view_ids=solved()[0].used_view_ids[:4])
    state = session.step(proven(estimate=few), ev.Proved(AT + 6, untried, ()))
    told = session.verdict(state)
    assert told.state is Ready.NOT_YET
    assert "4 of at least 6 views are kept" in words(state)
    assert "proof" not in words(state)
