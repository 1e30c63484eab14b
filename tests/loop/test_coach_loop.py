"""The running loop under the coach: the exercise, how still is still, and the shot that is kept."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from holdstill.loop.taps import act
from holdstill.records import Nothing, SimState, Step, Tap, TapKind
from loop.running import running


def simulated(source: Any) -> list[dict[str, str]]:
    """Turn a silent source into a simulated rig that notes what it is asked."""
    asked: list[dict[str, str]] = []
    state = SimState(False, 0.0, 0.0, 0.0, 0.0, 0.0, 550.0, 0.0, 550.0, False, False, False)
    source.sim_state = lambda: state

    def control(changes: dict[str, str]) -> None:
        asked.append(dict(changes))

    source.control = control
    return asked


def test_the_exercise_begins_on_a_simulated_rig_only_and_hands_the_plate_over(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path, single=False) as at:
            start = Tap(TapKind.EXERCISE, None, {"what": "start"})
            refused = await act(at.runner, start)
            assert isinstance(refused, Nothing)
            assert refused.why == "tap.refused.not-simulated"
            asked = simulated(at.runner.parts.source)
            await act(at.runner, Tap(TapKind.ENTER_STEP, None, {"step": "hand-over"}))
            await act(at.runner, Tap(TapKind.PAUSE))
            assert not isinstance(await act(at.runner, start), Nothing)
            assert asked == [{"visitor_holds": "yes"}]
            assert at.runner.state.step is Step.POSES
            assert not at.runner.state.paused
            assert at.runner.live.exercise is not None
            assert at.runner.live.exercise.began_ms == at.now[0]
            await act(at.runner, Tap(TapKind.EXERCISE, None, {"what": "stop"}))
            assert asked[-1] == {"visitor_holds": "no"}
            assert at.runner.live.exercise is None

    asyncio.run(run())


def test_how_still_is_still_is_set_within_bounds_and_journalled(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path) as at:
            assert not isinstance(
                await act(at.runner, Tap(TapKind.SET_MOTION, None, {"motion_px": "0.5"})), Nothing
            )
            assert at.runner.state.setting("motion_px") == 0.5
            for wrong in ("0.01", "7", "much", ""):
                answer = await act(at.runner, Tap(TapKind.SET_MOTION, None, {"motion_px": wrong}))
                assert isinstance(answer, Nothing), wrong
            assert at.runner.state.setting("motion_px") == 0.5

    asyncio.run(run())
