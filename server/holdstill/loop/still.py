"""The running side of a still scene: the series that gives its noise floor, and rechecks by it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holdstill import solve
from holdstill.limits import limit
from holdstill.measure.scene import scene_floor
from holdstill.records import DriftResult, Nothing, Plate, Shot, ShotReport, Sighting, Step
from holdstill.records import events as ev
from holdstill.records.scene import NoiseFloor, SceneMarks, SceneReference, SceneShift, SeriesState

from .pool import WorkerLost
from .still_eye import scene_beside, scene_first, scene_next

if TYPE_CHECKING:
    from .runner import Runner

STEPS = (Step.PROOF, Step.HANDOVER, Step.RECHECK)
"""Steps in which a series may be taken: there is a calibration, and no plate is asked for."""


def no_plate(report: ShotReport, plate: Plate) -> bool:
    """Whether no camera shows the plate; a few dots of it may be speckles that happen to lie so."""
    enough = limit("scene_plate_share") * (plate.point_count - len(plate.absent))
    return not any(isinstance(s, Sighting) and len(s.point_ids) > enough for s in report.sightings.values())


class StillLoop:
    """Takes a series when asked to. One per runner, on its event loop."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self.state: SeriesState | None = None
        self._marks: dict[str, SceneMarks] = {}
        self._shifts: dict[str, list[SceneShift]] = {}
        self._originals: dict[str, str] = {}
        self._name = ""
        self._seen: list[dict[str, SceneShift]] = []

    @property
    def running(self) -> bool:
        """Whether shots are being taken for a series."""
        return self.state is not None and self.state.taken < self.state.wanted

    def begin(self) -> None:
        """Take the next shots as a series of the still scene."""
        self.state = SeriesState(0, int(limit("scene_series_frames")))
        self._marks, self._shifts, self._originals, self._seen = {}, {}, {}, []

    async def take(self, shot: Shot, report: ShotReport) -> None:
        """One more shot of a running series."""
        state = self.state
        if state is None:
            return
        if not no_plate(report, self._runner.state.plate):
            self.state = SeriesState(state.taken, state.wanted, "plate")
            return
        try:
            if not self._marks:
                await self._first(shot)
            else:
                await self._next(shot)
        except WorkerLost:
            self.state = SeriesState(0, 0, "lost")
            return
        if self.state is not None and not self.running and self.state.why == "":
            await self._finish()

    async def _first(self, shot: Shot) -> None:
        assert self.state is not None
        marks = await self._runner.parts.eye.run(scene_first, shot)
        self._marks = {c: m for c, m in marks.items() if isinstance(m, SceneMarks)}
        if not self._marks:
            self.state = SeriesState(0, 0, "no texture")
            return
        digests = await self._runner.stored(shot)
        if digests is None:
            self.state = SeriesState(0, 0, "disk")
            return
        self._originals, self._name = digests, shot.name
        self.state = SeriesState(1, self.state.wanted)

    async def _next(self, shot: Shot) -> None:
        assert self.state is not None
        found = await self._runner.parts.eye.run(scene_next, shot)
        for camera, shift in found.items():
            if isinstance(shift, SceneShift):
                self._shifts.setdefault(camera, []).append(shift)
        self.state = SeriesState(self.state.taken + 1, self.state.wanted)

    async def _finish(self) -> None:
        assert self.state is not None
        floors = {c: scene_floor(self._marks[c], some) for c, some in self._shifts.items()}
        sound = {c: f for c, f in floors.items() if isinstance(f, NoiseFloor)}
        if not sound:
            self.state = SeriesState(0, 0, "unsteady")
            return
        reference = SceneReference(
            self._name,
            {c: d for c, d in self._originals.items() if c in sound},
            {c: m for c, m in self._marks.items() if c in sound},
            sound,
        )
        await self._runner.append(ev.SceneKept(self._runner.parts.now_ms(), reference))
        self.state = None

    # -- rechecks ----------------------------------------------------------------------------

    async def recheck(self, shot: Shot, report: ShotReport) -> bool:
        """Recheck by the stored scene, where there is one and the shot shows no plate; whether it was
        looked at. A stream is averaged over a few shots."""
        runner = self._runner
        reference, estimate = runner.state.scene, runner.state.estimate
        if reference is None or estimate is None or not no_plate(report, runner.state.plate):
            self._seen = []
            return False
        files = {c: runner.parts.originals.path(d) for c, d in reference.originals.items()}
        there = {c: p for c, p in files.items() if isinstance(p, Path)}
        try:
            found = await runner.parts.eye.run(scene_beside, there, dict(reference.marks), shot)
        except WorkerLost:
            return False
        shifts = {c: s for c, s in found.items() if isinstance(s, SceneShift)}
        if not shifts:
            return False
        self._seen.append(shifts)
        if not report.single and len(self._seen) < limit("scene_recheck_shots"):
            return True
        result = solve.recheck_scene(runner.state.rig, estimate, reference, self._seen)
        self._seen = []
        if isinstance(result, DriftResult):
            await runner.append(ev.Rechecked(runner.parts.now_ms(), result, report.name))
        return not isinstance(result, Nothing)
