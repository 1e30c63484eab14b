"""No secret where it could be read: logs, reports, links after joining, files of other users. And TLS."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path

import httpx
import pytest

from holdstill.commands.doctor_machine import too_old

ROOT = Path(__file__).parents[2]
PATHS = {**os.environ, "PYTHONPATH": str(ROOT / "server"), "PYTHONUNBUFFERED": "1"}


@contextmanager
def running(home: Path, *more: str) -> Iterator[tuple[list[str], Path]]:
    """A server over an empty folder: the lines it printed up to its links, and the file they go to."""
    shots, out = home.parent / "shots", home.parent / "out.txt"
    shots.mkdir(exist_ok=True)
    words = [
        "--verbose",
        "serve",
        "--watch",
        str(shots),
        "--target",
        "chessboard 9x6 25mm",
        "--home",
        str(home),
    ]
    with out.open("w") as told:
        process = subprocess.Popen(
            [sys.executable, "-m", "holdstill.cli", *words, "--port", "0", *more],
            stdout=told, stderr=subprocess.STDOUT, env=PATHS, start_new_session=True,
        )  # fmt: skip
    try:
        end = time.monotonic() + 60
        while "no emergency stop" not in out.read_text():
            assert process.poll() is None, out.read_text()
            assert time.monotonic() < end
            time.sleep(0.1)
        yield out.read_text().splitlines(), out
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(15)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait(10)


def links(lines: list[str]) -> list[str]:
    return re.findall(r"https?://\S+/join\?token=\S+", "\n".join(lines))


def test_no_secret_is_in_the_log_a_link_or_a_file_that_others_can_read(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with running(home) as (lines, out):
        link, watch = links(lines)
        origin = link.partition("/join")[0]
        with httpx.Client(base_url=origin, follow_redirects=True) as client:
            landed = client.get(link)
            assert landed.url.path == "/"
            assert not landed.url.query
            secrets = [value.partition(".")[2] for value in client.cookies.values()]
            assert secrets
            for path in (
                "/phone",
                "/bench",
                "/phones",
                "/nothing?token=abc",
                "/picture/zz",
                "/join?token=wrong",
            ):
                client.get(path)
            client.post("/tap", data={"kind": "pause"}, headers={"Origin": origin})
            client.get("/phone", headers={"Host": "elsewhere.example"})
            page = client.get("/phone").text
        fresh = subprocess.run(
            [sys.executable, "-m", "holdstill.cli", "join", "--home", str(home)],
            capture_output=True, text=True, env=PATHS, check=True,
        )  # fmt: skip
        again = links(fresh.stdout.splitlines())
        assert [one.partition("/join")[0] for one in again] == [origin, origin]
        assert {httpx.get(one).status_code for one in again} == {303}
    secrets += [(home / "access-key").read_text().strip()]
    told = out.read_text().replace(link, "").replace(watch, "")
    codes = [one.partition("token=")[2] for one in (link, watch)]
    for secret in secrets:
        assert len(secret) > 20
        assert secret not in told
        assert secret not in page
        assert secret not in link + watch
    for code in codes:
        assert code not in told
    assert "abc" not in told
    for path in home.rglob("*"):
        data = path.read_bytes() if path.is_file() else b""
        if any(secret.encode() in data for secret in secrets):
            assert path.name == "access-key"
        if path.name in ("access-key", "phones.json"):
            assert path.stat().st_mode & 0o777 == 0o600


def test_a_key_that_others_could_read_is_replaced(tmp_path: Path) -> None:
    from holdstill.compose import house_key

    key = house_key(tmp_path)
    assert house_key(tmp_path) == key
    (tmp_path / "access-key").chmod(0o640)
    assert house_key(tmp_path) != key
    assert (tmp_path / "access-key").stat().st_mode & 0o777 == 0o600


def test_with_tls_nothing_is_served_without_and_nothing_weak_with_it(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with running(home, "--tls") as (lines, _):
        link, _ = links(lines)
        assert link.startswith("https://")
        origin = link.partition("/join")[0]
        trusted = ssl.create_default_context(cafile=str(home / "tls" / "trust-this.pem"))
        with httpx.Client(base_url=origin, verify=trusted) as client:
            joined = client.get(link)
            assert joined.status_code == 303
            told = joined.headers["set-cookie"]
            assert told.startswith("__Host-")
            assert "Secure" in told
            assert "HttpOnly" in told
            assert "max-age" in joined.headers["strict-transport-security"]
            assert client.get("/phone").status_code == 200
        plain = origin.replace("https", "http")
        with pytest.raises(httpx.HTTPError):
            httpx.get(plain + "/phone")
        port = int(origin.rpartition(":")[2])
        for weak in (
            "AES256-SHA",
            "ECDHE-ECDSA-AES128-SHA",
            "ECDHE-ECDSA-NULL-SHA",
            "AECDH-NULL-SHA",
            "eNULL",
        ):
            assert not shakes_hands(port, weak, ssl.TLSVersion.TLSv1_2)
        assert not shakes_hands(port, "ALL", ssl.TLSVersion.TLSv1_1)
        assert shakes_hands(port, "ECDHE+AESGCM", ssl.TLSVersion.TLSv1_2)
        assert (home / "tls" / "key.pem").stat().st_mode & 0o777 == 0o600


def shakes_hands(port: int, ciphers: str, most: ssl.TLSVersion) -> bool:
    """Whether the server agrees on one of these ciphers, at this version of TLS or older."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        context.set_ciphers(ciphers + ":@SECLEVEL=0")
    except ssl.SSLError:
        return False  # this machine's own library knows no such thing any more
    if most < ssl.TLSVersion.TLSv1_2:
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            context.minimum_version = ssl.TLSVersion.TLSv1
            context.maximum_version = most
    else:
        context.maximum_version = most
    try:
        with (
            socket.create_connection(("127.0.0.1", port), 10) as plain,
            context.wrap_socket(plain, server_hostname="127.0.0.1") as secured,
        ):
            return secured.version() is not None
    except (ssl.SSLError, OSError):
        return False


def test_every_dependency_has_a_least_version_and_the_installed_ones_reach_it() -> None:
    import tomllib

    told = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    needs = told["dependencies"] + [n for group in told["optional-dependencies"].values() for n in group]
    assert [need for need in needs if ">=" not in need] == []
    assert too_old(told["dependencies"], metadata.version) == []


def test_the_browser_library_is_pinned_by_its_hash() -> None:
    told = json.loads((ROOT / "static" / "vendor" / "ORIGIN.json").read_text())
    import hashlib

    text = json.dumps(told)
    for name in ("htmx.min.js", "hx-ws.min.js"):
        data = (ROOT / "static" / "vendor" / name).read_bytes()
        assert hashlib.sha256(data).hexdigest() in text or hashlib.sha512(data).hexdigest() in text, name
