"""The running side of a second plate: shots of it are looked at as such, and good ones are journalled."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill import session, target
from holdstill.errors import BadInput
from holdstill.limits import limit
from holdstill.records import Nothing, Plate, Say, Shot, ShotReport, Tap, View
from holdstill.records import events as ev
from holdstill.session import Live, State

from .telling import show
from .worker import look_second

if TYPE_CHECKING:
    from .runner import Runner


def described(spec: str, at_ms: float) -> ev.SecondPlateDescribed:
    """The event that a SPEC gives. Raises BadInput for one that can't be read, or that tells no
    uncertainty of the pitch: a plate that is known no better than the first can't check it."""
    plate = target.parse(spec)
    if plate.pitch_sigma_mm is None:
        raise BadInput(
            f'the second plate "{spec.strip()}" tells no uncertainty of its pitch, and a pitch of unknown '
            'worth checks nothing. Write it behind the pitch, for example "dots 11x9 12mm±0.01mm".'
        )
    return ev.SecondPlateDescribed(at_ms, plate, target.words(plate))


def second_view(state: State, live: Live, report: ShotReport, shot: Shot, digests: dict[str, str]) -> View:
    """The shot as a view of the second plate."""
    number = 1 + (len(state.second.views) if state.second is not None else 0)
    names = {c: o.name for c, o in shot.originals.items()}
    return View(
        number, report.name, report.taken_at_ms, dict(live.sightings), dict(report.measures), digests, names
    )


class SecondLoop:
    """Takes shots of a second plate while one is looked for. One per runner, on its event loop."""

    def __init__(self, runner: Runner) -> None:
        self._runner = runner
        self._moved = True
        """The plate has moved since the last shot taken: three of one place tell no more than one."""

    async def takes(self, shot: Shot) -> bool:
        """Look for a second plate in a shot where one is due; whether that is so. Raises `WorkerLost`."""
        plate = None if self._runner.still.running else session.second_due(self._runner.state)
        if plate is not None:
            report = await self._runner.parts.eye.run(look_second, plate, shot)
            await self._take(shot, report, plate)
            self._runner.touched()
        return plate is not None

    async def _take(self, shot: Shot, report: ShotReport, plate: Plate) -> None:
        """A shot is kept once the plate stands still and nothing is wrong with it."""
        runner = self._runner
        show(runner, report)
        before = runner.live.second or Live()
        as_second = session.as_second(runner.state, plate)
        second = await asyncio.to_thread(session.look, replace(before, seen_trouble=None), as_second, report)
        bare = replace(report, sightings={}, measures={})
        runner.live = replace(
            runner.live, report=bare, sightings={}, pose=None, still={}, still_frames=0, earlier=None,
            guide=None, second=second,
        )  # fmt: skip
        self._moved = self._moved or second.still_frames == 0
        settled = report.single or (self._moved and second.still_frames >= limit("still_frames"))
        if not settled or second.seen_trouble is not None or session.second_due(runner.state) != plate:
            return
        digests = await runner.stored(shot)
        if digests is not None:
            view = second_view(runner.state, second, report, shot, digests)
            self._moved = False
            await runner.append(ev.SecondPlateShown(runner.parts.now_ms(), view))


async def second_plate(runner: Runner, tap: Tap) -> Say | Nothing:
    """``spec``, and ``sigma_mm`` where the SPEC tells no uncertainty; without ``spec``: no more shots."""
    spec, sigma = tap.values.get("spec", "").strip(), tap.values.get("sigma_mm", "").strip()
    if runner.state.estimate is None:
        return Nothing("tap.refused.no-estimate")
    now = runner.parts.now_ms()
    if not spec:
        if runner.state.second is None or not runner.state.second.looking:
            return Nothing("tap.refused.not-now")
        done = await runner.append(ev.SecondPlateAway(now))
        return Say("tap.done.second-plate.away") if done else Nothing("tap.refused.not-now")
    if runner.state.step not in session.SECOND_STEPS:
        return Nothing("tap.refused.second-step")
    if len(runner.state.estimate.cameras) < 2:
        return Nothing("tap.refused.second-one-camera")
    try:
        event = described(with_sigma(spec, sigma), now)
    except BadInput as error:
        return Nothing("tap.refused.second-spec", {"why": str(error)})
    runner.live = replace(runner.live, second=None)
    return Say("tap.done.second-plate") if await runner.append(event) else Nothing("tap.refused.not-now")


def with_sigma(spec: str, sigma_mm: str) -> str:
    """A SPEC that tells its pitch's uncertainty, given beside it. Raises BadInput for either that can't
    be read."""
    plate = target.parse(spec)
    if not sigma_mm or plate.pitch_sigma_mm is not None:
        return spec
    try:
        value = float(sigma_mm)
    except ValueError:
        value = 0.0
    if not 0.0 < value < plate.pitch_mm:
        raise BadInput(
            f'the uncertainty of the pitch, "{sigma_mm}", is no number of millimetres between 0 and the '
            f"pitch of {plate.pitch_mm:g} mm. Give one standard deviation, for example 0.01."
        )
    return target.words(replace(plate, pitch_sigma_mm=value))
