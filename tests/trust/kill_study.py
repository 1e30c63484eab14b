"""A session killed at random moments, gone on with, and held against one that was never interrupted.

``python -m trust.kill_study KILLS SEED`` prints one JSON object.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import select
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.archive.codec import fingerprint
from holdstill.archive.journal import FILE_NAME
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.taps import act
from holdstill.loop.worker import do, look_at
from holdstill.records import Nothing, Step, Tap, TapKind
from holdstill.records import events as ev
from holdstill.session import PlanWork, State
from trust.made_up import CAMERAS, PLATE, RIG, Here, Silent, Story, think

STORY = Story(9)
LONGEST_S = 20.0


@dataclass(frozen=True)
class Deed:
    """Something that happens to the session, and how to tell that it has happened."""

    done: Callable[[State], bool]
    shot: int | None = None
    tap: Tap | None = None


def kept(number: int) -> Deed:
    name = STORY.shot(number).name
    return Deed(lambda s: any(e.view.name == name for e in s.entries), shot=number)


def script() -> list[Deed]:
    """A whole job with second thoughts."""
    length = {"what": "baseline", "value_mm": "243.0", "sigma_mm": "0.5"}
    return [
        *(kept(n) for n in (1, 2, 3)),
        Deed(lambda s: any(e.dropped for e in s.entries), tap=Tap(TapKind.DROP_VIEW, None, {"view_id": "2"})),
        kept(4),
        Deed(lambda s: s.cue_number >= 2, tap=Tap(TapKind.SKIP_CUE)),
        kept(5),
        Deed(lambda s: bool(s.lengths), tap=Tap(TapKind.ENTER_LENGTH, None, length)),
        kept(6),
        Deed(
            lambda s: any(e.brought_back for e in s.entries),
            tap=Tap(TapKind.BRING_BACK, None, {"view_id": "4"}),
        ),
        kept(7),
        kept(8),
        Deed(lambda s: s.step is Step.PROOF, tap=Tap(TapKind.PROVE)),
        kept(9),
        Deed(lambda s: s.handed is not None, tap=Tap(TapKind.HAND_OVER)),
    ]


class Telling(Runner):
    """A runner that tells of every event as soon as it has been confirmed, with the state after it."""

    def __init__(self, parts: Parts, tell: int) -> None:
        super().__init__(parts)
        self._tell = tell

    async def append(self, event: ev.Event) -> bool:
        done = await super().append(event)
        os.write(self._tell, f"{self.state.events} {fingerprint(self.state)}\n".encode())
        return done


def begun(folder: Path) -> Journal:
    """The journal, opened in the way `compose` does."""
    if (folder / FILE_NAME).exists():
        journal = Journal.open(folder)
        if journal.count():
            return journal
    else:
        journal = Journal.create(folder)
    journal.append(ev.SessionOpened(1000.0, "fork", "ab", PLATE, RIG, CAMERAS, True))
    return journal


def work_of(runner: Runner) -> str:
    """What the session waits for, for a failing test to tell."""
    return type(session.wanted(runner.state, runner.live.pose)).__name__


async def play(folder: Path, tell: int) -> None:
    """Run the session to the script's end, from wherever it stands."""
    journal = begun(folder)
    originals = Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")
    parts = Parts(
        journal=journal,
        originals=originals,
        source=Silent(),
        eye=Here({look_at: STORY.look}),
        mind=Here({do: think}),
        now_ms=lambda: 1000.0 * (runner.state.events + 1),
        coverage=lambda state: session.NO_COVERAGE,
        hand_over=lambda state: [("calibration.json", 12)],
    )
    runner = Telling(parts, tell)
    await runner.start()

    def settled() -> bool:
        work = session.wanted(runner.state, runner.live.pose)
        planned = isinstance(work, PlanWork) and runner._no_plan_at == runner.state.events
        return work is None or planned

    async def until(done: Callable[[], bool]) -> None:
        end = time.monotonic() + LONGEST_S
        while not done():
            assert time.monotonic() < end, (runner.message, runner.state.events, work_of(runner))
            await asyncio.sleep(0.0005)

    await until(settled)
    for deed in script():
        if not deed.done(runner.state):
            if deed.shot is not None:
                runner._enqueue(STORY.shot(deed.shot))
            elif deed.tap is not None:
                answer = await act(runner, deed.tap)
                assert not isinstance(answer, Nothing), answer
        await until(lambda d=deed: d.done(runner.state) and settled())
    await runner.stop()


def run_child(folder: Path, killed_after_s: float | None) -> tuple[bool, list[str], float]:
    """Play in a forked child; (whether it ended by itself, what it told, seconds)."""
    receive, send = os.pipe()
    began = time.monotonic()
    pid = os.fork()
    if pid == 0:
        os.close(receive)
        status = 1
        try:
            asyncio.run(play(folder, send))
            status = 0
        except BaseException as error:
            os.write(send, f"error {type(error).__name__} {error}\n".encode()[:2000])
        os._exit(status)
    os.close(send)
    told, end = b"", None if killed_after_s is None else began + killed_after_s
    while True:
        left = None if end is None else max(end - time.monotonic(), 0.0)
        ready, _, _ = select.select([receive], [], [], left)
        if not ready:
            os.kill(pid, signal.SIGKILL)
            end = None
            continue
        chunk = os.read(receive, 65536)
        if not chunk:
            break
        told += chunk
    os.close(receive)
    _, status = os.waitpid(pid, 0)
    lines = told.decode().splitlines()
    assert not os.WIFEXITED(status) or os.WEXITSTATUS(status) == 0, lines[-1:]
    return os.WIFEXITED(status), lines, time.monotonic() - began


def states(folder: Path) -> dict[int, str]:
    """Fingerprint after each event, folded anew from the journal."""
    state, out = State(), {}
    with Journal.read_only(folder) as journal:
        for event in journal.events():
            state = session.step(state, event)
            out[state.events] = fingerprint(state)
    return out


def study(wanted: int, seed: int) -> dict[str, object]:
    """Sessions killed and gone on with until so many kills have happened."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="kills-") as place:
        home = Path(place)
        whole, told, took = run_child(home / "whole", None)
        assert whole
        reference = states(home / "whole")
        assert {int(t.split()[0]): t.split()[1] for t in told} == {
            k: v for k, v in reference.items() if k > 1
        }
        sessions = kills = lost = changed = same = damaged = 0
        while kills < wanted:
            sessions += 1
            folder = home / f"s{sessions}"
            ended = False
            while not ended:  # killed until it gets through, at a moment anywhere in what is left
                ended, told, _ = run_child(folder, rng.uniform(0.0, 1.3 * took))
                kills += not ended
                found = states(folder) if (folder / FILE_NAME).exists() and told else {}
                for line in told:
                    number, print_ = line.split()
                    lost += int(number) not in found
                    changed += found.get(int(number), print_) != print_
            same += states(folder) == reference
            originals = Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")
            damaged += len(originals.damaged())
            held = {p.name[:64] for p in originals.folder.glob("??/*.*")}
            with Journal.read_only(folder) as journal:
                for event in journal.events():
                    if isinstance(event, ev.ViewKept):
                        lost += not set(event.view.originals.values()) <= held
    return {"kills": kills, "sessions": sessions, "events each": len(reference), "lost": lost,
            "replayed otherwise": changed, "same end": same, "damaged originals": damaged}  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(study(int(sys.argv[1]), int(sys.argv[2]))))
