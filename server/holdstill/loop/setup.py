"""The running side of the Rig, Focus and Light steps: what is set, watched and journalled by itself."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill import session
from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.measure.exposure import ExposureShot, specimen_goal
from holdstill.records import FrameMeasures, Rig, ShotReport, Sighting, Step
from holdstill.session.aiming import RigWatch, with_drift
from holdstill.session.light import PLATE, SPECIMEN, LightWatch, exposure_shot, goal_of, product_ms

from .exposure import ExposureRun, Seen, alike, begin, exposure_step
from .focus_exposure import FocusExposure
from .pool import WorkerLost
from .worker import judge_aim, judge_drift, judge_specimen, judge_watch, watch_still

if TYPE_CHECKING:
    from .runner import Runner


class SettingUpLoop:
    """Acts on each shot while one of the first three steps is on. One per runner, on its event loop."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self._run = ExposureRun()
        self._specimen_at_ms = 0.0
        self._drift_at_ms = self._aim_at_ms = 0.0
        self._probed = False
        self._focus_exposure = FocusExposure()

    async def after(self, report: ShotReport) -> None:
        """Everything that follows from one more shot."""
        runner = self._runner
        if runner.state.step not in session.SETTING_UP:
            return
        if runner.state.step is Step.LIGHT:
            if not self._probed:
                self._probed = True
                self._light(can_set=runner.parts.source.control({}) is None)
            self._expose(report)
            await self._watch()
            await self._look_at_specimen(report)
        if runner.state.step in (Step.RIG, Step.LIGHT):
            await self._look_at_rig(report)
        if runner.state.step is Step.FOCUS:
            self._focus_exposure.after(report, runner.parts.source)
        event = session.shown(runner.state, runner.live.setup, report, runner.parts.now_ms())
        if event is not None:
            await runner.append(event)

    # -- exposure ----------------------------------------------------------------------------

    def set_exposure(self) -> str | None:
        """Begin setting the exposure by itself; None when begun, else why not, in words."""
        refused = self._runner.parts.source.control({})
        if refused is None:
            self._run = begin()
            self._light(setting="setting", setting_shots=0)
        return refused

    def _expose(self, report: ShotReport) -> None:
        if self._run.state != "setting":
            return
        runner = self._runner
        self._run, change = exposure_step(
            self._run, seen_of(report, runner.live.sightings, runner.live.setup.light.subject)
        )
        if change and (why := self._control(change)) is not None:
            runner.message = why
            self._run = replace(self._run, state="gave up")
        self._light(setting=self._run.state, setting_shots=self._run.judged)

    def _control(self, change: Mapping[str, float]) -> str | None:
        """Ask for the change: each camera's own where they differ and can be set apart, else one for all."""
        source = self._runner.parts.source
        if not alike(change):
            refusals = [source.control({"exposure": f"{v:.3f}", "camera": c}) for c, v in change.items()]
            if refusals[0] is None:
                return next((why for why in refusals if why is not None), None)
        mean = sum(change.values()) / len(change)
        return source.control({"exposure": f"{mean:.3f}"})

    def _light(self, **changes: object) -> None:
        live = self._runner.live
        light: LightWatch = replace(live.setup.light, **changes)  # type: ignore[arg-type]
        self._runner.live = replace(live, setup=replace(live.setup, light=light))

    # -- closer looks ------------------------------------------------------------------------

    async def watch(self) -> bool:
        """Begin watching a still scene. False when the worker was lost."""
        with contextlib.suppress(WorkerLost):
            await self._runner.parts.eye.run(watch_still)
            self._light(watching=int(limit("watch_still_frames")), standstill={})
            return True
        return False

    async def _watch(self) -> None:
        left = self._runner.live.setup.light.watching
        if left <= 0:
            return
        self._light(watching=left - 1)
        if left > 1:
            return
        with contextlib.suppress(WorkerLost):
            found = await self._runner.parts.eye.run(judge_watch)
            self._light(standstill={one.camera: one for one in found})

    async def _look_at_specimen(self, report: ShotReport) -> None:
        due = report.taken_at_ms - self._specimen_at_ms >= limit("specimen_every_ms") or report.single
        if self._runner.live.setup.light.subject != SPECIMEN or not due:
            return
        self._specimen_at_ms = report.taken_at_ms
        boxes = dict(self._runner.live.setup.focus.boxes)
        with contextlib.suppress(WorkerLost):
            found = await self._runner.parts.eye.run(judge_specimen, scales(self._runner.state.rig), boxes)
            self._light(specimens=found)

    async def _look_at_rig(self, report: ShotReport) -> None:
        """The cameras' warm-up from a scene at rest, and their aim from whatever they see."""
        runner = self._runner
        with contextlib.suppress(WorkerLost):
            if report.taken_at_ms - self._drift_at_ms >= limit("warm_every_ms"):
                self._drift_at_ms = report.taken_at_ms
                shifts = await runner.parts.eye.run(judge_drift)
                if shifts:
                    self._rig(with_drift(runner.live.setup.rig, report.taken_at_ms / 60000.0, shifts))
            due = report.taken_at_ms - self._aim_at_ms >= limit("aim_every_ms")
            blind = len(runner.live.sightings) < len(report.measures)
            if runner.state.step is Step.RIG and due and blind and len(report.measures) > 1:
                self._aim_at_ms = report.taken_at_ms
                aims = await runner.parts.eye.run(judge_aim)
                self._rig(replace(runner.live.setup.rig, aims=aims))

    def _rig(self, rig: RigWatch) -> None:
        live = self._runner.live
        self._runner.live = replace(live, setup=replace(live.setup, rig=rig))


def seen_of(report: ShotReport, sightings: Mapping[str, Sighting], subject: str) -> dict[str, Seen]:
    """What the exposure loop needs of a shot."""
    out = {}
    for camera, m in report.measures.items():
        exposure = product_ms(report, camera)
        sighting = sightings.get(camera)
        shot = exposure_shot(m, exposure, subject)
        told = exposure is not None
        if shot is not None:
            dark = sighting.dark_dots if sighting is not None else None
            out[camera] = Seen(shot, goal_of(subject, dark), told)
        elif subject == PLATE and m.high_share is not None and m.low_share is not None:
            out[camera] = Seen(_whole(m, exposure), specimen_goal(), told, coarse=True)
    return out


def _whole(m: FrameMeasures, exposure: float | None) -> ExposureShot:
    """The whole picture's levels, where no plate was found to go by."""
    return ExposureShot(exposure or 1.0, m.high_share or 0.0, m.low_share or 0.0)


def scales(rig: Rig) -> dict[str, float]:
    """Image scale at the stand-off (um per px) of each camera that is described well enough."""
    out = {}
    for c in rig.cameras:
        if rig.stand_off_mm and c.focal_mm and c.pixel_um and rig.stand_off_mm > c.focal_mm:
            out[c.name] = optics.image_scale_um_per_px(c.focal_mm, rig.stand_off_mm, c.pixel_um)
    return out
