"""A runner with real disk and made-up everything else, for tests of the loop."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.worker import do, look_at
from holdstill.records import events as ev
from trust.made_up import CAMERAS, PLATE, RIG, Here, Silent, Story, think


@dataclass
class Running:
    """A running loop, its clock and the reports it wrote."""

    runner: Runner
    story: Story
    now: list[float]
    reports: list[BaseException] = field(default_factory=list)

    async def until(self, done: Callable[[], bool], within_s: float = 90.0) -> None:
        # generous: on a new machine the first solve compiles its loops
        end = asyncio.get_running_loop().time() + within_s
        while not done():
            assert asyncio.get_running_loop().time() < end, (self.runner.message, self.reports)
            await asyncio.sleep(0.002)

    def kept(self) -> list[str]:
        return [e.view.name for e in self.runner.state.entries]


@contextlib.asynccontextmanager
async def running(
    folder: Path, *, eye: Any = None, mind: Any = None, views: int = 6, single: bool = True
) -> AsyncIterator[Running]:
    """A session in `folder` that runs while the block does. The clock is ``now[0]``, ms."""
    story, now = Story(views), [1000.0]
    journal = Journal.create(folder)
    journal.append(ev.SessionOpened(0.0, "fork", "ab", PLATE, RIG, CAMERAS, single))
    reports: list[BaseException] = []

    def report(error: BaseException, facts: dict[str, int | float]) -> str:
        assert all(isinstance(value, int | float) for value in facts.values())
        reports.append(error)
        return "a1b2c3"

    parts = Parts(
        journal=journal,
        originals=Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b""),
        source=Silent(single=single),
        eye=eye or Here({look_at: story.look}),
        mind=mind or Here({do: think}),
        now_ms=lambda: now[0],
        coverage=lambda state: session.NO_COVERAGE,
        hand_over=lambda state: [("calibration.json", 12)],
        report=report,
    )
    runner = Runner(parts)
    await runner.start()
    try:
        yield Running(runner, story, now, reports)
    finally:
        await runner.stop()
