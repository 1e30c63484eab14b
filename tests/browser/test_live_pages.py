"""The live pages in a real browser: cues arrive, taps answer, the line breaks and comes back."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, Route, expect

from browser.opening import opened, until
from holdstill.records import TapKind
from web.fake_deck import TOKEN, Bench, bench, live_pictures
from web.scenes import HOSTILE, cue, scenes

pytestmark = pytest.mark.browser
SCENES = scenes()


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


def test_joining_leads_to_a_clean_address_by_width(phone: Page, bench_screen: Page, served: Bench) -> None:
    phone.goto(served.join)
    phone.wait_for_url(served.origin + "/phone")
    bench_screen.goto(served.join)
    bench_screen.wait_for_url(served.origin + "/bench")
    assert TOKEN not in phone.url + bench_screen.url


def test_without_joining_the_page_says_so(phone: Page, served: Bench) -> None:
    answer = phone.goto(served.origin + "/phone")
    assert answer is not None
    assert answer.status == 403
    expect(phone.get_by_role("heading")).to_have_text("Join first")


def test_a_new_cue_reaches_every_page_at_once(
    phone: Page, bench_context: BrowserContext, served: Bench
) -> None:
    served.show(SCENES["lean-top"])
    wide, far = bench_context.new_page(), bench_context.new_page()
    pages = [opened(phone, served), opened(wide, served, "/bench"), opened(far, served, "/bench/far")]
    for page in pages:
        expect(page.locator("#cue h1")).to_have_text("Tip the top toward the cameras")
    served.show(SCENES["place"])
    for page in pages:
        expect(page.locator("#cue h1")).to_have_text("Move to your upper right")
        expect(page.locator("#order b")).to_have_text("A little more")
    assert not phone.troubles  # type: ignore[attr-defined]


def test_changes_come_down_the_line_without_the_page_asking(phone: Page, served: Bench) -> None:
    """Ten changes, none of which costs a request: how quick they are then is for the bench to tell."""
    opened(phone, served)
    until(phone, "() => document.readyState === 'complete'")
    asked = len(phone.asked)  # type: ignore[attr-defined]
    taken = []
    for i in range(10):
        scene, words = (("nearer", "Bring it nearer"), ("upright", "Hold the plate tall"))[i % 2]
        begun = time.perf_counter()
        served.show(SCENES[scene])
        until(phone, f"() => document.querySelector('#cue h1').textContent.startsWith('{words}')")
        taken.append(time.perf_counter() - begun)
    print(f"from change to screen: {1000 * min(taken):.0f} to {1000 * max(taken):.0f} ms")
    assert phone.asked[asked:] == []  # type: ignore[attr-defined]


def test_a_tap_is_carried_out_and_answered_in_words(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.get_by_role("button", name="Take now").click()
    expect(phone.locator("#said")).to_have_text("Hold still: the next good shot is taken.")
    assert served.deck.taps[-1].kind is TapKind.TAKE_NOW
    assert served.deck.taps[-1].cue_number == 8


def test_a_tap_on_a_cue_that_has_passed_is_refused_in_words(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    before = len(served.deck.taps)
    advice = SCENES["lean-top"].advice
    assert advice.cue is not None
    passed = replace(SCENES["lean-top"], advice=replace(advice, cue=cue(advice.cue.instruction, 9)))
    served.call(served.deck.slip, passed)  # the cue moves on, and the page has not heard of it yet
    phone.get_by_role("button", name="Another pose").click()
    expect(phone.locator("#said.refused")).to_have_text("That cue had passed already. Nothing was done.")
    assert len(served.deck.taps) == before


def test_two_phones_dropping_the_last_view_drop_one_and_are_told(
    phone: Page, bench_context: BrowserContext, served: Bench
) -> None:
    served.show(replace(SCENES["lean-top"], kept_count=1))
    other = opened(bench_context.new_page(), served)
    opened(phone, served)
    served.call(served.deck.hold, True)  # neither hears of the other's tap
    phone.get_by_role("button", name="Drop last").click()
    other.get_by_role("button", name="Drop last").click()
    expect(phone.locator("#said")).to_have_text("The last view is dropped.")
    expect(other.locator("#said")).to_have_text("There is no view to drop.")
    served.call(served.deck.hold, False)
    for page in (phone, other):
        expect(page.get_by_role("button", name="Drop last")).to_have_count(0)


def test_the_page_says_when_the_line_is_dead_and_comes_back_after_a_restart(
    phone: Page, tmp_path: Path
) -> None:
    first = Bench(SCENES["lean-top"])
    first.phones_file = tmp_path / "phones.json"
    first.start()
    opened(phone, first)
    expect(phone.locator("#stale")).to_be_hidden()
    first.stop()
    expect(phone.locator("#stale")).to_be_visible()
    again = Bench(SCENES["nearer"], port=first.port)
    again.phones_file = first.phones_file
    again.start()
    try:
        expect(phone.locator("#cue h1")).to_have_text("Bring it nearer the cameras")
        expect(phone.locator("#stale")).to_be_hidden()
        live_pictures(again, 3)
        expect(phone.locator("canvas").first).to_have_js_property("width", 960)
    finally:
        again.stop()


def test_a_phone_that_loses_the_network_shows_the_newest_state_when_it_is_back(
    phone: Page, served: Bench
) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.evaluate("document.getElementById('line')._htmx.ws.connection.socket.close()")
    served.show(SCENES["kept"])
    expect(phone.locator("#cue.kept h1")).to_have_text("Kept")


def test_nothing_is_asked_of_any_other_machine(phone: Page, bench_screen: Page, served: Bench) -> None:
    served.show(SCENES["ready"])
    for page, path in ((phone, "/phone"), (bench_screen, "/bench")):
        opened(page, served, path)
        live_pictures(served, 1)
        page.wait_for_timeout(400)
        allowed = (served.origin, served.origin.replace("http", "ws"))
        foreign = [url for url in page.asked if not url.startswith(allowed)]  # type: ignore[attr-defined]
        assert foreign == []
        assert len(page.asked) > 8  # type: ignore[attr-defined]


def test_names_with_markup_in_them_stay_text(phone: Page, bench_screen: Page, served: Bench) -> None:
    served.show(SCENES["hostile"])
    for page, path in ((phone, "/phone"), (bench_screen, "/bench")):
        opened(page, served, path)
        live_pictures(served, 1)
        page.wait_for_timeout(300)
        assert page.evaluate("window.broken") is None
        assert page.locator("img[src='x']").count() == 0
        assert page.locator("#rail .session").text_content() == HOSTILE
        assert "{{7*7}}" in page.locator("#bench-notes .messages li").inner_text()
    served.show(SCENES["lean-top"])


def test_left_and_right_turn_with_the_operator(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-side"])
    opened(phone, served)
    expect(phone.locator("#cue h1")).to_have_text("Turn the right side toward the cameras")
    assert phone.locator("#stage .dots").count() == 0
    phone.get_by_role("button", name="I stand behind them").click()
    expect(phone.locator("#cue h1")).to_have_text("Turn the left side toward the cameras")
    assert phone.locator("#stage .dots").count() > 0
    served.show(SCENES["lean-top"])


def test_a_watchers_page_has_no_taps(phone: Page, served: Bench) -> None:
    opened(phone, served, token=served.watcher_token)
    visible = phone.locator("[hx-post]").evaluate_all("all => all.filter(e => e.offsetParent).length")
    assert visible == 0


class Elsewhere(BaseHTTPRequestHandler):
    """A page of somebody else's, on this machine but of another origin."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!doctype html><title>elsewhere</title>")

    def log_message(self, *told: object) -> None:
        """Say nothing."""


@contextlib.contextmanager
def elsewhere() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()
        thread.join()


def test_another_origins_page_can_neither_listen_nor_act(
    phone_context: BrowserContext, served: Bench
) -> None:
    page = phone_context.new_page()
    opened(page, served)
    before = len(served.deck.taps)
    with elsewhere() as origin:
        stranger = phone_context.new_page()
        stranger.goto(origin)
        code = stranger.evaluate(
            """url => new Promise(done => { const s = new WebSocket(url);
               s.onmessage = () => done('heard'); s.onclose = e => done(e.code); })""",
            served.origin.replace("http", "ws") + "/live/cues?page=phone",
        )
        assert code == 1008
        stranger.evaluate(
            """url => fetch(url, {method: 'POST', mode: 'no-cors', credentials: 'include',
               body: new URLSearchParams({kind: 'drop-last'})}).catch(() => null)""",
            served.origin + "/tap",
        )
    assert len(served.deck.taps) == before


def test_the_line_always_stands_however_the_scripts_arrive(phone: Page, served: Bench) -> None:
    """A late extension once left the page without its line: hold the second script back."""

    def late(route: Route) -> None:
        time.sleep(0.3)
        route.continue_()

    phone.route("**/hx-ws.min.js", late)
    for _ in range(3):
        opened(phone, served)
