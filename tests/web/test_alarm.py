"""A trouble with the disk stands above every page while it lasts, and is gone after it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from holdstill import session
from holdstill.phrases import say
from holdstill.records import Rhythm, Say
from holdstill.session import Live
from holdstill.web.views import PAGES, Renderer
from session.fabric import story
from web.scenes import scenes

FULL = say(Say("archive.full", {"what": "a picture", "path": "/lab/<b>fork</b>"}))


@pytest.mark.parametrize("page", PAGES)
def test_every_page_shows_it(page: str) -> None:
    renderer, scene = Renderer(), scenes()["lean-top"]
    quiet = renderer.fragments(scene, PAGES[page])["alarm"]
    assert "hidden" in quiet
    assert "Trouble" not in quiet
    loud = renderer.fragments(replace(scene, alarm=FULL), PAGES[page])["alarm"]
    assert "hidden" not in loud.partition(">")[0].replace("aria-hidden", "")
    assert 'role="alert"' in loud
    assert "The disk is full" in loud
    assert "&lt;b&gt;fork" in loud
    assert "hidden" in renderer.fragments(scene, PAGES[page])["alarm"]


def test_what_the_loop_says_is_what_is_shown() -> None:
    state = session.replay(story(3))
    rhythm = Rhythm("unknown", None, 0, proven=False, last_at_ms=None)
    around = session.Around(
        now_ms=1e6, plate_words="dots", rhythm=rhythm, coverage=session.NO_COVERAGE, storage=None,
        solving=False, files=(), sim=None, message=FULL,
    )  # fmt: skip
    advice = session.advise(state, Live(), rhythm, 1e6)
    assert session.snapshot(state, Live(), advice, around).alarm == FULL
    assert session.snapshot(state, Live(), advice, replace(around, message=None)).alarm == ""
