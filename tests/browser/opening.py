"""Opening a live page, and waiting for it without evaluating text inside it (its policy forbids that)."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, expect

from web.fake_deck import TOKEN, Bench

PATIENCE_S = 30.0
"""How long a test waits for what a page must come to: a busy machine is no failure."""


def check(name: str) -> str:
    """A question to a page, from ``checks/``, without its opening remark."""
    text = (Path(__file__).parent / "checks" / f"{name}.js").read_text(encoding="utf-8")
    return text.partition("\n")[2].strip().removesuffix(";")


def opened(page: Page, served: Bench, path: str = "/phone", token: str = TOKEN) -> Page:
    """Join, then open a page and wait until its line stands."""
    page.context.request.get(f"{served.origin}/join?token={token}")
    page.goto(served.origin + path)
    expect(page.locator("[data-pulse]")).to_have_class(re.compile("pulse"))
    until(page, "() => document.getElementById('line')._htmx?.ws?.connection?.socket?.readyState === 1")
    page.wait_for_timeout(60)
    return page


def until(page: Page, question: str, within_s: float = PATIENCE_S) -> None:
    """Ask a page a question until it says yes."""
    comes(page, lambda: bool(page.evaluate(question)), question, within_s)


def told_to_sound(page: Page, tone: str, nearness: float) -> None:
    """Wait until the page has been told to sound so."""
    until(
        page,
        f"""() => {{ const told = document.getElementById('signal').dataset;
        return told.tone === '{tone}' && told.nearness === '{nearness:.2f}'; }}""",
    )


def comes(page: Page, done: Callable[[], bool], what: str = "it", within_s: float = PATIENCE_S) -> None:
    """Wait until ``done()``, while the page goes on."""
    end = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < end, f"not within {within_s} s: {what}"
        page.wait_for_timeout(25)
