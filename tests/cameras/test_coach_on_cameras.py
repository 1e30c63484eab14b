"""The coach over two cameras on the wire, seen in a browser: from the first cue on."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from browser.conftest import BENCH, PHONE, launched, watched
from flow.serving import Served, served
from holdstill import session
from holdstill.records import Step

pytestmark = [pytest.mark.namespace, pytest.mark.browser]
PROGRAM = Path(__file__).with_name("staged_rig.py")
LONGEST_S = 600


def staged(folder: Path, *words: str) -> object:
    """The coach over two cameras before the simulated rig."""
    program = (str(PROGRAM), "--home", str(folder / "home"), "--folder", str(folder / "stage"), *words)
    return served(folder / "home", program=program)


def kept(running: Served, views: int, seconds: float) -> None:
    running.until(lambda s: len(s.entries) >= views, seconds)


def test_from_the_first_cue_to_the_first_view_on_two_cameras(tmp_path: Path) -> None:
    """The short form: pictures, cues and a kept view from two GigE Vision cameras, in a browser."""
    with launched() as browser, staged(tmp_path) as running:  # type: ignore[attr-defined]
        phone = watched(browser.new_page(viewport=PHONE))
        phone.goto(running.link)
        phone.wait_for_url(running.origin + "/phone")
        expect(phone.locator("#cue h1")).not_to_have_text("", timeout=60_000)
        kept(running, 1, 300.0)
        expect(phone.locator("body")).to_contain_text("kept")
        assert not phone.troubles  # type: ignore[attr-defined]
    (entry, *_) = running.state().entries
    assert set(entry.view.sightings) == {"left", "right"}
    assert all(len(s.point_ids) > 120 for s in entry.view.sightings.values())


@pytest.mark.long
def test_a_whole_calibration_on_two_cameras(tmp_path: Path) -> None:
    with launched() as browser, staged(tmp_path) as running:  # type: ignore[attr-defined]
        phone = watched(browser.new_page(viewport=PHONE))
        bench = watched(browser.new_page(viewport=BENCH))
        phone.goto(running.link)
        phone.wait_for_url(running.origin + "/phone")
        bench.goto(running.link)
        expect(phone.locator("#cue h1")).not_to_have_text("", timeout=60_000)
        state = running.until(lambda s: s.handed is not None and s.step is Step.HANDOVER, LONGEST_S)
        assert session.verdict(state).state.value == "ready", session.verdict(state)
        expect(bench.locator("body")).to_contain_text("Ready", timeout=10_000)
        assert state.estimate is not None
        print(f"\n{len(state.solve_ids())} views, {len(state.standing(proof=True))} for the proof, "
              f"{state.estimate.rms_px:.4f} px rms")  # fmt: skip
        assert state.estimate.rms_px < 0.05
        phone.screenshot(path=str(tmp_path / "phone.png"))
        assert not phone.troubles  # type: ignore[attr-defined]
