"""Files dropped into a watched folder, seen on a phone; the same numbers as the offline review."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from flow.serving import served
from flow.test_flow_serve import NUMBERS, drop
from holdstill import target
from holdstill.commands.review import review_folder
from holdstill.records import Rig

pytestmark = pytest.mark.browser
DATA = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"


def test_a_folder_filled_file_by_file_ends_as_the_review_does(phone: Page, tmp_path: Path) -> None:
    watched = tmp_path / "shots"
    watched.mkdir()
    words = ("serve", "--watch", str(watched), "--target", "chessboard 9x6 25mm")
    with served(tmp_path / "home", *words) as running:
        phone.goto(running.link)
        phone.wait_for_url(running.origin + "/phone")
        expect(phone.locator("#cue h1")).to_have_text("Take one shot to try the set-up")
        for count, number in enumerate(NUMBERS, start=1):
            drop(watched, number)
            expect(phone.locator("#cue")).to_contain_text(f"{count}")
        live = running.until(lambda s: len(s.estimate_from) == 13, 60)
        expect(phone.locator("body")).to_contain_text("13 kept")
    offline = review_folder(DATA, target.parse("chessboard 9x6 25mm"), Rig()).state
    a, b = live.estimate, offline.estimate
    assert a is not None
    assert b is not None
    assert a.rms_px == pytest.approx(b.rms_px, rel=1e-9)
    assert a.pairs[0].baseline_mm == pytest.approx(b.pairs[0].baseline_mm, rel=1e-9)
    for one, other in zip(a.cameras, b.cameras, strict=True):
        assert one.lens.fx == pytest.approx(other.lens.fx, rel=1e-9)
        assert one.rms_px == pytest.approx(other.rms_px, rel=1e-9)
    assert not phone.troubles  # type: ignore[attr-defined]
