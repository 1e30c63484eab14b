"""A session as one file: the same to the last bit on another machine, and no file can do harm."""

from __future__ import annotations

import json
import os
import random
import stat
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from archive.examined_session import made
from holdstill import session
from holdstill.archive.codec import fingerprint
from holdstill.archive.examine import examine
from holdstill.archive.findings import Health
from holdstill.archive.journal import FILE_NAME, Journal
from holdstill.archive.packing import TABLE_NAME, journal_of, pack, unpack
from holdstill.cli import main
from holdstill.errors import BadInput, HoldstillError
from holdstill.records import events as ev


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "home" / "2026-11-25-fork", views=4)


def state_of(folder: Path) -> str:
    with Journal.read_only(folder) as journal:
        return fingerprint(session.replay(journal.events()))


def rewritten(path: Path, target: Path, change) -> Path:  # type: ignore[no-untyped-def]
    """The packed file with its members changed by ``change(members)``; a member may stand twice."""
    with zipfile.ZipFile(path) as packed:
        members = [(i, packed.read(i)) for i in packed.infolist()]
    members = change(members)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as out:
        for info, data in members:
            out.writestr(info, data)
    return target


def with_table(members, change):  # type: ignore[no-untyped-def]
    out = []
    for info, data in members:
        if info.filename == TABLE_NAME:
            table = json.loads(data)
            change(table)
            data = json.dumps(table).encode()  # noqa: PLW2901
        out.append((info, data))
    return out


def test_there_and_back_is_the_same_session(folder: Path, tmp_path: Path) -> None:
    (folder / "hand-over" / "pairs").mkdir(parents=True)
    (folder / "hand-over" / "pairs" / "left cam_0001.png").write_bytes(b"a picture")
    (folder / "previews").mkdir()
    (folder / "previews" / "x.jpg").write_bytes(b"a cache")
    made_ = pack(folder, tmp_path / "out" / "fork.holdstill")
    assert made_.size_bytes == made_.path.stat().st_size
    other = tmp_path / "other"
    back = unpack(made_.path, other)
    assert back == other / folder.name
    assert state_of(back) == state_of(folder)
    kept = {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    here = {p.relative_to(back).as_posix(): p.read_bytes() for p in back.rglob("*") if p.is_file()}
    for name in kept.keys() - here.keys():
        assert name.startswith(("previews/", "journal.")), name
    assert all(here[name] == kept[name] for name in here if name != FILE_NAME)
    assert Health.WRONG not in {f.health for f in examine(back)}
    assert stat.S_IMODE(next((back / "originals").glob("??/*")).stat().st_mode) == 0o444
    with Journal.open(back) as journal:
        journal.append(ev.Paused(9e12))
    assert unpack(made_.path, other) == other / f"{folder.name}-2"  # that one has gone on meanwhile
    assert unpack(made_.path, other) == other / f"{folder.name}-2"  # and this one is the same


def test_a_running_session_is_packed_as_it_stands(folder: Path, tmp_path: Path) -> None:
    with Journal.open(folder) as journal:
        journal.append(ev.Paused(9e12))
        packed = pack(folder, tmp_path / "fork.holdstill")
        journal.append(ev.Resumed(9e12))
    with journal_of(packed.path) as place, Journal.read_only(place) as journal:
        assert session.replay(journal.events()).paused
    assert packed.events == 6


def test_another_process_opens_it(folder: Path, tmp_path: Path) -> None:
    pack(folder, tmp_path / "fork.holdstill")
    paths = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "server")}
    command = [sys.executable, "-m", "holdstill.cli", "unpack", str(tmp_path / "fork.holdstill")]
    done = subprocess.run(
        [*command, "--home", str(tmp_path / "b")], capture_output=True, text=True, env=paths, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "4 views kept" in done.stdout


def test_the_commands_say_what_they_did(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "x.holdstill"
    assert main(["pack", folder.name, "--home", str(folder.parent), "-o", str(target)]) == 0
    assert "holdstill unpack x.holdstill" in capsys.readouterr().out
    assert main(["unpack", str(target), "--home", str(tmp_path / "b")]) == 0
    assert main(["sessions", "--home", str(tmp_path / "b")]) == 0
    assert "2026-11-25-fork" in capsys.readouterr().out
    assert main(["recheck", str(target), str(tmp_path)]) == 2
    assert "no calibration yet" in capsys.readouterr().err
    assert main(["unpack", str(tmp_path / "none")]) == 2
    assert "holdstill pack" in capsys.readouterr().err


PLACES = (
    "../evil", "/etc/evil", "originals/../../evil", "hand-over/../../evil", "hand-over/a/../../../evil",
    "journal.lock", "hand-over/.ssh", "previews/x", "hand-over\\..\\evil", "hand-over/a\nb",
)  # fmt: skip


@pytest.mark.parametrize("name", PLACES)
def test_a_file_that_would_write_elsewhere_is_refused(folder: Path, tmp_path: Path, name: str) -> None:
    good = pack(folder, tmp_path / "good.holdstill").path

    def change(members):  # type: ignore[no-untyped-def]
        entry = {"bytes": 1, "sha256": "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"}
        added = [*members, (zipfile.ZipInfo(name), b"x")]
        return with_table(added, lambda table: table["files"].update({name: entry}))

    bad = rewritten(good, tmp_path / "bad.holdstill", change)
    with pytest.raises(BadInput):
        unpack(bad, tmp_path / "b")
    assert not list(tmp_path.rglob("evil"))
    assert not [p for p in (tmp_path / "b").glob("*") if not p.name.startswith(".")]


@pytest.mark.parametrize("name", ["../x", "", "a/b", ".hidden", "A" * 200, 7])
def test_a_session_name_that_leads_elsewhere_is_refused(folder: Path, tmp_path: Path, name: object) -> None:
    good = pack(folder, tmp_path / "good.holdstill").path
    bad = rewritten(good, tmp_path / "bad", lambda m: with_table(m, lambda table: table.update(session=name)))
    with pytest.raises(BadInput):
        unpack(bad, tmp_path / "b")


def test_what_was_changed_damaged_doubled_or_swells_is_refused(folder: Path, tmp_path: Path) -> None:
    good = pack(folder, tmp_path / "good.holdstill").path

    def flipped(members):  # type: ignore[no-untyped-def]
        return [(i, d if i.filename == TABLE_NAME else d[:-1] + bytes([d[-1] ^ 1])) for i, d in members]

    def swollen(members):  # type: ignore[no-untyped-def]
        return [(i, bytes(50_000_000) if i.filename.startswith("originals") else d) for i, d in members]

    def doubled(members):  # type: ignore[no-untyped-def]
        return [*members, members[0]]

    def without(members):  # type: ignore[no-untyped-def]
        return members[1:]

    def other_state(members):  # type: ignore[no-untyped-def]
        return with_table(members, lambda table: table.update(state="0" * 64))

    def newer(members):  # type: ignore[no-untyped-def]
        return with_table(members, lambda table: table.update(form_version=9))

    def odd(members):  # type: ignore[no-untyped-def]
        return with_table(members, lambda table: table.update(files=[1, 2]))

    for number, change in enumerate((flipped, swollen, without, other_state, newer, odd)):
        bad = rewritten(good, tmp_path / f"bad{number}", change)
        with pytest.raises(BadInput):
            unpack(bad, tmp_path / "b")
    with pytest.warns(UserWarning, match="Duplicate"):
        twice = rewritten(good, tmp_path / "twice", doubled)
    with pytest.raises(BadInput):
        unpack(twice, tmp_path / "b")
    left = [p for p in (tmp_path / "b").rglob("*") if p.is_file()]
    assert left == []


def test_a_file_cut_or_mutated_anywhere_is_refused_or_the_same(folder: Path, tmp_path: Path) -> None:
    good = pack(folder, tmp_path / "good.holdstill").path.read_bytes()
    rng, bad, state = random.Random(5), tmp_path / "bad.holdstill", state_of(folder)
    outcomes, words = {"refused": 0, "the same": 0}, []
    for trial in range(90):
        data = bytearray(good)
        if trial % 3 == 0:
            del data[rng.randrange(len(data)) :]
        else:
            for _ in range(rng.randrange(1, 6)):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        bad.write_bytes(data)
        try:
            back = unpack(bad, tmp_path / f"b{trial}")
        except HoldstillError as told:
            words.append(str(told))
            outcomes["refused"] += 1
        else:
            assert state_of(back) == state
            outcomes["the same"] += 1
    assert all(len(sentence) > 20 for sentence in words)
    assert outcomes["refused"] > 45
