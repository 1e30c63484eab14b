"""The operator and the bench in time."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from holdstill.errors import BadInput
from holdstill.intake.simulated import SimulatedSource
from holdstill.records import (
    Advice,
    Cue,
    Guide,
    Instruction,
    Lean,
    Order,
    Part,
    Place,
    Plate,
    PlateKind,
    Reach,
    Roll,
    Say,
    Shot,
    Step,
    Tone,
    Trouble,
)
from holdstill.simulate import (
    Bench,
    BenchSettings,
    Held,
    Lapse,
    Operator,
    Skill,
    body,
    converging,
    demo_plate,
    demo_rig,
    held_of,
    pose_of,
    read,
)

RIG = demo_rig()
THING = body(demo_plate())
SURE = Skill(lapse_rate=0.0)


def advice(number: int, wish: Held, order: Order = Order.MOVE, **more: object) -> Advice:
    cue = Cue(
        number,
        Instruction(Lean.LEFT, 25.0, Place.LEFT, Reach.MIDDLE, Roll.LYING),
        pose_of(wish, THING, RIG),
        0.2,
        "tilt",
    )
    said = Advice(Step.POSES, Say("cue"), order, Tone.SILENT, cue=cue)
    return replace(said, **more)  # type: ignore[arg-type]


def after_seconds(operator: Operator, said: Advice, begin_s: float, seconds: float) -> float:
    now = begin_s
    while now < begin_s + seconds:
        now += 0.1
        operator.attend(now, said)
    return now


def test_the_operator_reaches_a_wished_pose_with_human_error() -> None:
    wish = Held(-22.0, 8.0, 0.0, 15.0, -12.0, 10.0)
    errors = []
    for seed in range(60):
        operator = Operator(RIG, THING, SURE, np.random.default_rng(seed))
        now = after_seconds(operator, advice(1, wish, Order.WAIT), 0.0, 6.0)
        assert not operator.moving(now)
        errors.append(operator.held_at(now).array() - wish.array())
    spread = np.sqrt(np.mean(np.square(errors), axis=0))
    assert spread[:2] == pytest.approx([6.0, 6.0], rel=0.3)
    assert spread[3:] == pytest.approx([10.0, 10.0, 10.0], rel=0.3)


def test_told_a_little_more_the_operator_comes_closer() -> None:
    wish = Held(-22.0, 8.0, 0.0, 15.0, -12.0, 10.0)
    before, behind = [], []
    for seed in range(30):
        operator = Operator(RIG, THING, SURE, np.random.default_rng(seed))
        now = after_seconds(operator, advice(1, wish, Order.WAIT), 0.0, 6.0)
        before.append(abs(operator.held_at(now).tilt_x_deg - wish.tilt_x_deg))
        guide = Guide(Order.A_LITTLE_MORE, Part.LEAN, "toward", 0.5, False, None, {})
        now = after_seconds(operator, advice(1, wish, Order.A_LITTLE_MORE, guide=guide), now, 4.0)
        behind.append(abs(operator.held_at(now).tilt_x_deg - wish.tilt_x_deg))
    assert np.mean(behind) < 0.5 * np.mean(before)


def test_a_move_takes_a_plausible_time_and_is_smooth() -> None:
    operator = Operator(RIG, THING, SURE, np.random.default_rng(3))
    now = after_seconds(operator, advice(1, Held(), Order.WAIT), 0.0, 6.0)
    said = advice(2, Held(25.0, 0.0, 0.0, 40.0, 20.0, 20.0))
    path = []
    start = now
    while True:
        now += 0.02
        operator.attend(now, said)
        path.append(operator.held_at(now).array()[3:])
        if now > start + 0.3 and not operator.moving(now):
            break
    assert 1.0 < now - start < 5.0
    speed = np.linalg.norm(np.diff(path, axis=0), axis=1) / 0.02
    assert speed.max() < 400.0  # mm/s
    assert np.abs(np.diff(speed)).max() < 60.0


def test_lapses_come_at_their_rate_and_end() -> None:
    operator = Operator(RIG, THING, Skill(lapse_rate=0.5), np.random.default_rng(11))
    now, seen = 0.0, set()
    count = 0
    for number in range(1, 41):
        said = advice(number, Held(20.0 * (-1) ** number, 5.0, 0.0, 10.0, 8.0, 5.0))
        lapsed = Lapse.NONE
        begin = now
        while now < begin + 12.0:
            now += 0.1
            operator.attend(now, said)
            lapsed = operator.lapse if operator.lapse is not Lapse.NONE else lapsed
        assert operator.lapse is Lapse.NONE
        seen.add(lapsed)
        count += lapsed is not Lapse.NONE
    assert 10 <= count <= 30
    assert {Lapse.FINGER, Lapse.RESTLESS, Lapse.REPEAT, Lapse.HALF_OUT} <= seen


def test_the_finger_goes_when_the_coach_says_so() -> None:
    for seed in range(200):
        operator = Operator(RIG, THING, Skill(lapse_rate=1.0), np.random.default_rng(seed))
        said = advice(1, Held(10.0))
        now = after_seconds(operator, said, 0.0, 4.0)
        if operator.lapse is Lapse.FINGER:
            break
    hands = len(operator.limbs(0.0))
    told = replace(said, trouble=Trouble.FINGER)
    after_seconds(operator, told, now, 2.5)
    assert operator.lapse is Lapse.NONE
    assert len(operator.limbs(0.0)) == hands - 1


def test_paused_lays_the_plate_down() -> None:
    bench = Bench(BenchSettings(rig=converging(size_px=(320, 256), pixel_um=19.2)), np.random.default_rng(1))
    said = advice(1, Held(5.0))
    for _ in range(50):
        bench.advance(0.1, said)
    assert bench.setting().pose_rig_from_plate is not None
    for _ in range(50):
        bench.advance(0.1, replace(said, order=Order.PAUSED))
    assert bench.setting().pose_rig_from_plate is None
    for _ in range(60):
        bench.advance(0.1, said)
    assert bench.setting().pose_rig_from_plate is not None


def small_bench(seed: int = 1, plate: Plate | None = None) -> Bench:
    rig = converging(size_px=(320, 256), pixel_um=19.2)
    return Bench(BenchSettings(rig=rig, plate=plate or demo_plate()), np.random.default_rng(seed))


def test_the_same_seed_gives_the_same_shots() -> None:
    pictures = []
    for _ in range(2):
        bench = small_bench(9)
        for _ in range(40):
            bench.advance(0.125, advice(1, Held(15.0, -8.0)))
        pictures.append(bench.shoot(0.0))
    for name in ("left", "right"):
        assert np.array_equal(pictures[0][name].image, pictures[1][name].image)
    assert pictures[0]["left"].full_scale == 255


def test_a_visitor_takes_over_and_spoils() -> None:
    bench = small_bench()
    bench.set(read({"tilt_x_deg": "30", "x_mm": "-12", "distance_mm": "570"}))
    for _ in range(20):
        bench.advance(0.1, None)
    state = bench.state()
    assert state.visitor_holds
    assert state.tilt_x_deg == pytest.approx(30, abs=0.1)
    assert state.x_mm == pytest.approx(-12, abs=0.1)
    assert state.distance_mm == pytest.approx(570, abs=0.1)
    facts = bench.facts()
    assert held_of(facts["pose_rig_from_plate"], bench.thing, bench.rig).z_mm == pytest.approx(20, abs=0.1)

    dark = _mean(bench)
    bench.set(read({"exposure": "+1"}))
    assert bench.state().exposure_stops == 1.0
    assert _mean(bench) > 1.3 * dark
    bench.set(read({"exposure": "auto"}))
    assert bench.state().exposure_stops == 0.0

    bench.set(read({"finger": "yes", "shake": "yes", "glare_lamp": "yes", "focus_mm": "480"}))
    state = bench.state()
    assert state.finger
    assert state.shake
    assert state.glare_lamp
    assert state.focus_mm == 480
    bench.set(read({"visitor_holds": "no"}))
    assert not bench.state().visitor_holds


def _mean(bench: Bench) -> float:
    image = bench.shoot(0.0)["left"].image
    assert image is not None
    return float(image.mean())


def test_shaking_blurs_and_focus_blurs() -> None:
    bench = Bench(BenchSettings(), np.random.default_rng(2))
    bench.set(read({"visitor_holds": "yes"}))
    bench.advance(0.5, None)
    sharp = _edges(bench)
    bench.set(read({"focus_mm": "380"}))
    assert _edges(bench) < 0.6 * sharp
    bench.set(read({"focus_mm": "550", "shake": "yes"}))
    worst = min(_edges_after(bench, 0.037) for _ in range(6))
    assert worst < 0.93 * sharp


def _edges_after(bench: Bench, dt_s: float) -> float:
    bench.advance(dt_s, None)
    return _edges(bench)


def _edges(bench: Bench) -> float:
    image = bench.shoot(0.0)["left"].image
    assert image is not None
    return float(np.mean(np.diff(image[300:700, 300:1000].astype(float), axis=1) ** 2))


def test_a_knock_moves_the_last_camera_only() -> None:
    bench = small_bench()
    point = np.array([[0.0, 0.0, 550.0]])
    before = [c.project(point)[0] for c in bench.rig.cameras]
    bench.set(read({"knock_deg": "0.1"}))
    behind = [c.project(point)[0] for c in bench.rig.cameras]
    assert np.allclose(before[0], behind[0])
    assert np.linalg.norm(before[1] - behind[1]) > 0.5


@pytest.mark.parametrize(
    ("changes", "part"), [({"bogus": "1"}, "bogus"), ({"finger": "maybe"}, "maybe"), ({"x_mm": "a"}, "“a”")]
)
def test_bad_controls_are_refused_in_words(changes: dict[str, str], part: str) -> None:
    with pytest.raises(BadInput, match=part):
        read(changes)


@pytest.mark.parametrize("kind", [PlateKind.CHESSBOARD, PlateKind.CHARUCO, PlateKind.STAGGERED_DOTS])
def test_every_plate_can_be_held(kind: PlateKind) -> None:
    plate = Plate(kind, 7, 6, 14.0, 6.0 if kind is PlateKind.STAGGERED_DOTS else None)
    bench = small_bench(plate=plate)
    bench.set(read({"visitor_holds": "yes"}))
    bench.advance(0.2, None)
    image = bench.shoot(0.0)["right"].image
    assert image is not None
    assert image.std() > 20


def test_focus_step_turns_every_ring_past_the_mark_and_back() -> None:
    bench = small_bench()
    said = Advice(Step.FOCUS, Say("focus"), Order.WAIT, Tone.SILENT)
    path = []
    for _ in range(190):
        bench.advance(0.1, said)
        bench.shoot(0.0)
        path.append([bench.facts()["focus_mm"][name] for name in ("left", "right")])
    for column in np.array(path).T:
        assert column.min() < 0.94 * 550
        assert column.max() > 1.03 * 550
        assert column[-1] == pytest.approx(550, rel=0.006)


def test_the_source_runs_obeys_and_stops() -> None:
    source = SimulatedSource(
        BenchSettings(rig=converging(size_px=(320, 256), pixel_um=19.2)), seed=4, shots_per_second=20.0
    )
    shots: list[Shot] = []
    complaints: list[tuple[str, str | None, str]] = []
    source.start(shots.append, lambda *what: complaints.append(what))
    try:
        _wait(lambda: len(shots) >= 3)
        assert source.control({"exposure_stops": "-2"}) is None
        assert "bogus" in (source.control({"bogus": "1"}) or "")
        source.advise(advice(1, Held(12.0)))
        _wait(lambda: (state := source.sim_state()) is not None and state.exposure_stops == -2.0)
        _wait(lambda: shots[-1].facts["pose_rig_from_plate"] is not None)
    finally:
        source.stop()
    count = len(shots)
    time.sleep(0.2)
    assert len(shots) == count
    assert complaints == []
    assert set(shots[0].originals) == {"left", "right"}
    assert [s.number for s in shots] == list(range(1, count + 1))
    assert not shots[0].single
    assert source.control({"finger": "yes"}) == "The simulated rig is not running. Start the demo again."


def _wait(until: object, longest_s: float = 30.0) -> None:
    assert callable(until)
    begin = time.monotonic()
    while not until():
        assert time.monotonic() - begin < longest_s, "waited in vain"
        time.sleep(0.02)
