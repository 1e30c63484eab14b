"""The doctor: each thing that can be wrong with a session or a machine is found, told and mended."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

from archive.examined_session import made
from holdstill import session
from holdstill.archive.examine import examine, mend
from holdstill.archive.findings import Health
from holdstill.archive.journal import FILE_NAME, Journal
from holdstill.archive.sessions import SessionSummary
from holdstill.cli import main
from holdstill.commands.doctor_machine import clock, machine, too_old
from holdstill.errors import StorageTrouble
from holdstill.records import events as ev


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "home" / "fork", views=6)


def outcomes(folder: Path) -> dict[str, Health]:
    found = examine(folder)
    for finding in found:
        assert len(finding.words()) > 10, finding
    return {f"{f.check}.{f.outcome}": f.health for f in found}


def spoil(folder: Path, statement: str) -> None:
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.execute(statement)
    raw.close()


def test_a_whole_session_is_fine(folder: Path) -> None:
    found = outcomes(folder)
    assert found["entries.fine"] is found["originals.fine"] is Health.FINE
    assert Health.WRONG not in found.values()


@pytest.mark.parametrize(
    ("statement", "whole"),
    [
        ("UPDATE events SET body = replace(body, '0', '1') WHERE seq = 5", 4),
        ("DELETE FROM events WHERE seq = 5", 4),
        ("UPDATE events SET body = '{}' WHERE seq = 5", 4),
        ("UPDATE events SET body = x'ff' WHERE seq = 5", 4),
    ],
)
def test_a_damaged_entry_is_found_and_everything_else_is_saved(
    folder: Path, statement: str, whole: int
) -> None:
    with Journal.read_only(folder) as journal:
        before = list(journal.events())
    spoil(folder, statement)
    (bad,) = (f for f in examine(folder) if f.health is Health.WRONG)
    assert (bad.check, bad.outcome, bad.values["whole"]) == ("entries", "damaged", whole)
    assert "--mend" in bad.words()
    target, saved, skipped = mend(folder)
    assert saved == len(before) - 1
    assert skipped == 1
    with Journal.read_only(target) as journal:
        left = list(journal.events())
    assert [e.at_ms for e in left] == [e.at_ms for e in before if e is not before[4]]
    assert len(session.replay(left).entries) == 5
    assert Health.WRONG not in outcomes(target).values()
    assert "entries.damaged" in outcomes(folder)  # the old one was left as it is


def test_an_event_that_can_not_follow_is_found(folder: Path) -> None:
    with Journal.open(folder) as journal:
        journal.append(ev.ViewDropped(9e3, 77))
    assert outcomes(folder)["entries.damaged"] is Health.WRONG
    target, _, skipped = mend(folder)
    assert skipped == 1
    assert "entries.fine" in outcomes(target)


def test_originals_that_are_lost_or_changed_are_named(folder: Path) -> None:
    files = sorted((folder / "originals").glob("??/*"))
    files[0].unlink()
    files[1].chmod(0o644)
    files[1].write_bytes(files[1].read_bytes()[:-1] + b"!")
    (folder / "originals" / "aa").mkdir(exist_ok=True)
    (folder / "originals" / "aa" / ("a" * 64 + ".png")).write_bytes(b"")
    (folder / "originals" / "aa" / ".writing-x").write_bytes(b"half")
    found = outcomes(folder)
    assert found["originals.lost"] is found["originals.damaged"] is Health.WRONG
    assert found["originals.more"] is found["folder.stand-ins"] is Health.NOTE


CUT_SHORT = """
import os, sys
from pathlib import Path
from holdstill.archive import Journal
from holdstill.records import events as ev
Journal.open(Path(sys.argv[1])).append(ev.Paused(2.0))
os._exit(0)
"""


def test_a_session_that_is_open_was_not_closed_or_can_not_be_written_is_told(folder: Path) -> None:
    with Journal.open(folder) as journal:
        journal.append(ev.Paused(1.0))
        found = outcomes(folder)
        assert found["folder.open"] is Health.NOTE
        assert found["order.back"] is Health.NOTE
    assert "folder.not-closed" not in outcomes(folder)  # and reading it does not make it so
    assert "folder.not-closed" not in outcomes(folder)
    subprocess.run([sys.executable, "-c", CUT_SHORT, str(folder)], check=True, timeout=120)
    assert outcomes(folder)["folder.not-closed"] is Health.NOTE


def test_hand_over_files_that_changed_are_told(folder: Path) -> None:
    with Journal.open(folder) as journal:
        journal.append(ev.HandedOver(9e9, (("calibration.json", 7),)))
    assert outcomes(folder)["handover.other"] is Health.WRONG
    (folder / "hand-over").mkdir()
    (folder / "hand-over" / "calibration.json").write_bytes(b"1234567")
    assert outcomes(folder)["handover.fine"] is Health.FINE


def test_a_file_that_is_no_journal_and_one_never_begun_are_told(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"no database" * 900)
    assert outcomes(tmp_path) == {"journal.unreadable": Health.WRONG}
    (tmp_path / FILE_NAME).write_bytes(b"")
    assert "never begun" in examine(tmp_path)[0].words()
    with pytest.raises(StorageTrouble):
        mend(tmp_path)
    assert outcomes(tmp_path / "none") == {"journal.missing": Health.WRONG}


def test_a_file_cut_in_the_middle_gives_what_stands_before_the_cut(folder: Path) -> None:
    with Journal.open(folder) as journal:
        for number in range(200):
            journal.append(ev.FileRefused(9e9 + number, "x" * 900, None, "m" * 900))
    path = folder / FILE_NAME
    os.truncate(path, path.stat().st_size * 2 // 3 // 4096 * 4096)
    assert outcomes(folder)["entries.damaged"] is Health.WRONG
    target, saved, _ = mend(folder)
    assert 50 < saved < 207
    with Journal.read_only(target) as journal:
        assert len(session.replay(journal.events()).entries) == 6


def test_the_command_says_it_in_words_in_json_and_by_its_exit_status(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(folder.parent)]
    assert main(["doctor", "fork", *home]) == 0
    assert "Nothing is to be mended." in capsys.readouterr().out
    spoil(folder, "DELETE FROM events WHERE seq = 3")
    assert main(["doctor", "fork", *home, "--json"]) == 1
    rows = json.loads(capsys.readouterr().out)
    assert [r["check"] for r in rows if r["health"] == "wrong"] == ["entries"]
    assert main(["doctor", "fork", *home, "--mend"]) == 0
    assert "fork-mended" in capsys.readouterr().out
    assert main(["doctor", "nothing", *home]) == 2
    assert "holdstill sessions" in capsys.readouterr().err
    assert main(["doctor", *home, "--mend"]) == 2


def test_a_machine_is_examined(folder: Path) -> None:
    found = {f"{f.check}.{f.outcome}": f for f in machine(folder.parent, 0)}
    for check in ("python", "imports", "home", "database", "worker", "sessions", "clock", "port"):
        assert f"{check}.fine" in found, list(found)
    assert "reports.some" not in found
    spoil(folder, "DELETE FROM events WHERE seq = 3")
    (folder.parent / "reports").mkdir()
    (folder.parent / "reports" / "a1b2c3.txt").write_text("x")
    (folder.parent / "access-key").write_text("secret")
    (folder.parent / "access-key").chmod(0o644)
    worse = {f"{f.check}.{f.outcome}": f.words() for f in machine(folder.parent, 0)}
    assert "access-key" in worse["keys.open"]
    assert "fork" in worse["sessions.trouble"]
    assert "reports.some" in worse


def test_a_home_that_can_not_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    found = {f"{f.check}.{f.outcome}": f.health for f in machine(tmp_path / "file", 0)}
    assert found["home.closed"] is Health.WRONG


def test_a_clock_behind_a_session_or_far_off_is_told() -> None:
    line = SessionSummary("fork", "", "fork", "", 1.7e12, 1.8e12, 0, None, 1)
    assert [f.outcome for f in clock([line], 1.8e12)] == ["fine"]
    assert [f.outcome for f in clock([line], 1.79e12)] == ["behind"]
    assert [f.outcome for f in clock([line], 0.0)] == ["far"]
    assert [f.outcome for f in clock([], 1.8e12)] == ["fine"]


def test_libraries_missing_or_too_old_are_named() -> None:
    have = {"numpy": "2.1.0", "scipy": "1.2", "tifffile": "2025.1.10"}

    def installed(name: str) -> str:
        if name not in have:
            raise metadata.PackageNotFoundError(name)
        return have[name]

    needs = ["numpy>=2", "scipy>=1.14", "tifffile>=2025.1", "opencv-python-headless<6,>=5.0"]
    assert too_old(needs, installed) == ["scipy 1.2, wanted 1.14", "opencv-python-headless"]


def test_a_bug_in_a_command_is_one_calm_sentence_and_a_report_without_names(tmp_path: Path) -> None:
    script = (
        "import sys, holdstill.commands.sessions as c\n"
        "def broken(home): raise KeyError('secret-name /home/somebody/fork.png')\n"
        "c.sessions = broken\n"
        "from holdstill.cli import main\n"
        f"sys.exit(main(['sessions', '--home', {str(tmp_path)!r}]))\n"
    )
    paths = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "server")}
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=paths, check=False
    )
    assert done.returncode == 70
    assert done.stderr.count("\n") == 1
    assert "not your doing" in done.stderr
    (report,) = (tmp_path / "reports").glob("*.txt")
    assert report.stem in done.stderr
    text = report.read_text()
    assert "KeyError" in text
    assert "commands/sessions.py" in text
    assert "secret" not in text
    assert "somebody" not in text
    assert str(tmp_path) not in text
