"""A real browser for the page tests: Debian's Chromium, driven headless."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from browser.opening import PATIENCE_S

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
expect.set_options(timeout=1000 * PATIENCE_S)
PHONE = {"width": 390, "height": 844}
BENCH = {"width": 1440, "height": 900}


@contextmanager
def launched() -> Iterator[Browser]:
    """Chromium; skipped with a reason where there is none, unless one is required."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        missing = "no Chromium on this machine: install Debian's package chromium to run the page tests"
        if os.environ.get("HOLDSTILL_REQUIRE_BROWSER") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Chromium for a file of tests."""
    with launched() as browser:
        yield browser


@pytest.fixture
def phone_context(chromium: Browser) -> Iterator[BrowserContext]:
    """A phone of its own, with nothing remembered."""
    context = chromium.new_context(viewport=PHONE, has_touch=True)
    yield context
    context.close()


@pytest.fixture
def bench_context(chromium: Browser) -> Iterator[BrowserContext]:
    """The bench's own screen."""
    context = chromium.new_context(viewport=BENCH)
    yield context
    context.close()


@pytest.fixture
def phone(phone_context: BrowserContext) -> Page:
    """A page on the phone."""
    return watched(phone_context.new_page())


@pytest.fixture
def bench_screen(bench_context: BrowserContext) -> Page:
    """A page on the bench's screen."""
    return watched(bench_context.new_page())


def watched(page: Page) -> Page:
    """The page, noting its own troubles and every address it asks for."""
    page.troubles = []  # type: ignore[attr-defined]
    page.asked = []  # type: ignore[attr-defined]
    page.on("pageerror", lambda error: page.troubles.append(str(error)))  # type: ignore[attr-defined]
    page.on(
        "console",
        lambda said: page.troubles.append(said.text) if said.type == "error" else None,  # type: ignore[attr-defined]
    )
    page.on("request", lambda request: page.asked.append(request.url))  # type: ignore[attr-defined]
    page.on("websocket", lambda socket: page.asked.append(socket.url))  # type: ignore[attr-defined]
    return page
