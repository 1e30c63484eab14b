"""Nothing lost between any two system calls: power cuts, failing disks, and kills followed by cuts."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from trust.system_calls import SUPPORTED

pytestmark = pytest.mark.skipif(not SUPPORTED, reason="system calls are recorded on Linux, x86-64")
STUDY = Path(__file__).parent / "lasting_study.py"
TESTS = Path(__file__).parents[1]
PATHS = {**os.environ, "PYTHONPATH": os.pathsep.join((str(TESTS), str(TESTS.parent / "server")))}


def study(which: str, step: int, seed: int) -> dict[str, object]:
    command = [sys.executable, str(STUDY), which, str(step), str(seed)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=900, env=PATHS)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    print(which, told)
    return told


def test_a_power_cut_after_any_call_leaves_everything_confirmed() -> None:
    told = study("cuts", 6, 1)
    assert told["calls"] > 100
    assert told["outcomes"] == {"fine": told["cuts"]}


def test_a_disk_that_refuses_a_call_is_told_in_words_and_nothing_confirmed_is_lost() -> None:
    told = study("faults", 24, 5)
    assert set(told["outcomes"]) <= {"fine", "told, and fine"}
    assert told["outcomes"]["told, and fine"] >= told["trials"] // 2


def test_killed_at_a_call_and_then_without_power_nothing_confirmed_is_lost() -> None:
    told = study("kills", 60, 7)
    assert told["outcomes"] == {"fine": 24 * told["kills"]}


def test_the_study_notices_a_journal_that_does_not_see_to_lasting() -> None:
    from trust import lasting_study

    with tempfile.TemporaryDirectory(prefix="rec-") as place:
        command = [sys.executable, "-c", FORGETFUL, str(STUDY), place]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600, env=PATHS)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["lost"] > 10
    assert lasting_study.verdict(Path("/nowhere"), 1) != "fine"


FORGETFUL = """
import json, random, runpy, sys
from collections import Counter
from pathlib import Path
study = runpy.run_path(sys.argv[1], run_name="study")
tree, _, status = study["recorded"](Path(sys.argv[2]))
tree.changes = [c for c in tree.changes if c.kind != "fsync"]
out = Counter()
study["cut_everywhere"](tree, range(0, len(tree.changes), 9), random.Random(1), out)
print(json.dumps({"lost": sum(n for words, n in out.items() if words != "fine")}))
"""


@pytest.mark.long
def test_every_call_cut_and_failed() -> None:
    for which, step in (("cuts", 1), ("kills", 2), ("faults", 1)):
        told = study(which, step, 20261125)
        assert set(told["outcomes"]) <= {"fine", "told, and fine"}
