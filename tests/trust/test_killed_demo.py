"""The true demo killed with kill -9 at random moments, again and again in one session."""

from __future__ import annotations

import os
import random
import signal
import time
from pathlib import Path

import pytest

from flow.serving import served
from holdstill import session
from holdstill.archive import Journal
from holdstill.archive.codec import fingerprint
from holdstill.archive.examine import examine
from holdstill.archive.findings import Health

KILLS = int(os.environ.get("HOLDSTILL_KILLS", "10"))


@pytest.mark.long
def test_the_demo_killed_at_random_loses_no_kept_view(tmp_path: Path) -> None:
    rng, home = random.Random(20261125), tmp_path / "home"
    before: dict[int, str] = {}
    told = []
    for number in range(KILLS):
        with served(home, "demo", "--seed", str(number), "--name", "fork") as running:
            folder = running.folder()
            time.sleep(rng.uniform(0.0, 15.0))
            seen = [e.view.name for e in running.state().entries]
            os.kill(running.process.pid, signal.SIGKILL)  # the workers must see to themselves
            running.process.wait(10)
        states: dict[int, str] = {}
        with Journal.read_only(folder) as journal:
            state = session.State()
            for event in journal.events():
                state = session.step(state, event)
                states[state.events] = fingerprint(state)
        assert [e.view.name for e in state.entries][: len(seen)] == seen
        assert {n: states[n] for n in before} == before
        assert Health.WRONG not in {f.health for f in examine(folder)}
        before = states
        told.append(len(state.entries))
    print("kept views after each kill:", told)
    assert told[-1] > 0
