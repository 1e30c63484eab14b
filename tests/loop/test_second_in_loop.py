"""A second plate in the running loop: other eyes while it is looked for, the solve left alone."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from holdstill import session
from holdstill.loop.taps import act
from holdstill.loop.worker import do, look_at, look_second
from holdstill.records import Nothing, Ready, Shot, ShotReport, Tap, TapKind
from loop.running import running
from solve.sighting_rigs import Truth, plate_poses, views_of
from trust.made_up import PLATE, Here, Story, think

SPEC = "dots 9x7 12mm±0.01mm d5mm"


class Eyes:
    """Looks for the session's plate or for another one, and notes which."""

    def __init__(self) -> None:
        self.story = Story(12)
        self.asked: list[str] = []

    def first(self, shot: Shot) -> ShotReport:
        self.asked.append("first")
        return self.story.look(shot)

    def second(self, plate: Any, shot: Shot) -> ShotReport:
        self.asked.append("second")
        assert (plate.columns, plate.rows, plate.pitch_mm) == (9, 7, 12.0)
        rng = np.random.default_rng(shot.number)
        (view,) = views_of(Truth(plate), plate_poses(rng, 1, plate, spread_mm=10.0, depth_mm=10.0), rng)
        return replace(self.story.look(shot), sightings=dict(view.sightings))


def test_shots_go_to_the_second_plate_while_one_is_looked_for(tmp_path: Path) -> None:
    eyes = Eyes()

    async def run() -> None:
        eye, mind = Here({look_at: eyes.first, look_second: eyes.second}), Here({do: think})
        async with running(tmp_path, eye=eye, mind=mind) as at:
            runner = at.runner
            for number in range(1, 13):
                runner.arrive(eyes.story.shot(number))
            await at.until(lambda: len(runner.state.story) == 12)
            await at.until(lambda: runner.state.estimate_from == runner.state.solve_ids(), 30.0)
            await act(runner, Tap(TapKind.PROVE))
            kept, solved = at.kept(), runner.state.estimate
            assert not isinstance(
                await act(runner, Tap(TapKind.SECOND_PLATE, None, {"spec": SPEC})), Nothing
            )
            assert runner.advice is not None
            assert runner.advice.headline.key == "advice.second"
            assert session.second_due(runner.state) != PLATE
            for number in range(13, 16):
                runner.arrive(eyes.story.shot(number))
            await at.until(lambda: len(eyes.asked) == 15)
            await at.until(lambda: runner.state.second is not None and not runner.state.second.looking)
            await at.until(lambda: runner.state.second is not None and runner.state.second.result is not None)
            second = runner.state.second
            assert second is not None
            assert second.result is not None
            assert second.result.check.ok
            assert len(second.result.shots) == 3
            assert runner.state.estimate is solved
            assert at.kept() == kept
            assert session.scale_known(runner.state)
            assert session.verdict(runner.state).state is not Ready.STOP
            runner.arrive(eyes.story.shot(16))
            await at.until(lambda: len(eyes.asked) == 16)
            assert eyes.asked[12:] == ["second"] * 3 + ["first"], "three are enough"
            assert not at.reports

    asyncio.run(run())
