"""Joining links, codes, certificates, Help and the forms of taps."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from cryptography import x509

from holdstill.records import Nothing, TapKind
from holdstill.web import Access, Phones, Role, TimedCodes, certificate, harden, join_link, qr_text
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


def test_links_and_pictures_of_them() -> None:
    link = join_link("https://192.168.7.2:8765/", "a+b/c")
    assert link == "https://192.168.7.2:8765/join?token=a%2Bb%2Fc"
    text = qr_text(link)
    assert len(text.splitlines()) < 30
    assert qr_svg(link).startswith(b"<?xml")


def access(key: str = "a" * 24, *, secure: bool = False, hosts: frozenset[str] = frozenset()) -> Access:
    codes, phones = TimedCodes(key, lambda: NOW[0]), Phones(None, lambda: NOW[0])
    return Access(key, hosts, codes=codes, phones=phones, clock=lambda: NOW[0], secure=secure)


NOW = [1.7e9]


@pytest.fixture(autouse=True)
def _begin() -> None:
    NOW[0] = 1.7e9


def test_a_short_key_is_refused() -> None:
    with pytest.raises(ValueError, match="can be guessed"):
        access("short")


def test_codes_are_short_change_and_end() -> None:
    codes = TimedCodes("a" * 24, lambda: NOW[0])
    operator, watcher = codes.now(Role.OPERATOR), codes.now(Role.WATCHER)
    assert len(operator) == 8
    assert operator != watcher
    assert TimedCodes("b" * 24, lambda: NOW[0]).now(Role.OPERATOR) != operator
    for typed in (
        operator,
        operator.lower(),
        f" {operator[:4]} {operator[4:]} ",
        f"{operator[:4]}-{operator[4:]}",
    ):
        assert codes.role_of(typed) is Role.OPERATOR
    assert codes.role_of(watcher) is Role.WATCHER
    for wrong in ("", "00000000", operator[:-1], operator + "0", "\u0660" * 8, "x" * 4000):
        assert codes.role_of(wrong) is None
    left = codes.minutes_left()
    assert 10.0 < left <= 20.0
    NOW[0] += 60.0 * left - 1.0
    assert codes.role_of(operator) is Role.OPERATOR
    assert codes.now(Role.OPERATOR) != operator
    NOW[0] += 2.0
    assert codes.role_of(operator) is None


def test_letters_that_look_alike_are_taken_for_what_was_meant() -> None:
    for number in range(200):
        codes = TimedCodes(f"key number {number:012d}", lambda: NOW[0])
        code = codes.now(Role.OPERATOR)
        assert not set(code) & set("ILOU")
        assert codes.role_of(code.replace("0", "o").replace("1", "l")) is Role.OPERATOR


def test_a_phone_is_known_by_its_cookie_until_it_is_removed_or_old(tmp_path: Path) -> None:
    path = tmp_path / "phones.json"
    phones = Phones(path, lambda: NOW[0])
    cookie = phones.join(Role.OPERATOR, "Mozilla/5.0 (something) Mobile")
    other = phones.join(Role.WATCHER)
    assert cookie is not None
    assert other is not None
    assert [(p.number, p.role, p.kind) for p in phones.all()] == [
        (1, Role.OPERATOR, "phone"), (2, Role.WATCHER, "computer"),
    ]  # fmt: skip
    assert path.stat().st_mode & 0o777 == 0o600
    assert cookie.partition(".")[2] not in path.read_text()
    again = Phones(path, lambda: NOW[0])
    assert again.known(cookie) is not None
    secret = cookie.partition(".")[2]
    for wrong in (
        "",
        "1",
        "1.",
        f"2.{secret}",
        f"1.{secret[:-1]}",
        f"-1.{secret}",
        f"9.{secret}",
        "\u0661." + secret,
    ):
        assert again.known(wrong) is None
    assert again.remove(1)
    assert not again.remove(1)
    assert again.known(cookie) is None
    assert Phones(path, lambda: NOW[0]).known(cookie) is None
    NOW[0] += 14.1 * 86400
    assert again.known(other) is None
    assert again.all() == []


def test_a_list_of_phones_that_others_could_write_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "phones.json"
    cookie = Phones(path, lambda: NOW[0]).join(Role.OPERATOR)
    assert cookie is not None
    path.chmod(0o644)
    assert Phones(path, lambda: NOW[0]).known(cookie) is None
    path.chmod(0o600)
    assert Phones(path, lambda: NOW[0]).known(cookie) is not None
    for damaged in ("", "{}", "[1]", '[{"number": "x"}]', "[" * 5000):
        path.write_text(damaged)
        path.chmod(0o600)
        assert Phones(path, lambda: NOW[0]).all() == []


def test_a_full_house_makes_room_for_an_operator_only() -> None:
    phones = Phones(None, lambda: NOW[0])
    for _ in range(64):
        NOW[0] += 1.0
        assert phones.join(Role.WATCHER) is not None
    assert phones.join(Role.WATCHER) is None
    assert phones.join(Role.OPERATOR) is not None
    assert len(phones.all()) == 64
    assert 1 not in {p.number for p in phones.all()}
    full = Phones(None, lambda: NOW[0])
    for _ in range(64):
        assert full.join(Role.OPERATOR) is not None
    assert full.join(Role.OPERATOR) is None


def test_cookies_are_read_whatever_stands_beside_them() -> None:
    house = access()
    cookie = house.phones.join(Role.OPERATOR)
    assert house.phone_of_cookies(f"x=1; {house.cookie_name}={cookie}; y=2") is not None
    assert house.phone_of_cookies(f"{access('c' * 24).cookie_name}={cookie}") is None
    for odd in (None, "", "not a cookie at all;;;==", f"{house.cookie_name}=\\"):
        assert house.phone_of_cookies(odd) is None
    assert access(secure=True).cookie_name.startswith("__Host-")


def test_guesses_are_slowed_down_for_who_guesses_and_time_heals() -> None:
    house = access()
    for _ in range(10):
        assert not house.must_wait("10.0.0.5")
        assert house.role_of_code("wrong", "10.0.0.5") is None
    assert house.must_wait("10.0.0.5")
    assert not house.must_wait("10.0.0.6")
    NOW[0] += 61.0
    assert not house.must_wait("10.0.0.5")
    for address in range(60):
        for _ in range(5):
            house.role_of_code("wrong", f"10.0.1.{address}")
    assert house.must_wait("10.0.0.6")
    NOW[0] += 61.0
    assert house.role_of_code(house.codes.now(Role.OPERATOR), "10.0.0.5") is Role.OPERATOR


def test_the_senders_token_opens_nothing_else() -> None:
    house = access()
    assert house.may_send(f"Bearer {house.sender_token}")
    assert not house.may_send("Bearer ")
    assert not house.may_send(None)
    assert house.codes.role_of(house.sender_token) is None
    assert house.phones.known(house.sender_token) is None


def test_tls_takes_nothing_weak_and_a_torn_pair_is_made_anew(tmp_path: Path) -> None:
    made = certificate(tmp_path, ["127.0.0.1"])
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.set_ciphers("ALL:@SECLEVEL=0")
    harden(server)
    assert server.minimum_version is ssl.TLSVersion.TLSv1_2
    names = [cipher["name"] for cipher in server.get_ciphers()]
    assert names
    for name in names:
        assert name.startswith(("TLS_", "ECDHE-"))
        assert "GCM" in name or "CHACHA20" in name or "CCM" in name
    key = made.key.read_bytes()
    other = certificate(tmp_path / "other", ["127.0.0.1"])
    made.key.write_bytes(other.key.read_bytes())
    again = certificate(tmp_path, ["127.0.0.1"])
    server.load_cert_chain(again.chain, again.key)
    assert again.key.read_bytes() not in (key, other.key.read_bytes())
    again.key.write_bytes(b"no key")
    third = certificate(tmp_path, ["127.0.0.1"])
    server.load_cert_chain(third.chain, third.key)


def test_hosts_with_and_without_ports() -> None:
    house = access(hosts=frozenset({"127.0.0.1", "bench.local:8765", "[::1]"}))
    for good in ("127.0.0.1", "127.0.0.1:1234", "BENCH.local:8765", "[::1]:9"):
        assert house.host_is_ours(good)
    for bad in (None, "", "bench.local", "bench.local:1", "127.0.0.1.elsewhere.example", "localhost"):
        assert not house.host_is_ours(bad)


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
