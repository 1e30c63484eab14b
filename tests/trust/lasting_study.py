"""A session written under the recorder, and what every cut, failure and kill leaves of it.

``python -m trust.lasting_study cuts|faults|kills STEP SEED`` prints one JSON object of counts.
"""

from __future__ import annotations

import errno
import hashlib
import json
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from holdstill.archive import Journal, Originals
from holdstill.archive.journal import FILE_NAME
from holdstill.errors import StorageTrouble
from holdstill.records import FrameBytes, Plate, PlateKind, Rig, View
from holdstill.records import events as ev
from trust.power_cut import left_over
from trust.system_calls import Traced, Tree

PLATE = Plate(PlateKind.DOTS, 14, 10, 12.0)
VIEWS = 4
FAULTS = (errno.ENOSPC, errno.EIO, errno.EROFS)


def pictures(number: int) -> dict[str, bytes]:
    return {c: hashlib.sha256(f"{c}{number}".encode()).digest() * 40 for c in ("left", "right")}


def event(number: int) -> ev.Event:
    """Event `number` of the session, from 1: its opening, then views with originals."""
    if number == 1:
        return ev.SessionOpened(1.0, "fork", "ab", PLATE, Rig(), ("left", "right"), True)
    digests = {c: hashlib.sha256(data).hexdigest() for c, data in pictures(number).items()}
    view = View(number, f"{number:04d}", float(number), {}, originals=digests)
    return ev.ViewKept(view.taken_at_ms, view, None)


def originals_in(folder: Path) -> Originals:
    return Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")


def write_on(home: Path, tell: Callable[[str], None], patience: int = 1) -> None:
    """Begin the session or go on with it, as the runner does: originals, then the event that speaks of
    them; in the middle it is closed and opened again. Tried again `patience` times when the disk refuses."""

    def again(work: Callable[[], object]) -> object:
        for left in range(patience, 0, -1):
            try:
                return work()
            except StorageTrouble as trouble:
                tell(f"trouble {trouble}")
                if left == 1:
                    raise
        raise AssertionError

    folder = home / "s"

    def begin() -> Journal:
        return Journal.open(folder) if (folder / FILE_NAME).exists() else Journal.create(folder)

    for last in (2 + VIEWS // 2, 1 + VIEWS):
        journal = again(begin)
        assert isinstance(journal, Journal)
        number = journal.count() + 1
        while number <= last:
            for camera, data in pictures(number).items() if number > 1 else ():
                frame = FrameBytes(camera, f"{camera}.png", 0.0, data=data)
                again(lambda f=frame: originals_in(folder).keep(f))
            again(lambda j=journal, n=number: j.append(event(n)))
            tell(f"kept {number}")
            number += 1
        journal.close()


def told(tree: Tree, at: int | None = None) -> list[str]:
    return [c.data.decode() for c in tree.changes[:at] if c.kind == "told"]


def verdict(folder: Path, promised: int) -> str:
    """What is left in `folder` of a session with so many confirmed events: fine, or what is wrong."""
    place = folder / "s"
    if promised == 0 and not (place / FILE_NAME).exists():
        return "fine"
    try:
        with Journal.open(place) as journal:
            events = list(journal.events())
    except StorageTrouble as trouble:
        return "fine" if promised == 0 else f"does not open: {trouble}"
    if not promised <= len(events) <= promised + 1:
        return f"{len(events)} events where {promised} were confirmed"
    for number, found in enumerate(events, 1):
        wanted = event(number)
        if type(found) is not type(wanted) or found.at_ms != wanted.at_ms:
            return f"event {number} is another one"
        if isinstance(found, ev.ViewKept):
            for digest in found.view.originals.values():
                path = originals_in(place).path(digest)
                if not isinstance(path, Path) or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
                    return f"an original of event {number} is lost"
    return "fine"


def confirmed(words: list[str]) -> int:
    return max((int(w.split()[1]) for w in words if w.startswith("kept")), default=0)


def cut_everywhere(tree: Tree, points: range, rng: random.Random, out: Counter[str]) -> None:
    for at in points:
        promised = confirmed(told(tree, at))
        for chance, generator in ((0.0, None), (1.0, None), (0.5, rng), (0.9, rng)):
            with tempfile.TemporaryDirectory(prefix="cut-") as place:
                left_over(tree, at, generator, chance, Path(place))
                out[verdict(Path(place), promised)] += 1


def recorded(root: Path, **how: object) -> tuple[Tree, Traced, int | None]:
    tree = Tree(root)
    traced = Traced(tree, **how)  # type: ignore[arg-type]
    return tree, traced, traced.run(lambda tell: write_on(root, tell, 3))


def cuts(step: int, seed: int) -> dict[str, object]:
    """The power fails after each `step`-th system call."""
    rng, out = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory(prefix="rec-") as place:
        tree, _, status = recorded(Path(place))
    assert status == 0, told(tree)
    points = range(seed % step, len(tree.changes) + 1, step)
    cut_everywhere(tree, points, rng, out)
    return {"calls": len(tree.changes), "cuts": 4 * len(points), "outcomes": dict(out)}


def kills(step: int, seed: int) -> dict[str, object]:
    """The process is killed before a call, started again, and then the power fails at some call."""
    rng, out, calls = random.Random(seed), Counter[str](), 0
    with tempfile.TemporaryDirectory(prefix="rec-") as place:
        _, whole, _ = recorded(Path(place))
    for kill_at in range(seed % step, whole.count, step):
        with tempfile.TemporaryDirectory(prefix="rec-") as place:
            tree, _, status = recorded(Path(place), kill_at=kill_at)
            assert status is None
            first = len(tree.changes)
            again = Traced(tree)
            assert again.run(lambda tell, root=Path(place): write_on(root, tell)) == 0, told(tree)
        calls += 1
        ends = sorted(rng.sample(range(first, len(tree.changes) + 1), 6))
        for at in ends:
            cut_everywhere(tree, range(at, at + 1), rng, out)
    return {"kills": calls, "outcomes": dict(out)}


def faults(step: int, seed: int) -> dict[str, object]:
    """Each `step`-th call fails, once or ten times running, as a full, broken or read-only disk makes it."""
    out: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="rec-") as place:
        _, whole, _ = recorded(Path(place))
    trials = 0
    for at in range(seed % step, whole.count, step):
        for error in FAULTS:
            for lasting in (1, 10):

                def fail(
                    number: int, kind: str, at: int = at, error: int = error, n: int = lasting
                ) -> int | None:
                    hits = at <= number < at + n and not (kind == "unlink" and error == errno.ENOSPC)
                    return error if hits else None

                with tempfile.TemporaryDirectory(prefix="rec-") as place:
                    tree = Tree(Path(place))
                    child = Traced(tree, fail=fail)
                    status = child.run(lambda tell, root=Path(place): write_on(root, tell, 12))
                    words = told(tree)
                    said = [w for w in words if w.startswith("trouble")]
                    wrong = [w for w in words if w.startswith("error")]
                    promised = confirmed(words)
                    found = verdict(Path(place), promised)
                trials += 1
                if wrong or status != 0:
                    out[f"{wrong[-1] if wrong else status}"[:160]] += 1
                elif found != "fine" or promised != 1 + VIEWS:
                    out[found] += 1
                else:
                    out["told, and fine" if said else "fine"] += 1
    return {"calls": whole.count, "trials": trials, "outcomes": dict(out)}


if __name__ == "__main__":
    study = {"cuts": cuts, "kills": kills, "faults": faults}[sys.argv[1]]
    print(json.dumps(study(int(sys.argv[2]), int(sys.argv[3])), sort_keys=True))
