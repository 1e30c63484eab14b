"""One shot at full size as a record: residuals, reasons, how its pictures belong together; and views
set aside, dropped and brought back by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from archive.solved_session import originals_in, solved, with_pictures
from holdstill import session, solve
from holdstill.archive.handover import hand_over
from holdstill.phrases import say
from holdstill.records import Estimate, Nothing, Sheet
from holdstill.records import events as ev
from holdstill.session import State
from solve.sighting_rigs import DOTS, REFERENCE
from solve.test_solve_fitted import ambiguous_set


def place_of(state: State, view_id: int) -> int:
    return next(i for i, line in enumerate(state.story, 1) if line.view_id == view_id)


def shown(state: State, place: int) -> Sheet:
    found = session.sheet(state, place)
    assert isinstance(found, Sheet)
    return found


def test_every_line_of_the_story_has_a_sheet_of_its_own_number() -> None:
    _, state = solved()
    rows = session.rows(state)
    assert [r.place for r in rows] == list(range(1, len(state.story) + 1))
    for row in rows:
        sheet = shown(state, row.place)
        assert (sheet.name, sheet.state, sheet.places) == (row.name, row.state, len(state.story))
    assert isinstance(session.sheet(state, 0), Nothing)
    assert isinstance(session.sheet(state, len(state.story) + 1), Nothing)


def test_a_kept_view_shows_its_residuals_and_a_proof_view_too() -> None:
    events, _ = solved()
    bare = [
        replace(e, estimate=solve.without_residuals(e.estimate)) if isinstance(e, ev.Solved) else e
        for e in events
    ]
    state = session.replay(bare)
    for view_id, word in ((3, "kept"), (11, "proof")):
        sheet = shown(state, place_of(state, view_id))
        assert sheet.state == word
        for picture in sheet.pictures:
            assert picture.residuals_px is not None
            assert 0.03 < np.sqrt((picture.residuals_px**2).mean()) < 0.08
            assert picture.told
    refused = shown(state, len(state.story))
    assert refused.view_id is None
    assert say(refused.reasons[0]).startswith("Glare")


def test_the_same_dot_is_found_in_the_other_picture_however_it_is_numbered() -> None:
    views = ambiguous_set()
    found = solve.solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    opened = ev.SessionOpened(0.0, "fork", "", DOTS, REFERENCE, ("left", "right"), True)
    state = session.replay([
        opened, *(ev.ViewKept(0.0, v, None) for v in views), ev.Solved(0.0, found, tuple(range(1, 15))),
    ])  # fmt: skip
    for view_id in (1, 2, 4, 10):  # plain, turned, off by a column, off by a row
        left, right = shown(state, view_id).pictures
        assert right.to_here is not None
        view = next(v for v in views if v.view_id == view_id)
        numbers = [solve.point_numbers(DOTS, found, view, c).tolist() for c in ("left", "right")]
        for number in sorted(set(numbers[0]) & set(numbers[1]))[::30]:
            a = left.points_px[numbers[0].index(number)]
            b = right.points_px[numbers[1].index(number)]
            there = right.to_here @ [*a, 1.0]
            assert np.abs(there[:2] / there[2] - b).max() < 12.0, (view_id, number)


def test_set_aside_by_hand_is_left_out_of_the_solve_and_kept_in_the_hand_over(tmp_path) -> None:
    _, state = solved()
    state = session.step(state, ev.ViewSetAside(1.8e12, 4))
    assert 4 not in state.solve_ids()
    assert session.wanted(state) is not None
    row = next(r for r in session.rows(state) if r.view_id == 4)
    assert (row.state, say(row.reason)) == ("set aside", "set aside by hand")  # type: ignore[arg-type]
    originals = originals_in(tmp_path)
    hand_over(with_pictures(state, originals), originals, tmp_path / "out", 1.8e12, report=False)
    assert "left_004.tif" in {p.name for p in (tmp_path / "out" / "pairs").iterdir()}
    back = session.step(state, ev.ViewBroughtBack(1.8e12, 4))
    assert 4 in back.solve_ids()
    assert back.forced_ids() == ()
    assert session.step(back, ev.ViewBroughtBack(1.8e12, 4)).forced_ids() == (4,)
    dropped = session.step(back, ev.ViewDropped(1.8e12, 4))
    assert 4 not in {v.view_id for v in dropped.kept_views()}
    assert 4 in session.step(dropped, ev.ViewBroughtBack(1.8e12, 4)).solve_ids()
