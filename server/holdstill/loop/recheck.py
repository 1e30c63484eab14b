"""The running side of a recheck: asked for in its step, and by itself while the rig stands ready."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from holdstill import session
from holdstill.limits import limit
from holdstill.records import Shot, ShotReport, Step, View
from holdstill.records import events as ev

from .outcome import event_of
from .pool import WorkerLost
from .worker import do

if TYPE_CHECKING:
    from .runner import Runner


class RecheckLoop:
    """Holds shots against the calibration. One per runner, on its event loop."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self._last_at_ms = 0.0
        self._against = 0
        """Rechecks in a row that spoke against the calibration."""

    @property
    def due(self) -> bool:
        """Whether shots are held against the calibration: it was asked for, or the rig is ready and
        pictures still come, any of which may speak against it."""
        state = self._runner.state
        if state.step is Step.RECHECK:
            return True
        return state.step is Step.HANDOVER and session.verdict(state).state.value == "ready"

    async def take(self, shot: Shot, report: ShotReport) -> None:
        """One more shot while `due`: by the still scene where there is one, else by the plate."""
        runner = self._runner
        asked = runner.state.step is Step.RECHECK
        other = session.against(runner.state, report.sizes_px, runner.parts.now_ms())
        if other is not None:
            if runner.state.withdrawn is None:
                await runner.append(other)
            return
        if asked and await runner.still.recheck(shot, report):
            return
        settled = report.single or runner.live.still_frames >= limit("still_frames")
        now = runner.parts.now_ms()  # not the picture's own time: a camera's clock may be set back
        soon = now - self._last_at_ms <= limit("watch_every_ms")
        if settled and not soon and runner.live.seen_trouble is None and runner.state.estimate is not None:
            self._last_at_ms = now
            await self._by_plate(report, asked=asked)

    async def _by_plate(self, report: ShotReport, *, asked: bool) -> None:
        runner = self._runner
        state, live = runner.state, runner.live
        assert state.estimate is not None
        view = View(0, report.name, report.taken_at_ms, dict(live.sightings), dict(report.measures))
        work = session.RecheckWork(state.plate, state.rig, state.estimate, (view,))
        with contextlib.suppress(WorkerLost):
            result = await runner.parts.mind.run(do, work)
            event = event_of(work, result, at_ms=runner.parts.now_ms(), took_ms=0.0)
            if not isinstance(event, ev.Rechecked):
                return
            self._against = self._against + 1 if event.result.moved and event.result.matters else 0
            if asked:
                await runner.append(event)
            elif self._against >= limit("watch_votes"):
                await runner.append(ev.ReadyWithdrawn(runner.parts.now_ms(), "moved"))
