"""A move that is asked for stands long enough to be read, and delays no view."""

from itertools import groupby

import numpy as np

from holdstill import session
from holdstill.limits import limit
from holdstill.loop.offline import opened
from holdstill.records import Cue, Instruction, Lean, Part, Place, Reach, Roll, ShotReport
from holdstill.records import events as ev
from holdstill.session import Keep, Live, State
from holdstill.simulate import BenchSettings, Held, body
from session.motion_study import _placed, _report

FRAME_MS = 100.0
BEGINS_MS = 500.0
WISHED = Held(0.0, 35.0, 0.0, -20.0, -20.0, 60.0)
PACE = np.array([1.0, 1.0, 3.5, 1.6, 1.6, 2.3])
"""How much sooner than the lean each of the six numbers has arrived: the turn first, then the distance."""


def carried(seconds: float, rest_s: float = 2.0) -> tuple[list[tuple[float, Part]], float | None]:
    """A plate carried to the wished pose, all parts of the move at once but each at its own pace, and held
    there: what was asked for at which time (ms), and when a view was kept, from the plate's arrival on."""
    settings, rng = BenchSettings(), np.random.default_rng(3)
    thing, rig = body(settings.plate), settings.rig
    names = tuple(c.name for c in rig.cameras)
    told = rig.described(settings.plate)
    state = session.step(
        State(), opened(settings.plate, told, names, name="", at_ms=0.0, single_shots=False)
    )
    wish = Instruction(Lean.TOP, 35.0, Place.UPPER_LEFT, Reach.FARTHER, Roll.LYING)
    points = thing.surface_mm(settings.plate.points_mm()[:, :2])

    def shot(number: int, six: np.ndarray) -> ShotReport:
        seen = _placed(six[None], points, thing, rig)
        paths = {c.name: c.project(seen[0])[None] for c in rig.cameras}
        return _report(number, FRAME_MS * number, paths, 2.0, rng)

    at_wish = session.look(Live(), state, shot(0, WISHED.array())).pose
    assert at_wish is not None
    cue = Cue(1, wish, at_wish, 0.3, "why.lean", best_gain=9.0)  # no other pose is worth taking
    state = session.step(state, ev.CueSet(1.0, cue))
    start, end = np.array([10.0, -20.0, 40.0, 30.0, 30.0, -60.0]), WISHED.array()
    live, said, arrives_ms = Live(), [], BEGINS_MS + 1000.0 * seconds
    for number in range(1, int((arrives_ms + 1000.0 * rest_s) / FRAME_MS)):
        at_ms = FRAME_MS * number
        share = np.clip(PACE * (at_ms - BEGINS_MS) / (1000.0 * seconds), 0.0, 1.0)
        report = shot(number, start + share * (end - start))
        live = session.look(live, state, report)
        if live.guide is not None:
            said.append((at_ms, live.guide.part))
        if isinstance(session.judge(state, live, report), Keep):
            return said, at_ms - arrives_ms
    return said, None


def test_each_move_stands_for_a_second_though_the_hand_is_quick() -> None:
    said, taken_ms = carried(2.4)
    spans = [[at for at, _ in group] for _, group in groupby(said, key=lambda one: one[1])]
    parts = [part for part, _ in groupby(part for _, part in said)]
    assert len(parts) >= 3
    assert parts[-1] is Part.STILL
    for part, span in list(zip(parts, spans, strict=True))[:-2]:
        assert span[-1] - span[0] + FRAME_MS >= limit("say_least_ms"), part
    assert taken_ms is not None
    assert taken_ms < 700.0


def test_a_move_that_is_done_gives_way_at_once_to_hold_still() -> None:
    said, taken_ms = carried(0.4)
    parts = [part for part, _ in groupby(part for _, part in said)]
    assert parts[-1] is Part.STILL
    assert next(at for at, part in said if part is Part.STILL) <= BEGINS_MS + 400.0 + 2 * FRAME_MS
    assert taken_ms is not None
