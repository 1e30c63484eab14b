"""What befalls a phone: the server killed, the network gone, asleep, two at once, and who may not act."""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from browser.conftest import PHONE, watched
from browser.opening import comes, opened
from browser.relay import relayed
from flow.serving import Served, served
from holdstill.records import TapKind
from web.fake_deck import TOKEN, Bench, bench
from web.scenes import digest_of, scenes

pytestmark = pytest.mark.browser
SCENES = scenes()


@pytest.fixture(scope="module")
def at_bench() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


def said(page: Page, words: str) -> None:
    expect(page.locator("#cue h1")).to_have_text(words)


# -- the network, sleep -------------------------------------------------------------------------------


def test_ten_seconds_without_network_are_told_and_then_the_newest_state_is_shown(
    phone: Page, at_bench: Bench
) -> None:
    at_bench.show(SCENES["lean-top"])
    with relayed(at_bench.port) as relay:
        phone.context.request.get(f"{relay.origin}/join?token={TOKEN}")
        phone.goto(relay.origin + "/phone")
        said(phone, "Tip the top toward the cameras")
        relay.silent()
        at_bench.show(SCENES["nearer"])
        expect(phone.locator("#stale")).to_be_visible()
        phone.wait_for_timeout(10_000)
        at_bench.show(SCENES["place"])
        said(phone, "Tip the top toward the cameras")
        relay.back()
        said(phone, "Move to your upper right")
        expect(phone.locator("#stale")).to_be_hidden()
        before = len(at_bench.deck.taps)
        phone.get_by_role("button", name="Pause").click()
        expect(phone.locator("#said")).not_to_have_text("")
        assert len(at_bench.deck.taps) == before + 1
        phone.goto("about:blank")


def test_a_tap_made_without_network_is_not_followed_later(phone: Page, at_bench: Bench) -> None:
    at_bench.show(SCENES["lean-top"])
    opened(phone, at_bench)
    before = len(at_bench.deck.taps)
    phone.context.set_offline(True)
    phone.get_by_role("button", name="Pause").click()
    phone.wait_for_timeout(1500)
    phone.context.set_offline(False)
    phone.wait_for_timeout(1500)
    assert len(at_bench.deck.taps) == before


def asleep(phone: Page, at_bench: Bench, seconds: float) -> None:
    at_bench.show(SCENES["lean-top"])
    opened(phone, at_bench)
    tools = phone.context.new_cdp_session(phone)
    tools.send("Page.enable")
    tools.send("Page.setWebLifecycleState", {"state": "frozen"})
    end = time.monotonic() + seconds
    number = 0
    while time.monotonic() < end:
        at_bench.show(SCENES[("nearer", "place")[number % 2]])
        number += 1
        time.sleep(0.25)
    at_bench.show(SCENES["upright"])
    tools.send("Page.setWebLifecycleState", {"state": "active"})
    said(phone, "Hold the plate tall")
    expect(phone.locator("#stale")).to_be_hidden()


def test_a_phone_that_slept_shows_the_newest_state_at_once(phone: Page, at_bench: Bench) -> None:
    asleep(phone, at_bench, 6.0)


@pytest.mark.long
def test_a_phone_that_slept_for_a_minute(phone: Page, at_bench: Bench) -> None:
    asleep(phone, at_bench, 60.0)


# -- two phones ------------------------------------------------------------------------------------


def test_two_phones_that_tap_at_once_act_once(chromium: Browser, tmp_path: Path) -> None:
    """The real loop, over a folder: "drop the last" from two phones within a moment drops one view."""
    with session_of(tmp_path, views=3) as running:
        pages = []
        for _ in range(2):
            page = watched(chromium.new_context(viewport=PHONE, has_touch=True).new_page())
            page.goto(running.link)
            page.wait_for_url(running.origin + "/phone")
            expect(page.get_by_role("button", name="Drop last")).to_be_visible()
            pages.append(page)
        for page in pages:
            page.evaluate(TAP_SOON)
        for page in pages:
            expect(page.locator("#said")).not_to_have_text("")
        state = running.until(lambda s: any(e.dropped for e in s.entries), 60)
        time.sleep(0.5)
        state = running.state()
        assert sum(e.dropped for e in state.entries) == 1
        told = sorted(page.locator("#said").text_content() or "" for page in pages)
        assert told[0] != told[1]
        for page in pages:
            page.context.close()


TAP_SOON = """() => { const at = Math.ceil(Date.now() / 1000) * 1000 + 1000;
    const all = [...document.querySelectorAll('#acts button')];
    const it = all.find(b => b.textContent.trim().startsWith('Drop last'));
    setTimeout(() => it.click(), at - Date.now()); }"""

DATA = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"


@contextlib.contextmanager
def session_of(home: Path, views: int, *more: str) -> Iterator[Served]:
    """A server over a folder with so many views kept."""
    shots = home / "shots"
    shots.mkdir(exist_ok=True)
    words = ("serve", "--watch", str(shots), "--target", "chessboard 9x6 25mm", "--name", "fork", *more)
    with served(home / "home", *words) as running:
        for number in range(1, views + 1):
            for camera in ("left", "right"):
                name = f"{camera}{number:02d}.jpg"
                if not (shots / name).exists():
                    (shots / name).write_bytes((DATA / name).read_bytes())
        running.until(lambda s: len(s.entries) >= views, 60)
        yield running


# -- the server ------------------------------------------------------------------------------------


def test_a_page_outlives_its_server_which_was_killed(phone: Page, tmp_path: Path) -> None:
    with session_of(tmp_path, 2) as first:
        phone.goto(first.link)
        phone.wait_for_url(first.origin + "/phone")
        expect(phone.locator("body")).to_contain_text("2 kept")
        port = first.origin.rpartition(":")[2]
        first.kill()
        expect(phone.locator("#stale")).to_be_visible()
    with session_of(tmp_path, 3, "--port", port) as again:
        assert again.origin == first.origin
        expect(phone.locator("#stale")).to_be_hidden()
        expect(phone.locator("body")).to_contain_text("3 kept")
        phone.get_by_role("button", name="Pause").click()
        again.until(lambda s: s.paused, 60)
        state = again.state()
    assert [e.view.view_id for e in state.entries] == [1, 2, 3]


@pytest.mark.long
def test_the_demo_killed_in_the_middle_of_a_pose_goes_on(phone: Page, tmp_path: Path) -> None:
    with served(tmp_path / "home", "demo", "--seed", "3", "--name", "fork") as first:
        phone.goto(first.link)
        phone.wait_for_url(first.origin + "/phone")
        before = first.until(lambda s: len(s.entries) >= 2 and not s.cue_spent, 120)
        port = first.origin.rpartition(":")[2]
        first.kill()
        expect(phone.locator("#stale")).to_be_visible()
    words = ("demo", "--seed", "4", "--name", "fork", "--port", port)
    with served(tmp_path / "home", *words) as again:
        expect(phone.locator("#stale")).to_be_hidden()
        count = len(before.entries)
        after = again.until(lambda s: len(s.entries) > count, 120)
    assert [e.view.name for e in after.entries][:count] == [e.view.name for e in before.entries]


# -- who may not act ---------------------------------------------------------------------------------


def test_a_watcher_sees_no_way_to_act_and_a_made_one_is_refused(phone: Page, at_bench: Bench) -> None:
    at_bench.show(SCENES["lean-top"])
    opened(phone, at_bench, token=at_bench.watcher_token)
    for name in ("Pause", "Drop last", "Take now", "Another pose", "Play with the rig"):
        expect(phone.get_by_role("button", name=name)).to_have_count(0)
    assert phone.get_by_role("link", name="Phones").count() == 0
    before = len(at_bench.deck.taps)
    for body in ("kind=pause", "kind=drop-last", "kind=take-now&cue=12"):
        status = phone.evaluate(POST_TAP, body)
        assert status == 403
    assert phone.goto(at_bench.origin + "/phones").status == 403  # type: ignore[union-attr]
    assert len(at_bench.deck.taps) == before


POST_TAP = """async (body) => (await fetch('/tap', {method: 'POST', body,
    headers: {'Content-Type': 'application/x-www-form-urlencoded'}})).status"""

ATTACK = """<!doctype html><meta charset="utf-8"><title>a page</title>
<form id="form" method="post" action="BENCH/tap" target="in"><input name="kind" value="drop-last"></form>
<form id="phones" method="post" action="BENCH/phones/remove" target="in">
<input name="number" value="1"></form>
<iframe name="in"></iframe><iframe id="frame" src="BENCH/phone"></iframe>
<img id="picture" src="BENCH/picture/DIGEST?preview=1"><img id="code" src="BENCH/join/code.svg">
<script src="BENCH/static/page.js"></script><link rel="stylesheet" href="BENCH/static/look.css">
<script>
window.seen = {};
const body = new URLSearchParams({kind: 'pause'});
const ways = {
  simple: () => fetch('BENCH/tap', {method: 'POST', body, mode: 'no-cors', credentials: 'include'}),
  plain: () => fetch('BENCH/tap', {method: 'POST', body: 'kind=pause', mode: 'no-cors',
    credentials: 'include', headers: {'Content-Type': 'text/plain'}}),
  read: () => fetch('BENCH/phone', {credentials: 'include'}).then(a => a.text()).then(t => seen.text = t),
  preflight: () => fetch('BENCH/tap', {method: 'POST', body: '{}', credentials: 'include',
    headers: {'Content-Type': 'application/json'}}),
  beacon: () => navigator.sendBeacon('BENCH/tap', body),
};
for (const [name, act] of Object.entries(ways)) {
  Promise.resolve().then(act).then(() => seen[name] = 'went', (e) => seen[name] = String(e)); }
for (const path of ['/live/cues?page=phone', '/live/pictures', '/frames/left/live']) {
  const socket = new WebSocket('BENCH'.replace('http', 'ws') + path);
  socket.onmessage = (m) => seen['heard ' + path] = String(m.data).slice(0, 99);
  socket.onclose = (c) => seen['closed ' + path] = c.code; }
document.getElementById('form').submit();
setTimeout(() => document.getElementById('phones').submit(), 500);
window.other = window.open('BENCH/phone');
setTimeout(() => {
  seen.picture = document.getElementById('picture').naturalWidth;
  seen.code = document.getElementById('code').naturalWidth;
  try { seen.frame = document.getElementById('frame').contentDocument?.body?.innerText || ''; }
  catch (e) { seen.frame = 'closed'; }
  try { seen.other = other && other.document && other.document.body.innerText; }
  catch (e) { seen.other = 'closed'; }
  seen.done = true;
}, 2500);
</script>"""


@contextlib.contextmanager
def foreign_page(html: str) -> Iterator[str]:
    """Another site on this machine that serves one page; its port."""

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *told: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield str(server.server_port)
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_a_page_from_elsewhere_can_neither_act_nor_see(
    phone_context: BrowserContext, at_bench: Bench, host: str
) -> None:
    """`127.0.0.1` with another port is the same *site* to a browser, so cookies travel; `localhost` is
    another one. The operator has joined in this very browser."""
    at_bench.show(SCENES["ready"])
    mine = opened(phone_context.new_page(), at_bench)
    before, phones = len(at_bench.deck.taps), len(at_bench.access.phones.all())
    html = ATTACK.replace("BENCH", at_bench.origin).replace("DIGEST", digest_of(0, "left"))
    with foreign_page(html) as port:
        evil = phone_context.new_page()
        evil.goto(f"http://{host}:{port}/")
        comes(evil, lambda: bool(evil.evaluate("window.seen.done")))
        seen = evil.evaluate("window.seen")
        evil.close()
    assert len(at_bench.deck.taps) == before
    assert len(at_bench.access.phones.all()) == phones
    assert "text" not in seen
    assert seen["picture"] == seen["code"] == 0
    assert not [name for name in seen if name.startswith("heard")]
    for path in ("/live/cues?page=phone", "/live/pictures", "/frames/left/live"):
        assert seen["closed " + path] in (1006, 1008)
    assert "Fork" not in str(seen.get("frame", ""))
    assert "Fork" not in str(seen.get("other", ""))
    mine.get_by_role("button", name=re.compile("hand over|next|write", re.I)).first.wait_for()
    assert mine.evaluate(POST_TAP, "kind=pause") == 200  # the bench's own page still may


def test_a_removed_phone_is_out_at_once(phone: Page, bench_screen: Page, at_bench: Bench) -> None:
    at_bench.show(SCENES["lean-top"])
    opened(bench_screen, at_bench, "/bench")
    known = {p.number for p in at_bench.access.phones.all()}
    opened(phone, at_bench, token=at_bench.watcher_token)
    (mine,) = {p.number for p in at_bench.access.phones.all()} - known
    bench_screen.get_by_role("link", name="Phones").click()
    row = bench_screen.locator(f"[data-phone='{mine}']")
    expect(row).to_contain_text("Connected now")
    row.get_by_text("Remove", exact=True).click()
    row.get_by_role("button", name="Remove it").click()
    expect(row).to_have_count(0)
    expect(phone.get_by_role("heading", name="Join first")).to_be_visible()
    assert phone.evaluate(POST_TAP, "kind=pause") == 403


def test_the_code_is_typed_and_neither_it_nor_a_secret_stands_in_an_address(
    phone: Page, at_bench: Bench
) -> None:
    phone.goto(at_bench.origin + "/phone")
    phone.get_by_label("Code").fill("wrong")
    phone.get_by_role("button", name="Join").click()
    expect(phone.get_by_role("heading")).to_have_text("That link doesn't open this bench")
    phone.locator("input").evaluate("e => e.removeAttribute('maxlength')")  # the fake bench's code is long
    phone.get_by_label("Code").fill(TOKEN)
    phone.get_by_role("button", name="Join").click()
    phone.wait_for_url(at_bench.origin + "/phone")
    assert phone.evaluate("document.cookie") == ""
    asked = phone.asked  # type: ignore[attr-defined]
    assert not [url for url in asked if TOKEN in url or "token" in url]
    assert TapKind.PAUSE.value in phone.content()
