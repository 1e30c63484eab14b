"""The runner on the first three steps: taps, the exposure loop, closer looks, what is journalled."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from holdstill.intake.rig_file import read_rig
from holdstill.limits import limit
from holdstill.loop import setup_taps
from holdstill.loop.taps import act
from holdstill.loop.worker import judge_aim, judge_drift, judge_specimen, judge_watch, look_at, watch_still
from holdstill.records import (
    FrameMeasures,
    Nothing,
    Shot,
    ShotReport,
    Sighting,
    SpecimenLight,
    Standstill,
    Step,
    Tap,
    TapKind,
)
from holdstill.records import events as ev
from loop.running import Running, running
from trust.made_up import CAMERAS, Here


class Lamp:
    """A source whose exposure can be set, and what an eye would report of it: a plate in its light."""

    def __init__(self, stops: float, *, settable: bool = True) -> None:
        self.exposure_ms = 5.0
        self.gain = 1.0 * 2.0**stops
        self.settable = settable
        self.asked: list[dict[str, str]] = []

    def control(self, changes: dict[str, str]) -> str | None:
        if not self.settable:
            return "The camera program is in charge."
        if "camera" in changes:
            return "All cameras are set together."
        self.asked.append(dict(changes))
        if "exposure" in changes:
            self.exposure_ms *= 2.0 ** float(changes["exposure"])
        return None

    def look(self, shot: Shot) -> ShotReport:
        level = self.gain * self.exposure_ms / 5.0
        fill, ground = min(level, 1.0), min(level / 9.0, 1.0)
        seen = {c: measures(c, fill, ground) for c in CAMERAS}
        points = np.stack(
            np.meshgrid(np.arange(8) * 100.0 + 300, np.arange(6) * 100.0 + 300), axis=2
        ).reshape(-1, 2)
        flat = np.zeros(48, dtype=np.int32)
        found = {
            c: Sighting(
                c, (2448, 2048), np.arange(48, dtype=np.int32), points, np.full(48, 0.03), flat,
                np.zeros(0, dtype=np.int32), points[[0, 7, 47, 40]], absolute=True, blur_px=0.8,
            )
            for c in CAMERAS
        }  # fmt: skip
        return ShotReport(
            shot.number, shot.name, shot.taken_at_ms, shot.single, found, seen, {},
            dict.fromkeys(CAMERAS, (2448, 2048)), dict.fromkeys(CAMERAS, 8),
            exposure_ms=dict.fromkeys(CAMERAS, self.exposure_ms),
        )  # fmt: skip


def measures(camera: str, fill: float, ground: float) -> FrameMeasures:
    return FrameMeasures(
        camera, 100.0 * fill, 0.02, tuple([0.02] * 72), (8, 9), 2.0, 0.0, 0.0, 0.0, 255.0, fill, ground,
        0.9, 1.0, high_share=fill, low_share=ground, region_means=tuple([100.0 * fill] * 72),
        sharpness_sigma=1e-5,
    )  # fmt: skip


LOOKS: dict[Any, Callable[..., Any]] = {
    watch_still: lambda: None,
    judge_watch: lambda: [Standstill("left", "flicker", (), 0.02)],
    judge_specimen: lambda scales, boxes: dict.fromkeys(
        CAMERAS, SpecimenLight(0.0, 0.8, 0.1, 0.6, 5.0, 0.5, 0.01, 0.02, 21)
    ),
    judge_drift: lambda: dict.fromkeys(CAMERAS, None),
    judge_aim: dict,
}


def played(folder: Path, lamp: Lamp, story: Callable[[Running, Callable[[], Any]], Any]) -> None:
    """Run `story(bench, shoot)` on the Light step, `shoot()` taking one more shot."""

    async def run() -> None:
        eye = Here({look_at: lamp.look, **LOOKS})
        async with running(folder / "session", eye=eye, single=False) as bench:
            bench.runner.parts.source.control = lamp.control  # type: ignore[method-assign, assignment]
            await bench.runner.append(ev.StepEntered(1.0, Step.LIGHT))
            taken = 0

            async def shoot() -> None:
                nonlocal taken
                taken += 1
                bench.now[0] += 125.0
                bench.runner.arrive(bench.story.shot(taken, single=False))
                await bench.until(
                    lambda: bench.runner.live.shots == taken and bench.runner.pictures.now == taken
                )

            await story(bench, shoot)

    asyncio.run(run())


def test_one_tap_sets_the_exposure_and_the_step_is_then_done(tmp_path: Path) -> None:
    async def story(bench: Running, shoot: Callable[[], Any]) -> None:
        await shoot()
        assert bench.runner.live.setup.light.can_set
        answer = await act(bench.runner, Tap(TapKind.SET_EXPOSURE))
        assert not isinstance(answer, Nothing)
        for _ in range(4):
            await shoot()
        light = bench.runner.live.setup.light
        assert light.setting == "set"
        assert light.setting_shots <= 3
        assert Step.LIGHT not in bench.runner.state.shown
        for _ in range(int(limit("light_good_frames"))):
            await shoot()
        shown = bench.runner.state.shown[Step.LIGHT]
        assert 0.8 < shown.grounds["fill.left"] <= 1.0

    lamp = Lamp(-3.0)
    played(tmp_path, lamp, story)
    assert 5.0 * 8 * 0.8 < lamp.exposure_ms < 5.0 * 8 * 1.4
    assert len([a for a in lamp.asked if a]) <= 2


def test_a_source_that_cannot_be_set_says_so(tmp_path: Path) -> None:
    async def story(bench: Running, shoot: Callable[[], Any]) -> None:
        await shoot()
        assert not bench.runner.live.setup.light.can_set
        answer = await act(bench.runner, Tap(TapKind.SET_EXPOSURE))
        assert isinstance(answer, Nothing)
        assert "in charge" in str(answer.numbers["why"])

    played(tmp_path, Lamp(-3.0, settable=False), story)


def test_watching_and_the_specimen_are_asked_of_the_eye(tmp_path: Path) -> None:
    async def story(bench: Running, shoot: Callable[[], Any]) -> None:
        await shoot()
        await act(bench.runner, Tap(TapKind.WATCH_STILL))
        assert bench.runner.live.setup.light.watching == limit("watch_still_frames")
        for _ in range(int(limit("watch_still_frames"))):
            await shoot()
        assert bench.runner.live.setup.light.standstill["left"].cause == "flicker"
        await act(bench.runner, Tap(TapKind.LIGHT_SUBJECT, values={"subject": "specimen"}))
        assert bench.runner.live.setup.light.specimens == {}
        for _ in range(20):
            await shoot()
        assert set(bench.runner.live.setup.light.specimens) == set(CAMERAS)
        refused = await act(bench.runner, Tap(TapKind.LIGHT_SUBJECT, values={"subject": "ghost"}))
        assert isinstance(refused, Nothing)

    played(tmp_path, Lamp(0.0), story)


def test_taps_of_the_focus_step_change_the_moment(tmp_path: Path) -> None:
    async def story(bench: Running, shoot: Callable[[], Any]) -> None:
        await shoot()
        runner = bench.runner
        box = {"camera": "right", "left": "0.1", "top": "0.2", "right": "0.5", "bottom": "0.6"}
        await act(runner, Tap(TapKind.FOCUS_PART, values=box))
        assert runner.live.setup.focus.boxes == {"right": (0.1, 0.2, 0.5, 0.6)}
        touch = box | {"right": "0.11"}
        await act(runner, Tap(TapKind.FOCUS_PART, values=touch))
        assert runner.live.setup.focus.boxes == {}
        await act(runner, Tap(TapKind.FOCUS_CAMERA, values={"camera": "right"}))
        assert runner.live.setup.focus.turned == "right"
        assert runner.live.setup.focus.held
        await act(runner, Tap(TapKind.TICK, values={"camera": "left", "step": "lock the ring"}))
        assert [s.value for s in runner.live.setup.focus.routines["left"].done] == ["lock the ring"]
        await act(runner, Tap(TapKind.ROUTINE_AGAIN, values={"camera": "left"}))
        assert "left" not in runner.live.setup.focus.routines
        for wrong in (
            Tap(TapKind.FOCUS_PART, values={"camera": "ghost"}),
            Tap(TapKind.FOCUS_PART, values=box | {"left": "wide"}),
            Tap(TapKind.TICK, values={"camera": "left", "step": "polish it"}),
            Tap(TapKind.FOCUS_CAMERA, values={"camera": "ghost"}),
        ):
            assert isinstance(await act(runner, wrong), Nothing)
        described = await act(runner, Tap(TapKind.DESCRIBE_RIG, values={"stand_off_mm": "812"}))
        assert not isinstance(described, Nothing)
        assert runner.state.rig.stand_off_mm == 812.0
        rig, spec = read_rig(runner.parts.journal.folder / "rig.toml")
        assert rig.stand_off_mm == 812.0
        assert spec is not None
        assert isinstance(await act(runner, Tap(TapKind.DESCRIBE_RIG, values={"f_number": "x"})), Nothing)

    assert setup_taps.SMALLEST_PART > 0.01
    played(tmp_path, Lamp(0.0), story)
