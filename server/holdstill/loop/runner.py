"""The running loop: the single writer. Shots in, events journalled and stepped, work started,
advice published."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace

from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.errors import StorageTrouble
from holdstill.intake.rhythm import rhythm_of
from holdstill.intake.source import Source
from holdstill.limits import limit
from holdstill.records import (
    Advice,
    Coverage,
    Frame,
    Nothing,
    Rhythm,
    Shot,
    ShotReport,
    Step,
    View,
)
from holdstill.records import events as ev
from holdstill.session import Keep, Let, Live, Refuse, State

from .feeding import heed, with_feeds
from .hub import Revisions
from .once import Once
from .outcome import event_of
from .pool import Pool, WorkerLost
from .recheck import RecheckLoop
from .second import SecondLoop
from .setup import SettingUpLoop
from .still import StillLoop
from .telling import numbers_of, session_words, show
from .waiting import Storm, Waiting
from .worker import do, look_at, look_sharp

log = logging.getLogger("holdstill")

__all__ = ["Frame", "Parts", "Runner"]


@dataclass(slots=True)
class Parts:
    """What a runner is put together from (see ``compose``)."""

    journal: Journal
    originals: Originals
    source: Source
    eye: Pool
    mind: Pool
    now_ms: Callable[[], float]
    coverage: Callable[[State], Coverage]
    hand_over: Callable[[State], list[tuple[str, int]]]
    report: Callable[[BaseException, dict[str, int | float]], str] = lambda error, facts: "none"
    """Writes a report on a bug, given numbers about the session; its reference."""


class Runner:
    """One session, running. Everything but `arrive` and `complain` is called on the event loop."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.state: State = session.replay(parts.journal.events())
        self.live = Live()
        self._shot_before: Shot | None = None
        self.advice: Advice | None = None
        self.coverage: Coverage = session.NO_COVERAGE
        self.rhythm = Rhythm("unknown", None, 0, proven=False, last_at_ms=None)
        self.thinking = False
        self.message: str | None = None
        """A trouble with the disk or a worker, in words, until it is over."""
        self.changes = Revisions()
        self.pictures = Revisions()
        self.reports: dict[str, tuple[int, ShotReport]] = {}
        """camera -> (picture number, the report it came with)."""
        self.once = Once()
        self._queue = Waiting()
        self._storm = Storm()
        self._arrived = asyncio.Event()
        self._wake = asyncio.Event()
        self._lock = asyncio.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._no_plan_at = -1
        self._covered_for: tuple[object, ...] = (None, None, None)
        self._advance_at_ms: float | None = None
        self._tell_until_ms = 0.0
        self.setup = SettingUpLoop(self)
        self.still = StillLoop(self)
        self.second = SecondLoop(self)
        self.recheck = RecheckLoop(self)

    # -- from any thread ---------------------------------------------------------------------

    def arrive(self, shot: Shot) -> None:
        """A source hands over a shot."""
        self._from_thread(self._enqueue, shot)

    def complain(self, name: str, camera: str | None, message: str) -> None:
        """A source tells, in words, of a file that can't be used."""
        self._from_thread(self._complained, ev.FileRefused(self.parts.now_ms(), name, camera, message))

    def _from_thread(self, function: Callable[..., None], *arguments: object) -> None:
        if self._loop is not None and not self._loop.is_closed():
            with contextlib.suppress(RuntimeError):  # the loop closed in between: nobody listens
                self._loop.call_soon_threadsafe(function, *arguments)

    def _enqueue(self, shot: Shot) -> None:
        pushed_out = self._queue.put(shot)
        if pushed_out is None:
            self.complain(shot.name, None, session_words("loop.too many waiting", name=shot.name))
            return
        self.live = replace(self.live, dropped=self.live.dropped + pushed_out)
        self._arrived.set()

    def _complained(self, event: ev.FileRefused) -> None:
        if self._storm.lets(event.at_ms, len(self.state.file_messages)):
            self._start(self.append(event))

    def _start(self, work: object) -> None:
        task = asyncio.ensure_future(work)  # type: ignore[call-overload]
        self._tasks.append(task)
        task.add_done_callback(self._tasks.remove)

    # -- running -----------------------------------------------------------------------------

    async def start(self) -> None:
        """Begin: workers, source, clock. The session must have been opened in the journal."""
        self._loop = asyncio.get_running_loop()
        for work in (self._seeing, self._thinking, self._ticking):
            self._start(self._kept_going(work))
        self.parts.source.start(self.arrive, self.complain)
        self._publish()
        self._wake.set()

    async def stop(self) -> None:
        """End everything; what was journalled stays."""
        await asyncio.to_thread(self.parts.source.stop)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.parts.eye.close()
        self.parts.mind.close()
        self.parts.journal.close()

    async def _kept_going(self, work: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run one of the loop's endless works; what breaks it is reported, and it begins again."""
        while True:
            try:
                await work()
            except WorkerLost:
                self.message = session_words("loop.not starting")
            except Exception as error:
                self._tell_broken(error)
            self._publish()
            await asyncio.sleep(limit("bench_wait_ms") / 1000.0)
            self._wake.set()
            self._arrived.set()

    def _tell_broken(self, error: BaseException) -> None:
        """A bug is told for long enough to be read, whatever is journalled meanwhile."""
        self.message = session_words("loop.broke", reference=self.broke(error))
        self._tell_until_ms = self.parts.now_ms() + limit("broken_told_ms")

    def broke(self, error: BaseException) -> str:
        """Report a bug; its reference."""
        restarts = self.parts.eye.restarts, self.parts.mind.restarts
        facts = numbers_of(self.state, self.live, *restarts)
        reference = self.parts.report(error, facts)
        log.error("trouble %s inside", reference, exc_info=error)
        return reference

    async def append(self, event: ev.Event) -> bool:
        """Journal `event`, then step. False (and a message) when it could not be written.

        Raises ValueError, with nothing written, for an event that can't follow: a journal never
        holds what could not be replayed.
        """
        async with self._lock:
            after = session.step(self.state, event)
            try:
                await asyncio.to_thread(self.parts.journal.append, event)
            except StorageTrouble as error:
                self.message, self._tell_until_ms = str(error), 0.0
                self._publish()
                return False
            self.state = after
            if self.parts.now_ms() >= self._tell_until_ms:
                self.message = None
        self._publish()
        self._wake.set()
        return True

    async def _seeing(self) -> None:
        """Shots one after the other: looked at by the worker, judged, kept or refused."""
        await self.parts.eye.ready()
        while True:
            await self._arrived.wait()
            while self._queue:
                shot = self._queue.take()
                try:
                    if not await self.second.takes(shot):
                        await self.take(shot, await self._looked_at(shot))
                except WorkerLost:
                    log.info("%s was lost with its worker", shot.name)
                    self.complain(shot.name, None, session_words("loop.worker lost", name=shot.name))
                except Exception as error:
                    words = session_words("loop.shot broke", name=shot.name, reference=self.broke(error))
                    self.complain(shot.name, None, words)
                heed(self.parts.source, shot.number)
            self._arrived.clear()

    async def _looked_at(self, shot: Shot) -> ShotReport:
        """The worker's report; a shot taken on purpose gets a second try with a new worker."""
        focusing = self.state.step is Step.FOCUS and not shot.single
        try:
            return await self.parts.eye.run(look_sharp if focusing else look_at, shot)
        except WorkerLost:
            await self.parts.eye.ready()
            if not shot.single:
                raise
            log.info("%s is looked at once more: the worker was replaced", shot.name)
            return await self.parts.eye.run(look_at, shot)

    async def take(self, shot: Shot, report: ShotReport) -> None:
        """Fold a looked-at shot into the moment, decide on it, and act."""
        await self._name_cameras(report)
        live = await asyncio.to_thread(session.look, self.live, self.state, report)
        self.live = replace(live, dropped=self.live.dropped, take_now=self.live.take_now)
        self.rhythm = rhythm_of(self.live.shot_times_ms, single=report.single, shots=self.live.shots)
        show(self, report)
        for camera, message in report.refused.items():
            event = ev.FileRefused(self.parts.now_ms(), report.name, camera, message)
            if self._storm.lets(event.at_ms, len(self.state.file_messages)):
                await self.append(event)
        if self.still.running:
            await self.still.take(shot, report)
        elif self.recheck.due:
            await self.recheck.take(shot, report)
        elif not self.state.paused or report.single:
            await self._decide(shot, report)
        self._shot_before = None if shot.single else shot
        await self.setup.after(report)
        self._publish()

    async def _name_cameras(self, report: ShotReport) -> None:
        names = self.parts.source.cameras or tuple(report.sizes_px)
        if names and set(names) != set(self.state.cameras):
            await self.append(ev.CamerasNamed(self.parts.now_ms(), tuple(names)))

    async def _decide(self, shot: Shot, report: ShotReport) -> None:
        decision = session.judge(self.state, self.live, report)
        match decision:
            case Keep():
                await self._keep(shot, report, decision)
            case Refuse():
                await self._refuse(shot, report, decision)
            case Let():
                pass

    async def _keep(self, shot: Shot, report: ShotReport, decision: Keep) -> None:
        sightings, pose = self.live.sightings, self.live.pose
        if decision.earlier and self.live.earlier is not None and self._shot_before is not None:
            moment, shot = self.live.earlier, self._shot_before
            report, sightings, pose = moment.report, moment.sightings, moment.pose
        digests = await self.stored(shot)
        if digests is None:
            return
        view = View(
            view_id=1 + max((e.view.view_id for e in self.state.entries), default=0),
            name=report.name,
            taken_at_ms=report.taken_at_ms,
            sightings=dict(sightings),
            measures=dict(report.measures),
            originals=digests,
            file_names={c: o.name for c, o in shot.originals.items()},
            proof=decision.proof,
            pose_rig_from_plate=pose,
        )
        kept = ev.ViewKept(self.parts.now_ms(), view, decision.cue_number, decision.grounds)
        if await self.append(kept):
            now = self.parts.now_ms()
            self.live = replace(self.live, kept_at_ms=now, take_now=False, still_frames=0, guide=None)

    async def _refuse(self, shot: Shot, report: ShotReport, decision: Refuse) -> None:
        digests = await self.stored(shot)
        event = ev.ShotRefused(
            self.parts.now_ms(),
            report.name,
            decision.trouble,
            decision.camera,
            digests or {},
            dict(report.measures),
            decision.grounds,
            self.live.pose,
        )
        await self.append(event)
        self.live = replace(self.live, refused=(self.state.cue_number, decision.trouble), take_now=False)

    async def stored(self, shot: Shot) -> dict[str, str] | None:
        """Originals on disk, by camera; None (and a message) when the disk would not take them."""
        try:
            return await asyncio.to_thread(
                lambda: {c: self.parts.originals.keep(o) for c, o in shot.originals.items()}
            )
        except (StorageTrouble, OSError) as error:
            self.message = str(error)
            self._publish()
            return None

    # -- work --------------------------------------------------------------------------------

    async def _thinking(self) -> None:
        """Work that the state wants, one thing at a time, until it wants nothing."""
        await self.parts.mind.ready()
        while True:
            await self._wake.wait()
            self._wake.clear()
            while (work := session.wanted(self.state, self.live.pose)) is not None:
                if isinstance(work, session.PlanWork) and self._no_plan_at == self.state.events:
                    break
                self.thinking = not isinstance(work, session.PlanWork)
                self._publish()
                began = self.parts.now_ms()
                try:
                    result = await self.parts.mind.run(do, work)
                except WorkerLost:
                    result = Nothing("the worker was lost")
                except Exception as error:  # the same work would break again: it counts as failed
                    result = Nothing("something went wrong inside")
                    self._tell_broken(error)
                now = self.parts.now_ms()
                event = event_of(work, result, at_ms=now, took_ms=now - began)
                if event is None:
                    self._no_plan_at = self.state.events
                    break
                while not await self.append(event):  # the disk is full or gone: the work is done
                    await asyncio.sleep(1.0)
            self.thinking = False
            self._publish()

    async def hand_over(self) -> bool:
        """Write the files for other programs, and journal that it was done. False without a solution."""
        state, estimate = self.state, self.state.estimate
        if estimate is None:
            return False
        try:
            files = await asyncio.to_thread(self.parts.hand_over, state)
        except (StorageTrouble, OSError) as error:
            self.message = str(error)
            self._publish()
            return False
        return await self.append(ev.HandedOver(self.parts.now_ms(), tuple(files)))

    def touched(self) -> None:
        """Something changed that no event tells of."""
        self._publish()
        self._wake.set()

    # -- clock and publishing ----------------------------------------------------------------

    async def _ticking(self) -> None:
        """Cues that depend on the clock, and moving on by itself in a stream."""
        while True:
            await asyncio.sleep(limit("bench_wait_ms") / 1000.0)
            await self._advance()
            self.live, news = with_feeds(self.live, self.parts.source)
            if news or self._advice_now() != self.advice:
                self._publish()

    async def _advance(self) -> None:
        """In a stream: from enough views to the proof, from a proof that held to the hand-over."""
        if self.state.opened is None or self.state.opened.single_shots or self.state.paused:
            return
        if self.live.exercise is not None or session.second_due(self.state) is not None:
            return
        now = self.parts.now_ms()
        if session.stuck(self.state, self.live, now):
            await self.append(ev.CueSkipped(now, self.state.cue_number))
            return
        step = session.next_step(self.state)
        if step is None:
            self._advance_at_ms = None
        elif self._advance_at_ms is None:
            self._advance_at_ms = now + limit("advance_after_ms")
        elif now >= self._advance_at_ms:
            self._advance_at_ms = None
            await self.append(ev.StepEntered(now, step))
            if step is Step.HANDOVER and self.state.setting("auto_hand_over"):
                await self.hand_over()

    def _advice_now(self) -> Advice:
        return session.advise(self.state, self.live, self.rhythm, self.parts.now_ms())

    def _publish(self) -> None:
        """Tell the source and every phone what holds now. A bug in telling must not look like one in
        what is told of: it is reported, and that is all."""
        try:
            self._tell()
        except Exception as error:
            self._tell_broken(error)
        self.changes.bump()

    def _tell(self) -> None:
        shows = (self.state.entries, self.state.estimate, self.state.lengths)
        if any(new is not old for new, old in zip(shows, self._covered_for, strict=True)):
            self._covered_for = shows  # what else happens does not change what is covered
            self.coverage = self.parts.coverage(self.state)
        advice = self._advice_now()
        if advice != self.advice:
            self.advice = advice
            self.parts.source.advise(advice)

