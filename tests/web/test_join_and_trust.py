"""Joining links, codes, certificates, Help and the forms of taps."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from cryptography import x509

from holdstill.records import Nothing, TapKind
from holdstill.web import Access, Role, certificate, join_link, new_token, qr_text
from holdstill.web.guide import Guide, HelpPage
from holdstill.web.join import qr_svg
from holdstill.web.taps import tap_of
from web.fake_deck import TOKEN, bench
from web.scenes import scenes


def test_a_certificate_is_private_trusted_by_its_authority_and_kept(tmp_path: Path) -> None:
    made = certificate(tmp_path / "tls", ["127.0.0.1", "bench.local"])
    assert made.key.stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "tls").stat().st_mode & 0o777 == 0o700
    assert len(made.fingerprint.split(":")) == 32
    client = ssl.create_default_context(cafile=str(made.authority))
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(made.chain, made.key)
    assert client.verify_mode is ssl.CERT_REQUIRED
    before = made.key.read_bytes()
    assert certificate(tmp_path / "tls", ["127.0.0.1"]).key.read_bytes() == before


def test_a_certificate_is_renewed_for_another_name_near_its_end_or_when_others_could_read_the_key(
    tmp_path: Path,
) -> None:
    made = certificate(tmp_path, ["127.0.0.1"])
    first = made.key.read_bytes()
    second = certificate(tmp_path, ["127.0.0.1", "192.168.7.2"]).key.read_bytes()
    assert second != first
    later = datetime.now(UTC) + timedelta(days=25)
    third = certificate(tmp_path, ["127.0.0.1", "192.168.7.2"], now=later).key.read_bytes()
    assert third != second
    made.key.chmod(0o644)
    assert certificate(tmp_path, ["127.0.0.1"], now=later).key.read_bytes() != third
    assert made.key.stat().st_mode & 0o777 == 0o600
    leaf = x509.load_pem_x509_certificate(made.chain.read_bytes())
    assert leaf.not_valid_after_utc - later <= timedelta(days=30)


def test_links_codes_and_tokens() -> None:
    token = new_token()
    assert len(token) >= 20
    assert token != new_token()
    link = join_link("https://192.168.7.2:8765/", "a+b/c")
    assert link == "https://192.168.7.2:8765/join?token=a%2Bb%2Fc"
    text = qr_text(link)
    assert len(text.splitlines()) < 30
    assert qr_svg(link).startswith(b"<?xml")


def test_a_short_token_is_refused() -> None:
    with pytest.raises(ValueError, match="can be guessed"):
        Access("short", frozenset({"127.0.0.1"}), clock=lambda: 0.0)


def test_cookies_differ_by_role_and_token_and_hide_the_token() -> None:
    access = Access("a" * 24, frozenset(), clock=lambda: 0.0, watcher_token="b" * 24)
    other = Access("c" * 24, frozenset(), clock=lambda: 0.0)
    operator = access.cookie_value(Role.OPERATOR)
    assert operator != access.cookie_value(Role.WATCHER)
    assert access.role_of_cookies(f"{access.cookie_name}={operator}") is Role.OPERATOR
    assert access.role_of_cookies(f"x=1; {access.cookie_name}={operator[:-1]}0; y=2") in (None, Role.OPERATOR)
    assert access.role_of_cookies(f"{other.cookie_name}={operator}") is None
    assert access.role_of_cookies("not a cookie at all;;;==") is None
    assert "a" * 24 not in operator
    assert access.cookie_name != other.cookie_name


def test_guesses_are_slowed_down_and_time_heals() -> None:
    now = [0.0]
    access = Access("a" * 24, frozenset(), clock=lambda: now[0], tries_per_minute=3)
    for _ in range(3):
        assert not access.must_wait()
        assert access.role_of_token("wrong") is None
    assert access.must_wait()
    now[0] = 61.0
    assert not access.must_wait()
    assert access.role_of_token("a" * 24) is Role.OPERATOR


def test_hosts_with_and_without_ports() -> None:
    access = Access("a" * 24, frozenset({"127.0.0.1", "bench.local:8765", "[::1]"}), clock=lambda: 0.0)
    for good in ("127.0.0.1", "127.0.0.1:1234", "BENCH.local:8765", "[::1]:9"):
        assert access.host_is_ours(good)
    for bad in (None, "", "bench.local", "bench.local:1", "127.0.0.1.elsewhere.example", "localhost"):
        assert not access.host_is_ours(bad)


def test_forms_of_taps() -> None:
    tap = tap_of({"kind": "drop-view", "cue": "12", "view_id": "3"})
    assert not isinstance(tap, Nothing)
    assert (tap.kind, tap.cue_number, dict(tap.values)) == (TapKind.DROP_VIEW, 12, {"view_id": "3"})
    assert tap_of({"kind": "explode"}) == Nothing("tap.refused.unknown")
    assert tap_of({}) == Nothing("tap.refused.unknown")
    for bad in ("-1", "1e3", "٣", "12345678901", "x"):
        assert tap_of({"kind": "pause", "cue": bad}) == Nothing("tap.refused.bad-value")
    assert tap_of({"kind": "sim", "x_mm": "1" * 500}) == Nothing("tap.refused.bad-value")
    assert tap_of({"kind": "sim"} | {f"n{i}": "1" for i in range(40)}) == Nothing("tap.refused.bad-value")


def test_help_lists_reads_and_escapes(tmp_path: Path) -> None:
    (tmp_path / "zebra.md").write_text("# Zebra\n\n| a | b |\n|---|---|\n| 1 | <script>x</script> |\n")
    (tmp_path / "start.md").write_text("# Begin here\n\n[next](zebra.md)\n")
    (tmp_path / "curve.svg").write_text("<svg/>")
    (tmp_path / "secret.txt").write_text("no")
    guide = Guide(tmp_path)
    assert [page.title for page in guide.pages()] == ["Begin here", "Zebra"]
    page = guide.read("zebra")
    assert isinstance(page, HelpPage)
    assert "<table>" in page.html
    assert "<script>" not in page.html
    assert guide.read("zebra.md") == page
    assert guide.read("curve.svg") == tmp_path / "curve.svg"
    for missing in ("secret.txt", "../zebra.md", "/etc/passwd", "zebra.txt", ""):
        assert isinstance(guide.read(missing), Nothing)
    assert Guide(tmp_path / "none").pages() == []


def test_files_are_handed_over_by_name_and_pictures_by_digest(tmp_path: Path) -> None:
    (tmp_path / "stereo.yml").write_text("%YAML:1.0\n")
    scene = scenes()["ready"]
    with bench(scene, files=tmp_path) as served, httpx.Client(base_url=served.origin) as client:
        client.get("/join", params={"token": TOKEN})
        answer = client.get("/file/stereo.yml")
        assert answer.text == "%YAML:1.0\n"
        assert "attachment" in answer.headers["content-disposition"]
        digest = next(iter(scene.views[0].digests.values()))
        picture = client.get(f"/picture/{digest}", params={"preview": "1"})
        assert picture.headers["content-type"] == "image/jpeg"
        assert client.get(f"/picture/{'0' * 32}").status_code == 404
        assert client.get("/file/other.yml").status_code == 404
        assert client.get("/tap").status_code == 405


def test_a_page_that_breaks_says_one_calm_sentence_and_no_trace() -> None:
    with bench(scenes()["start"]) as served, httpx.Client(base_url=served.origin) as client:
        client.get("/join", params={"token": TOKEN})

        def broken() -> None:
            raise RuntimeError("inner secret")

        served.deck.snapshot = broken  # type: ignore[method-assign, assignment]
        answer = client.get("/phone")
        assert answer.status_code == 500
        assert "This page broke" in answer.text
        assert "reference" in answer.text
        assert "inner secret" not in answer.text
        assert "Traceback" not in answer.text
