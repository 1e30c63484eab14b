"""What a long session costs: the journal, its replay, the coach's turn and the pages, by views kept.

``python -m trust.growth_study VIEWS...`` prints one JSON object: CPU ms and kB at each number of views.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from holdstill import plan, session
from holdstill.archive import Journal, codec
from holdstill.loop.outcome import event_of
from holdstill.loop.worker import do
from holdstill.records import Rhythm, Snapshot
from holdstill.records import events as ev
from holdstill.session import Live, PlanWork, SolveWork, State
from holdstill.web.views import PAGES, Renderer
from solve.sighting_rigs import plate_poses, views_of
from trust.made_up import CAMERAS, PLATE, RIG, TRUTH


def cost_ms(work: Callable[[], object], times: int = 3) -> float:
    """Least CPU time of some runs, ms."""
    best = float("inf")
    for _ in range(times):
        began = time.thread_time()
        work()
        best = min(best, time.thread_time() - began)
    return 1000.0 * best


def grown(most: int, solve_at: set[int]) -> list[ev.Event]:
    """A session's events: every view kept; solved where told, the last solution told again between."""
    import numpy as np

    rng = np.random.default_rng(4)
    views = views_of(TRUTH, plate_poses(rng, most, PLATE, spread_mm=20.0, depth_mm=30.0), rng)
    opened = ev.SessionOpened(0.0, "fork", "ab", PLATE, RIG, CAMERAS, False)
    events: list[ev.Event] = [opened]
    state = session.step(State(), opened)
    for view in views:
        kept = ev.ViewKept(1000.0 * view.view_id, view, None)
        events.append(kept)
        state = session.step(state, kept)
        if view.view_id in solve_at or view.view_id % 20 == 0:
            work = session.wanted(state)
            assert isinstance(work, SolveWork)
            solved = event_of(work, do(work), at_ms=1000.0 * view.view_id + 500, took_ms=0.0)
            assert isinstance(solved, ev.Solved), solved
            events.append(solved)
            state = session.step(state, solved)
    return events


def study(counts: list[int]) -> dict[str, dict[str, float]]:
    events = grown(max(counts), set(counts))
    return {str(count): costs(events, count) for count in counts}


def costs(events: list[ev.Event], count: int) -> dict[str, float]:
    """What a session with so many views costs."""
    end = next(i for i, e in enumerate(events) if isinstance(e, ev.Solved) and len(e.from_view_ids) == count)
    part = events[: end + 1]
    state = session.replay(part)
    solved, kept = part[-1], next(e for e in reversed(part) if isinstance(e, ev.ViewKept))
    live, rhythm, renderer = Live(), Rhythm("stream", 0.1, 9, proven=True, last_at_ms=0.0), Renderer()

    def shown() -> Snapshot:
        advice = session.advise(state, live, rhythm, 1e6)
        around = session.Around(
            now_ms=1e6, plate_words="dots", rhythm=rhythm, coverage=session.NO_COVERAGE, storage=None,
            solving=False, files=(), sim=None, message=None,
        )  # fmt: skip
        return session.snapshot(state, live, advice, around)

    snapshot = shown()

    def drawn() -> dict[str, str]:
        renderer._drawn.clear()
        return renderer.fragments(snapshot, PAGES["bench"])

    wanted = session.wanted(state)
    with tempfile.TemporaryDirectory() as place:
        with Journal.create(Path(place) / "s") as journal:
            journal.append_all(part)
            append = cost_ms(lambda: journal.append(ev.Paused(1.0)))
        size = (Path(place) / "s" / "journal.sqlite").stat().st_size
        with Journal.read_only(Path(place) / "s") as journal:
            replay = cost_ms(lambda: session.replay(journal.events()), 1)
    views = state.standing(proof=False)
    return {
        "solved kB": len(codec.write(solved)) / 1e3,
        "kept kB": len(codec.write(kept)) / 1e3,
        "journal kB": size / 1e3,
        "append ms": append,
        "replay ms": replay,
        "step ms": cost_ms(lambda: session.step(state, ev.Paused(1.0))),
        "coverage ms": cost_ms(lambda: plan.coverage(state.plate, state.rig, state.estimate, views)),
        "wanted ms": cost_ms(lambda: session.wanted(state)),
        "plan ms": cost_ms(lambda: do(wanted), 1) if isinstance(wanted, PlanWork) else 0.0,
        "snapshot ms": cost_ms(shown),
        "bench page ms": cost_ms(drawn),
        "bench page kB": sum(len(html) for html in drawn().values()) / 1e3,
    }


if __name__ == "__main__":
    print(json.dumps(study([int(n) for n in sys.argv[1:]]), indent=1))
