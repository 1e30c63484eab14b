"""Opening a live page, and waiting for it without evaluating text inside it (its policy forbids that)."""

from __future__ import annotations

import re
import time
from pathlib import Path

from playwright.sync_api import Page, expect

from web.fake_deck import TOKEN, Bench


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


def until(page: Page, question: str, within_s: float = 6.0) -> None:
    """Ask a page a question until it says yes."""
    end = time.monotonic() + within_s
    while not page.evaluate(question):
        assert time.monotonic() < end, f"not within {within_s} s: {question}"
        page.wait_for_timeout(25)
