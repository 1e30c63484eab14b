"""The same rooms over shots that are all there already: no clock, no workers, no journal file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from holdstill import session
from holdstill.records import Plate, Rig, Shot, Step, View
from holdstill.records import events as ev
from holdstill.session import Keep, Live, Refuse, State

from .outcome import event_of
from .second import second_view
from .worker import Eye, do


def opened(
    plate: Plate, rig: Rig, cameras: tuple[str, ...], *, name: str, at_ms: float, single_shots: bool
) -> ev.SessionOpened:
    """The first event of a session."""
    from holdstill import __version__
    from holdstill.limits import all_values

    return ev.SessionOpened(
        at_ms, name, "", plate, rig, cameras, single_shots, all_values(), {}, {"holdstill": __version__}
    )


class Review:
    """Goes through shots one by one; `state` and `events` are what came of it."""

    def __init__(self, plate: Plate, rig: Rig, cameras: tuple[str, ...], *, name: str) -> None:
        self.eye = Eye(plate, previews=False)
        self.state = State()
        self.live = Live()
        self.events: list[ev.Event] = []
        self._at_ms = 0.0
        self._append(opened(plate, rig, cameras, name=name, at_ms=0.0, single_shots=True))

    def _append(self, event: ev.Event) -> None:
        self.state = session.step(self.state, event)
        self.events.append(event)

    def complain(self, name: str, camera: str | None, message: str) -> None:
        """A file that can't be used."""
        self._append(ev.FileRefused(self._at_ms, name, camera, message))

    def see(self, shots: Sequence[Shot]) -> Iterator[ev.Event]:
        """Look at each shot, decide on it, and tell the event that came of it."""
        for shot in shots:
            report = self.eye.look_at(shot)
            self._at_ms = report.taken_at_ms
            self.live = session.look(self.live, self.state, report)
            for camera, message in report.refused.items():
                self.complain(shot.originals[camera].name, camera, message)
            event = self._decide(shot)
            if event is not None:
                self._append(event)
                yield event

    def _decide(self, shot: Shot) -> ev.Event | None:
        report = self.live.report
        if report is None:
            return None
        decision = session.judge(self.state, self.live, report)
        at_ms = report.taken_at_ms
        match decision:
            case Keep():
                view = View(
                    view_id=1 + len(self.state.entries),
                    name=report.name,
                    taken_at_ms=at_ms,
                    sightings=dict(self.live.sightings),
                    measures=dict(report.measures),
                    originals=dict(report.digests),
                    file_names={c: o.name for c, o in shot.originals.items()},
                    pose_rig_from_plate=self.live.pose,
                )
                return ev.ViewKept(at_ms, view, None, decision.grounds)
            case Refuse():
                return ev.ShotRefused(
                    at_ms,
                    report.name,
                    decision.trouble,
                    decision.camera,
                    dict(report.digests),
                    dict(report.measures),
                    decision.grounds,
                    self.live.pose,
                )
            case _:
                return None

    def solve(self) -> None:
        """Solve what was kept, and prove it by leaving views out in turn."""
        self._work()
        if self.state.estimate is not None:
            self._append(ev.SettingChanged(self._at_ms, "proof_views", 0))
            self._append(ev.StepEntered(self._at_ms, Step.PROOF))
            self._work()

    def see_second(self, second: ev.SecondPlateDescribed, shots: Sequence[Shot]) -> Iterator[ev.Event]:
        """Look for a second plate in each shot, tell the ones that are taken, and measure it."""
        self._append(replace(second, at_ms=self._at_ms))
        plate, eye, live = second.plate, Eye(second.plate, previews=False), Live()
        for shot in shots:
            if session.second_due(self.state) is None:
                break
            report = eye.look_at(shot)
            as_second = session.as_second(self.state, plate)
            live = session.look(replace(live, seen_trouble=None), as_second, report)
            if live.seen_trouble is None and live.sightings:
                view = second_view(self.state, live, report, shot, dict(report.digests))
                self._append(ev.SecondPlateShown(self._at_ms, view))
                yield self.events[-1]
        self._append(ev.SecondPlateAway(self._at_ms))
        self._work()

    def _work(self) -> None:
        while (work := session.wanted(self.state)) is not None and not isinstance(work, session.PlanWork):
            event = event_of(work, do(work), at_ms=self._at_ms, took_ms=0.0)
            if event is None:
                return
            self._append(event)
