"""The demo from the first cue to *ready* with no hand on anything, seen on a phone and on the bench."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from flow.serving import served
from holdstill import session
from holdstill.records import Step

pytestmark = pytest.mark.browser
LONGEST_S = 420
"""Two minutes on a machine of its own; a busy one draws the simulated pictures more slowly."""


def test_the_demo_coaches_by_itself(phone: Page, tmp_path: Path) -> None:
    """The short form: cues, views kept and a first solution, with no hand on anything."""
    with served(tmp_path / "home", "demo", "--seed", "2") as running:
        phone.goto(running.link)
        phone.wait_for_url(running.origin + "/phone")
        state = running.until(lambda s: s.estimate is not None and len(s.solve_ids()) >= 4, LONGEST_S)
        expect(phone.locator("body")).to_contain_text("kept")
    assert state.estimate is not None
    assert state.estimate.rms_px < 0.05
    assert state.trace
    assert not phone.troubles  # type: ignore[attr-defined]


@pytest.mark.long
def test_the_whole_job_runs_by_itself(phone: Page, bench_screen: Page, tmp_path: Path) -> None:
    with served(tmp_path / "home", "demo", "--seed", "2") as running:
        phone.goto(running.link)
        phone.wait_for_url(running.origin + "/phone")
        bench_screen.goto(running.link)
        bench_screen.wait_for_url(running.origin + "/bench")
        expect(phone.locator("#cue h1")).not_to_have_text("")
        first = running.until(lambda s: len(s.entries) >= 1, 120)
        assert first.cue is not None
        state = running.until(lambda s: s.handed is not None and s.step is Step.HANDOVER, LONGEST_S)
        verdict = session.verdict(state)
        assert verdict.state.value == "ready", verdict
        expect(bench_screen.locator("body")).to_contain_text("Ready")
        assert state.handed is not None
        names = [name for name, _ in state.handed.files]
        assert any(name.endswith(".yaml") for name in names)
        for name in names:
            answer = phone.request.get(f"{running.origin}/file/{name}")
            assert answer.status == 200, name
            assert len(answer.body()) > 50, name
    assert state.estimate is not None
    assert len(state.solve_ids()) >= 11
    assert len(state.standing(proof=True)) >= 3
    assert state.estimate.rms_px < 0.05
    used = set(state.estimate.used_view_ids)
    assert used.isdisjoint({v.view_id for v in state.standing(proof=True)})
    assert not phone.troubles  # type: ignore[attr-defined]
    assert not bench_screen.troubles  # type: ignore[attr-defined]
