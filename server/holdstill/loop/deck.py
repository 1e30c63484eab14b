"""The runner as the pages see it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from holdstill import session
from holdstill.archive import Originals
from holdstill.errors import HoldstillError
from holdstill.intake.clipped import clipped_of_file
from holdstill.records import (
    HandoverFile,
    LivePicture,
    Nothing,
    Say,
    Sheet,
    Sighting,
    Snapshot,
    Step,
    Storage,
    Tap,
)

from .runner import Runner
from .taps import act

STORAGE_EVERY_MS = 5000.0
"""How often the disk is asked for its free space."""


class LoopDeck:
    """Implements ``web.deck.Deck`` over a `Runner`. One snapshot per revision, however many phones."""

    def __init__(
        self,
        runner: Runner,
        *,
        plate_words: str,
        originals: Originals,
        handover_folder: Path,
        storage: Callable[[], Storage | None],
    ) -> None:
        self._runner = runner
        self._plate_words = plate_words
        self._originals = originals
        self._handover_folder = handover_folder
        self._storage = storage
        self._stored: tuple[float, Storage | None] | None = None
        self._cached: tuple[int, Snapshot] | None = None

    def snapshot(self) -> Snapshot:
        """The state now."""
        runner = self._runner
        if self._cached is None or self._cached[0] != runner.changes.now:
            self._cached = (runner.changes.now, self._gather())
        return self._cached[1]

    def _gather(self) -> Snapshot:
        runner = self._runner
        now = runner.parts.now_ms()
        if self._stored is None or now - self._stored[0] > STORAGE_EVERY_MS:
            self._stored = (now, self._storage())
        advice = runner.advice or session.advise(runner.state, runner.live, runner.rhythm, now)
        around = session.Around(
            now_ms=now,
            plate_words=self._plate_words,
            rhythm=runner.rhythm,
            coverage=runner.coverage,
            storage=self._stored[1],
            solving=runner.thinking,
            series=runner.still.state,
            files=self._files(),
            sim=runner.parts.source.sim_state(),
            message=runner.message,
        )
        return session.snapshot(runner.state, runner.live, advice, around)

    def _files(self) -> tuple[HandoverFile, ...]:
        handed = self._runner.state.handed
        if handed is None:
            return ()
        return tuple(HandoverFile(n, size, Say("handover.file", {"what": n})) for n, size in handed.files)

    def revision(self) -> int:
        """Counts up with every change."""
        return self._runner.changes.now

    async def changed(self, since: int) -> int:
        """Wait for a newer revision."""
        return await self._runner.changes.after(since)

    def live(self, camera: str) -> LivePicture | None:
        """Newest live picture of a camera, with what to draw over it."""
        runner = self._runner
        if camera not in runner.reports:
            return None
        number, report = runner.reports[camera]
        sighting = runner.live.sightings.get(camera) if runner.live.report is report else None
        if sighting is None and isinstance(seen := report.sightings.get(camera), Sighting):
            sighting = seen
        mark = runner.advice.marks.get(camera) if runner.advice is not None else None
        measures = report.measures.get(camera)
        return LivePicture(
            camera=camera,
            number=number,
            taken_at_ms=report.taken_at_ms,
            jpeg=report.previews[camera],
            size_px=report.sizes_px[camera],
            outline_px=tuple((float(x), float(y)) for x, y in sighting.outline_px) if sighting else (),
            mark=mark.value if mark is not None else None,
            sharpness=measures.sharpness if measures is not None else None,
            sharpness_best=runner.live.sharpness_best.get(camera),
            saturated_png=report.saturated.get(camera),
            **self._setting_up(camera),
        )

    def _setting_up(self, camera: str) -> dict[str, Any]:
        """What the first three steps draw over a picture or beside it."""
        runner = self._runner
        step, moment = runner.state.step, runner.live.setup
        if step is Step.FOCUS:
            turned = moment.focus.turned == camera
            return {"gauge": session.focus_gauge(moment.focus, camera), "turned": turned}
        if step is Step.LIGHT:
            light = self.snapshot().setup.light
            box = moment.focus.boxes.get(camera) if light.subject == session.SPECIMEN else None
            return {"glare": next((c.glare for c in light.cameras if c.camera == camera), ()), "box": box}
        return {"centre": step is Step.RIG}

    async def live_changed(self, since: int) -> int:
        """Wait for a newer picture of any camera."""
        return await self._runner.pictures.after(since)

    def picture(self, digest: str, *, preview: bool) -> Path | bytes | Nothing:
        """A kept or refused original, or its preview, by digest."""
        if preview:
            return self._originals.preview(digest)
        return self._originals.shown(digest)

    def sheet(self, place: int) -> Sheet | Nothing:
        """A shot of the story at full size."""
        return session.sheet(self._runner.state, place)

    def clipped(self, digest: str, level: float) -> bytes | Nothing:
        """Where an original clips."""
        path = self._originals.path(digest)
        if isinstance(path, Nothing):
            return path
        try:
            return clipped_of_file(path, level)
        except HoldstillError:
            return Nothing("undecodable")

    def handover_file(self, name: str) -> Path | Nothing:
        """A hand-over file by its name, if it is one of those written."""
        handed = self._runner.state.handed
        if handed is None or all(name != n for n, _ in handed.files):
            return Nothing("no such file")
        path = (self._handover_folder / name).resolve()
        inside = path.is_relative_to(self._handover_folder.resolve())
        return path if inside and path.is_file() else Nothing("no such file")

    async def tap(self, tap: Tap) -> Say | Nothing:
        """Act on a tap."""
        return await act(self._runner, tap)
