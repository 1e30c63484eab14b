"""Troubles told apart in drawn shots: one of each here, the confusion table by hand."""

import numpy as np
import pytest

from holdstill import session
from holdstill.phrases import say
from holdstill.records import Rhythm, Trouble
from holdstill.session import Live
from holdstill.simulate import Held
from session.trouble_study import (
    SINGLE,
    STREAM,
    Drawn,
    Stage,
    _glare,
    begun,
    confusion,
    right,
    single_told,
    stream_told,
)


@pytest.mark.parametrize("kind", SINGLE)
def test_each_trouble_is_told_with_its_camera(kind: str) -> None:
    told = single_told(kind, 1)
    assert right(told), (told.said, told.wanted)


@pytest.mark.parametrize("kind", STREAM)
def test_troubles_that_only_time_shows(kind: str) -> None:
    told = stream_told(kind, 1)
    assert right(told), told.said


def tipped(drawn: Drawn, way: str, deg: float) -> Held:
    """The plate with that edge so much nearer to the cameras."""
    six = drawn.held.array() if drawn.held is not None else np.zeros(6)
    six[:2] += {"right": (deg, 0), "left": (-deg, 0), "top": (0, deg), "bottom": (0, -deg)}[way]
    return Held.of(six)


def glare_share(stage: Stage, drawn: Drawn, camera: str) -> tuple[float, str | None]:
    report = stage.eye.look_at(stage.shot(drawn, 1, 0.0, single=True))
    live = session.look(Live(), begun(stage, single=True), report)
    patches = report.measures[camera].glare
    way = live.trouble.way if live.trouble is not None else None
    return max((g.plate_share for g in patches), default=0.0), way


@pytest.mark.parametrize("seed", [2, 5])
def test_tipping_as_told_rids_the_plate_of_glare_and_the_other_way_does_not(seed: int) -> None:
    stage = Stage(seed=seed)
    drawn, _ = _glare(stage, "left")
    before, way = glare_share(stage, drawn, "left")
    assert way is not None
    told, _ = glare_share(stage, Drawn(tipped(drawn, way, 9.0), drawn.lamps), "left")
    assert told < 0.3 * before
    against, _ = glare_share(stage, Drawn(tipped(drawn, way, -4.0), drawn.lamps), "left")
    assert against > 2 * told


def test_glare_says_which_edge_to_bring_nearer_on_the_operators_side() -> None:
    stage = Stage(seed=2)
    drawn, _ = _glare(stage, "left")
    state = begun(stage, single=True)
    live = session.look(Live(), state, stage.eye.look_at(stage.shot(drawn, 1, 0.0, single=True)))
    assert live.trouble is not None
    advice = session.advise(state, live, Rhythm("unknown", None, 1, proven=False, last_at_ms=0.0), 0.0)
    assert advice.remedy is not None
    words = {f: say(advice.remedy, faces_cameras=f) for f in (True, False)}
    assert "toward the cameras" in words[True]
    if live.trouble.way in ("left", "right"):
        assert live.trouble.way in words[False]
        assert live.trouble.way not in words[True]


@pytest.mark.parametrize(("kind", "seed"), [("out of one camera's sight", 108), ("a shadow", 105)])
def test_what_was_told_as_something_else_once(kind: str, seed: int) -> None:
    """Glare in the one camera hid that the other does not see the plate; a deep shadow passed for a glove."""
    told = single_told(kind, seed)
    assert right(told), (told.said, told.wanted)


@pytest.mark.long
def test_confusion_table() -> None:
    """Twenty drawn shots of each trouble; prints the table that the coach's page shows."""
    rows = [single_told(kind, 100 + n) for kind in SINGLE for n in range(20)]
    rows += [stream_told(kind, 100 + n) for kind in STREAM for n in range(20)]
    by_kind = {kind: [r for r in rows if r.kind == kind] for kind in (*SINGLE, *STREAM)}
    told = confusion(rows)
    for kind, mine in by_kind.items():
        good = sum(right(r) for r in mine)
        others = ", ".join(f"{word} {n}" for word, n in told[kind].most_common())
        print(f"| {kind} | {good} of {len(mine)} | {others} |")
    assert sum(r.said[0] is not None for r in by_kind["nothing wrong"]) == 0
    for kind, mine in by_kind.items():
        assert sum(right(r) for r in mine) >= 18, kind
    assert {r.said[0] for r in rows} >= {Trouble.GLARE, Trouble.FINGER, Trouble.SHADOW}
