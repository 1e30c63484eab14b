"""The whole job in simulated time: bench, eye, session and work, without clock, sockets or files."""

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from holdstill import session
from holdstill.intake.rhythm import rhythm_of
from holdstill.limits import limit
from holdstill.loop.offline import opened
from holdstill.loop.outcome import event_of
from holdstill.loop.worker import Eye, do
from holdstill.records import Advice, Nothing, Rhythm, Shot, View
from holdstill.records import events as ev
from holdstill.session import Keep, Live, PlanWork, Refuse
from holdstill.simulate import Bench, BenchSettings

INTERVAL_S = 0.125


@dataclass
class BenchRun:
    """A session on the simulated bench."""

    settings: BenchSettings
    seed: int = 1
    previews: bool = False
    events: list[ev.Event] = field(default_factory=list)
    said: list[tuple[float, str, str]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.bench = Bench(self.settings, np.random.default_rng(self.seed))
        self.eye = Eye(self.settings.plate, previews=self.previews)
        self.live = Live()
        self.state = session.State()
        self.now_ms = 0.0
        self.advice: Advice | None = None
        self._no_plan_at = -1
        self._advance_at: float | None = None
        rig = self.settings.rig.described(self.settings.plate, self.settings.volume_mm)
        cameras = tuple(c.name for c in self.settings.rig.cameras)
        self.append(opened(self.settings.plate, rig, cameras, name="bench", at_ms=0.0, single_shots=False))

    def append(self, event: ev.Event) -> None:
        self.state = session.step(self.state, event)
        self.events.append(event)

    def work(self) -> None:
        while (work := session.wanted(self.state, self.live.pose)) is not None:
            if isinstance(work, PlanWork) and self._no_plan_at == self.state.events:
                return
            event = event_of(work, do(work), at_ms=self.now_ms, took_ms=0.0)
            if event is None:
                self._no_plan_at = self.state.events
                return
            self.append(event)

    def shot(self) -> None:
        """One shot: time passes, the operator moves, the cameras fire, the coach decides."""
        self.now_ms += 1000.0 * INTERVAL_S
        self.bench.advance(INTERVAL_S, self.advice)
        number = self.live.shots + 1
        frames = self.bench.shoot(self.now_ms)
        shot = Shot(number, f"bench_{number:05d}", self.now_ms, frames, single=False)
        report = self.eye.look_at(shot)
        self.live = session.look(self.live, self.state, report)
        self.decide(report)
        self.work()
        self.move_on()
        rhythm: Rhythm = rhythm_of(self.live.shot_times_ms, single=False, shots=self.live.shots)
        self.advice = session.advise(self.state, self.live, rhythm, self.now_ms)
        told = (self.advice.headline.key, self.advice.order.value)
        if not self.said or self.said[-1][1:] != told:
            self.said.append((self.now_ms, *told))

    def decide(self, report) -> None:  # type: ignore[no-untyped-def]
        decision = session.judge(self.state, self.live, report)
        if isinstance(decision, Keep):
            self.counts["kept"] += 1
            moment = self.live.earlier if decision.earlier else self.live
            assert moment is not None
            assert moment.report is not None
            view = View(
                1 + len(self.state.entries),
                moment.report.name,
                moment.report.taken_at_ms,
                dict(moment.sightings),
                dict(moment.report.measures),
                proof=decision.proof,
                pose_rig_from_plate=moment.pose,
            )
            self.append(ev.ViewKept(self.now_ms, view, decision.cue_number, decision.grounds))
            self.live = replace(self.live, kept_at_ms=self.now_ms, still_frames=0, guide=None)
        elif isinstance(decision, Refuse):
            self.counts[decision.trouble.value] += 1
            self.append(
                ev.ShotRefused(
                    self.now_ms,
                    report.name,
                    decision.trouble,
                    decision.camera,
                    pose_rig_from_plate=self.live.pose,
                )
            )
            self.live = replace(self.live, refused=(self.state.cue_number, decision.trouble))

    def move_on(self) -> None:
        if session.stuck(self.state, self.live, self.now_ms):
            self.append(ev.CueSkipped(self.now_ms, self.state.cue_number))
        step = session.next_step(self.state)
        if step is None:
            self._advance_at = None
        elif self._advance_at is None:
            self._advance_at = self.now_ms + limit("advance_after_ms")
        elif self.now_ms >= self._advance_at:
            self._advance_at = None
            self.append(ev.StepEntered(self.now_ms, step))

    def until(self, done, longest_s: float) -> bool:  # type: ignore[no-untyped-def]
        """Run until ``done(self)`` or for so many simulated seconds; whether it was done."""
        while self.now_ms < 1000.0 * longest_s:
            self.shot()
            if done(self):
                return True
        return False


__all__ = ["BenchRun", "Nothing"]
