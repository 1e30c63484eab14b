"""The journal loses nothing: not to kill -9, a full disk, a second writer or a damaged file."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import sqlalchemy as sa

from holdstill.archive.journal import EVENTS, FILE_NAME, Journal, new_folder
from holdstill.errors import StorageTrouble
from holdstill.records import Plate, PlateKind, Rig
from holdstill.records import events as ev

PLATE = Plate(PlateKind.DOTS, 14, 10, 12.0)
OPENED = ev.SessionOpened(1.0, "fork", "ab", PLATE, Rig(), ("left", "right"), True)


def paused(number: int) -> ev.Paused:
    return ev.Paused(float(number))


def test_events_come_back_in_order_and_numbering_goes_on(tmp_path):
    with Journal.create(tmp_path / "s") as journal:
        assert journal.append(OPENED) == 1
        assert [journal.append(paused(n)) for n in (2, 3)] == [2, 3]
        assert list(journal.events()) == [OPENED, paused(2), paused(3)]
    with Journal.open(tmp_path / "s") as journal:
        assert journal.append(ev.Resumed(4.0)) == 4
        assert list(journal.events()) == [OPENED, paused(2), paused(3), ev.Resumed(4.0)]
        assert journal.count() == 4
        assert journal.count("Paused") == 2
        assert journal.first_and_last() == (OPENED, 4.0)


def test_every_append_reaches_the_disk_before_it_returns(tmp_path):
    with Journal.create(tmp_path / "s") as journal, journal._engine.connect() as connection:
        assert connection.execute(sa.text("PRAGMA journal_mode")).scalar() == "wal"
        assert connection.execute(sa.text("PRAGMA synchronous")).scalar() == 2  # FULL


def test_many_threads_append_without_gaps(tmp_path):
    with Journal.create(tmp_path / "s") as journal:
        work = [lambda: [journal.append(paused(n)) for n in range(20)]] * 4
        threads = [threading.Thread(target=w) for w in work]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(list(journal.events())) == 80


def test_one_writer_at_a_time_and_readers_beside_it(tmp_path):
    with Journal.create(tmp_path / "s") as journal:
        journal.append(OPENED)
        with pytest.raises(StorageTrouble, match=f"process {os.getpid()}"):
            Journal.open(tmp_path / "s")
        reader = Journal.read_only(tmp_path / "s")
        assert list(reader.events()) == [OPENED]
        journal.append(paused(2))
        assert len(list(reader.events())) == 2
        with pytest.raises(StorageTrouble, match="can't be written"):
            reader.append(paused(3))
        reader.close()
    Journal.open(tmp_path / "s").close()


def test_what_is_not_there_or_is_there_already_is_told(tmp_path):
    with pytest.raises(StorageTrouble, match="There is no session"):
        Journal.open(tmp_path / "none")
    Journal.create(tmp_path / "s").close()
    with pytest.raises(StorageTrouble, match="already a session"):
        Journal.create(tmp_path / "s")


def test_a_full_disk_loses_nothing_and_can_be_tried_again(tmp_path):
    with Journal.create(tmp_path / "s") as journal:
        journal.append(OPENED)
        with journal._engine.connect() as connection:
            pages = connection.execute(sa.text("PRAGMA page_count")).scalar_one()

        def full(raw: sqlite3.Connection, _record: object, _proxy: object, most: int = pages) -> None:
            raw.execute(f"PRAGMA max_page_count = {most}")  # SQLite's own way to meet SQLITE_FULL

        sa.event.listen(journal._engine, "checkout", full)
        kept, told = 1, ""
        while not told and kept < 200:
            try:
                journal.append(ev.FileRefused(2.0, f"{kept}", None, "x" * 500))
                kept += 1
            except StorageTrouble as trouble:
                told = str(trouble)
        assert "The disk is full" in told
        assert "What was kept before is safe" in told
        assert len(list(journal.events())) == kept
        sa.event.remove(journal._engine, "checkout", full)
        room = "PRAGMA max_page_count = 99999"
        sa.event.listen(journal._engine, "checkout", lambda raw, _r, _p: raw.execute(room))
        assert journal.append(paused(5)) == kept + 1
        assert len(list(journal.events())) == kept + 1


def test_a_read_only_folder_is_told_and_can_still_be_read(tmp_path):
    script = f"""
import os, sys
sys.path.insert(0, {str(Path(__file__).parents[2] / "server")!r})
from pathlib import Path
from holdstill.archive.journal import Journal
from holdstill.errors import StorageTrouble
os.setuid(65534)
folder = Path({str(tmp_path / "s")!r})
print(len(list(Journal.read_only(folder).events())))
for way in (Journal.open, lambda f: Journal.create(f / "new")):
    try:
        way(folder)
    except StorageTrouble as told:
        print(told)
"""
    if os.name == "nt" or os.geteuid() != 0:
        pytest.skip("needs root to become another user")
    with Journal.create(tmp_path / "s") as journal:
        journal.append(OPENED)
    for place in [tmp_path, *tmp_path.parents]:
        if place.stat().st_uid == 0 and str(place).startswith("/tmp/"):
            place.chmod(0o755)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    lines = done.stdout.splitlines()
    assert lines[0] == "1"
    assert len(lines) == 3
    assert all("can't be written" in line for line in lines[1:])


def test_a_changed_or_removed_entry_is_noticed(tmp_path):
    with Journal.create(tmp_path / "s") as journal:
        for number in range(5):
            journal.append(paused(number))
    path = tmp_path / "s" / FILE_NAME
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE events SET body = replace(body, '2.0', '9.0') WHERE seq = 3")
    raw.close()
    with Journal.open(tmp_path / "s") as journal:
        read = []
        with pytest.raises(StorageTrouble, match="Entry 3"):
            read.extend(journal.events())
        with journal._engine.begin() as connection:
            connection.execute(EVENTS.delete().where(EVENTS.c.seq == 3))
        with pytest.raises(StorageTrouble, match="lacks entry 3"):
            list(journal.events())


@pytest.mark.parametrize("contents", [b"not a database at all" * 300, b"\0" * 8192])
def test_a_file_that_is_no_journal_is_told(tmp_path, contents):
    (tmp_path / FILE_NAME).write_bytes(contents)
    with pytest.raises(StorageTrouble, match=r"not a journal|could not be"):
        Journal.open(tmp_path)


def test_folders_for_sessions_are_plain_and_never_taken_twice(tmp_path):
    first = new_folder(tmp_path, "../../Fork: bending\n#2 <b>", 1.7e12)
    assert first.parent == tmp_path
    assert first.name == "2023-11-14-fork-bending-2-b"
    first.mkdir()
    assert new_folder(tmp_path, "Fork bending 2 b", 1.7e12).name == "2023-11-14-fork-bending-2-b-2"
    assert new_folder(tmp_path, "   ", 0.0).name == "1970-01-01-session"


KILLED = """
import os, random, select, signal, sys, time
sys.path.insert(0, {server!r})
from pathlib import Path
from holdstill.archive.journal import Journal
from holdstill.records import events as ev
home, trials = Path(sys.argv[1]), int(sys.argv[2])
rng = random.Random(20261125)
folder = home / "s"
Journal.create(folder).close()
lost = torn = total = 0
for trial in range(trials):
    receive, send = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(receive)
        journal = Journal.open(folder)
        number = 0
        while True:
            number += 1
            name = f"{{trial}}/{{number}}"
            seq = journal.append(ev.FileRefused(float(trial), name, None, "x" * rng.randrange(9000)))
            os.write(send, f"{{seq}} {{name}}\\n".encode())
    os.close(send)
    if trial % 3:  # two of three die while writing, the third perhaps while opening
        select.select([receive], [], [], 20.0)
    time.sleep(rng.uniform(0.0, 0.03))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    told = b""
    while chunk := os.read(receive, 65536):
        told += chunk
    os.close(receive)
    with Journal.open(folder) as journal:
        held = {{seq: e.name for seq, e in enumerate(journal.events(), 1)}}
    for line in told.decode().splitlines():
        seq, name = line.split(" ")
        total += 1
        lost += held.get(int(seq)) != name
print(trials, total, lost, len(held))
"""


def test_nothing_confirmed_is_lost_to_kill_9(tmp_path):
    if os.name == "nt":
        pytest.skip("needs fork and SIGKILL")
    script = KILLED.format(server=str(Path(__file__).parents[2] / "server"))
    command = [sys.executable, "-c", script, str(tmp_path), "60"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    trials, confirmed, lost, held = (int(v) for v in done.stdout.split())
    assert trials == 60
    assert confirmed >= 40
    assert lost == 0
    assert confirmed <= held <= confirmed + trials
