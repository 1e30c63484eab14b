"""The list of sessions: what each is, how far it came, and what is wrong with a broken one."""

from __future__ import annotations

import argparse
import json
import sqlite3

import pytest

from holdstill.archive import sessions as room
from holdstill.archive.journal import FILE_NAME, Journal
from holdstill.archive.sessions import SUMMARY_NAME, sessions
from holdstill.commands.sessions import run
from holdstill.records import Plate, PlateKind, Rig, View
from holdstill.records import events as ev

PLATE = Plate(PlateKind.DOTS, 14, 10, 12.0)


def opened(name: str, at_ms: float) -> ev.SessionOpened:
    return ev.SessionOpened(at_ms, name, "ab", PLATE, Rig(), ("left", "right"), True)


def kept(view_id: int, at_ms: float) -> ev.ViewKept:
    return ev.ViewKept(at_ms, View(view_id, f"{view_id:02d}", at_ms, {}), None)


@pytest.fixture
def home(tmp_path):
    with Journal.create(tmp_path / "2026-11-24-lug") as journal:
        journal.append(opened("lug\n\x1b[31m", 1.764e12))
        journal.append(kept(1, 1.764e12 + 1000))
    with Journal.create(tmp_path / "2026-11-25-fork") as journal:
        journal.append(opened("fork", 1.7641e12))
        for number in (1, 2, 3):
            journal.append(kept(number, 1.7641e12 + 1000 * number))
        journal.append(ev.ViewDropped(1.7641e12 + 9000, 2))
    (tmp_path / "not a session").mkdir()
    return tmp_path


def test_each_session_in_a_line_the_last_used_first(home):
    fork, lug = sessions(home)
    assert (fork.session_id, fork.name, fork.views_kept) == ("2026-11-25-fork", "fork", 2)
    assert (fork.opened_at_ms, fork.last_at_ms) == (1.7641e12, 1.7641e12 + 9000)
    assert fork.verdict is None
    assert (lug.views_kept, lug.initials, lug.trouble) == (1, "ab", None)


def test_a_line_is_remembered_until_the_journal_grows(home, monkeypatch):
    before = sessions(home)
    assert (home / "2026-11-25-fork" / SUMMARY_NAME).is_file()
    made = []
    really = room._made
    monkeypatch.setattr(room, "_made", lambda j, f, c: made.append(f.name) or really(j, f, c))
    assert sessions(home) == before
    assert made == []
    with Journal.open(home / "2026-11-25-fork") as journal:
        journal.append(kept(4, 1.7642e12))
    assert [s.views_kept for s in sessions(home)] == [3, 1]
    assert made == ["2026-11-25-fork"]


def test_a_session_that_is_being_written_is_listed_too(home):
    with Journal.open(home / "2026-11-24-lug") as journal:
        journal.append(kept(2, 1.7643e12))
        assert [s.views_kept for s in sessions(home)] == [2, 2]


def test_a_broken_session_is_told_and_the_others_are_listed(home, capsys):
    path = home / "2026-11-24-lug" / FILE_NAME
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE events SET body = 'x' WHERE seq = 2")
    raw.close()
    fork, lug = sessions(home)
    assert fork.trouble is None
    assert "Entry 2" in lug.trouble
    assert run(argparse.Namespace(home=home, json=False)) == 0
    out = capsys.readouterr().out
    assert "Entry 2" in out
    assert "\x1b" not in out


def test_the_table_and_the_json_say_the_same(home, capsys):
    assert run(argparse.Namespace(home=home, json=False)) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    assert lines[1].startswith("2026-11-25-fork  fork")
    assert run(argparse.Namespace(home=home, json=True)) == 0
    told = json.loads(capsys.readouterr().out)
    assert [s["views_kept"] for s in told] == [2, 1]


def test_no_sessions_is_said_in_words(tmp_path, capsys):
    assert run(argparse.Namespace(home=tmp_path / "none", json=False)) == 0
    assert "There is no session in" in capsys.readouterr().out
