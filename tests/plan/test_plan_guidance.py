"""One move at a time, without flicker, to the wished pose."""

from itertools import pairwise

import numpy as np
import pytest

from holdstill import plan
from holdstill.geometry import rotation_matrix
from holdstill.plan.poses import posed
from holdstill.plan.scene import scene_of
from holdstill.records import Cue, Instruction, Lean, Order, Part, Place, Reach, Roll
from plan.plan_benches import CAMERAS, RIGS, bench_rig, dots

RIG, PLATE = RIGS["small plate"]
SCENE = scene_of(PLATE, RIG, None, CAMERAS)
TARGET = Instruction(Lean.TOP, 35.0, Place.UPPER_LEFT, Reach.FARTHER, Roll.UPRIGHT)


def cue_of(instruction, scene=SCENE):
    rotations, middles, good = posed(scene, [instruction])
    assert good[0]
    return Cue(1, instruction, scene.rig_pose(rotations[0], middles[0]), 0.1, "why.most", best_gain=0.1)


def at(instruction):
    return cue_of(instruction).pose_rig_from_plate


def guided(live, cue=None, previous=None):
    cue = cue or cue_of(TARGET)
    return plan.guide(
        cue, live, plate=PLATE, rig=RIG, estimate=None, previous=previous, cameras=CAMERAS
    )


def moved(pose, shift_mm=(0, 0, 0), turn_deg=(0, 0, 0)):
    """Shift and turn about the middle of the dots, in the bench frame."""
    rotation, middle = SCENE.bench_pose(pose)
    return SCENE.rig_pose(rotation_matrix(np.radians(turn_deg)) @ rotation, middle + np.array(shift_mm))


FLAT = Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING)


def test_parts_are_asked_for_in_order_each_from_where_the_plate_is():
    steps = [
        (FLAT, Part.ROLL),
        (Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.UPRIGHT), Part.REACH),
        (Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.FARTHER, Roll.UPRIGHT), Part.PLACE),
        (Instruction(Lean.FLAT, 0.0, Place.UPPER_LEFT, Reach.FARTHER, Roll.UPRIGHT), Part.LEAN),
        (TARGET, Part.STILL),
    ]
    distances, previous = [], None
    for instruction, part in steps:
        previous = guided(at(instruction), previous=previous)
        assert previous.part is part
        distances.append(previous.distance)
    assert distances == sorted(distances, reverse=True)
    assert distances[-1] < 0.02
    assert previous.order is Order.HOLD_STILL
    assert previous.good_enough


def test_directions_say_which_way():
    assert guided(moved(at(TARGET), (0, 0, -40.0))).direction == "farther"
    near = guided(moved(at(TARGET), (30.0, 30.0, 0)))
    assert (near.part, near.direction) == (Part.PLACE, "upper left")
    aside = guided(moved(at(TARGET), (30.0, 0, 0)))
    assert (aside.part, aside.direction) == (Part.PLACE, "left")
    turned = guided(moved(at(TARGET), turn_deg=(0, 0, -40.0)))
    assert (turned.part, turned.direction) == (Part.ROLL, "clockwise")
    lean = guided(moved(at(TARGET), turn_deg=(-20.0, 0, 0)))
    assert (lean.part, lean.direction) == (Part.LEAN, "toward")


def test_a_little_more_when_nearly_there_and_back_a_little_when_past():
    far, near = moved(at(TARGET), turn_deg=(-30.0, 0, 0)), moved(at(TARGET), turn_deg=(-13.0, 0, 0))
    assert guided(far).order is Order.MOVE
    assert guided(near).order is Order.A_LITTLE_MORE
    past = guided(moved(at(TARGET), turn_deg=(14.0, 0, 0)))
    assert (past.part, past.order, past.direction) == (Part.LEAN, Order.BACK_A_LITTLE, "away")
    out = guided(moved(at(TARGET), (-25.0, 0.0, 0)))
    assert (out.part, out.order, out.direction) == (Part.PLACE, Order.BACK_A_LITTLE, "right")
    deep = guided(moved(at(TARGET), (0, 0, 40.0)))
    assert (deep.part, deep.order, deep.direction) == (Part.REACH, Order.BACK_A_LITTLE, "nearer")


def test_coming_through_the_middle_from_one_side_is_past_it():
    cue = cue_of(FLAT)
    before = guided(moved(at(FLAT), (0, 0, -60.0)), cue)
    assert before.direction == "farther"
    after = guided(moved(at(FLAT), (0, 0, 24.0)), cue, before)
    assert (after.direction, after.order) == ("nearer", Order.BACK_A_LITTLE)


def test_the_other_way_up_is_as_good():
    rotation, middle = SCENE.bench_pose(at(TARGET))
    half = SCENE.rig_pose(rotation @ np.diag([-1.0, -1.0, 1.0]), middle)
    assert guided(half).good_enough


@pytest.mark.parametrize("seed", range(3))
def test_a_trembling_hand_at_the_border_of_a_part_gets_no_flicker(seed):
    """Tremor of 1 degree and 2 mm at the tolerance of the lean: the part asked for changes at most once."""
    rng = np.random.default_rng(seed)
    edge = moved(at(TARGET), turn_deg=(-9.0, 0, 0))
    previous, parts = None, []
    for _ in range(60):
        live = moved(edge, rng.normal(0, 2.0, 3), rng.normal(0, 0.7, 3))
        previous = guided(live, previous=previous)
        parts.append(previous.part)
    changes = sum(a is not b for a, b in pairwise(parts))
    assert changes <= 1


def test_distance_falls_all_the_way_of_a_straight_move():
    cue = cue_of(Instruction(Lean.FLAT, 0.0, Place.LEFT, Reach.NEARER, Roll.LYING))
    (_, start), (turn, end) = SCENE.bench_pose(at(FLAT)), SCENE.bench_pose(cue.pose_rig_from_plate)
    way = [SCENE.rig_pose(turn, (1 - s) * start + s * end) for s in np.linspace(0, 1, 9)]
    seen = [guided(pose, cue).distance for pose in way]
    assert seen == sorted(seen, reverse=True)


def test_a_live_pose_worth_enough_is_taken_though_it_is_not_the_wish():
    kept = [at(FLAT), at(Instruction(Lean.LEFT, 30.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING))]
    cue = plan.choose(PLATE, RIG, None, kept, live_pose=kept[-1], number=3, cameras=CAMERAS)

    def with_kept(live):
        return plan.guide(
            cue, live, plate=PLATE, rig=RIG, estimate=None, kept_poses=kept, cameras=CAMERAS
        )

    again = with_kept(kept[-1])
    assert again.live_share is not None
    assert not again.good_enough
    others = [
        with_kept(at(Instruction(lean, 30.0, place, reach, Roll.UPRIGHT)))
        for lean in (Lean.TOP, Lean.BOTTOM, Lean.LEFT, Lean.RIGHT)
        for place in (Place.UPPER_LEFT, Place.LOWER_RIGHT)
        for reach in (Reach.MIDDLE, Reach.FARTHER)
    ]
    taken = [g for g in others if g.live_share >= 0.7]
    assert taken
    assert all(g.good_enough and g.order is Order.HOLD_STILL for g in taken)
    assert all(g.good_enough is (g.live_share >= 0.7 or g.distance < 0.5) for g in others)


def test_a_pose_with_dots_outside_a_picture_is_not_worth_taking():
    cue = plan.choose(PLATE, RIG, None, (), live_pose=None, number=1, cameras=CAMERAS)
    out = moved(at(Instruction(Lean.TOP, 30.0, Place.LEFT, Reach.MIDDLE, Roll.LYING)), (-45.0, 0, 0))
    seen = plan.guide(cue, out, plate=PLATE, rig=RIG, estimate=None, kept_poses=[], cameras=CAMERAS)
    assert not seen.good_enough
    assert plan.worth(PLATE, RIG, None, [], out, cameras=CAMERAS).points_share < 0.9


def test_edges_to_reach_are_marked_where_the_dots_will_touch():
    cue = cue_of(TARGET)
    edges = guided(at(FLAT), cue).edges
    assert set(edges.values()) <= {Place.UPPER_LEFT, Place.LEFT, Place.TOP}
    assert edges
    assert guided(at(TARGET), cue_of(FLAT)).edges == {}


def test_a_customary_cue_wants_its_own_pose():
    rig, plate = bench_rig(), dots()
    cue = plan.choose(plate, rig, None, (), live_pose=None, number=1, cameras=CAMERAS, plan="customary")
    scene = scene_of(plate, rig, None, CAMERAS)
    other = Instruction(Lean.TOP, 30.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
    rotations, middles, _ = posed(scene, [other])
    live = scene.rig_pose(rotations[0], middles[0])
    seen = plan.guide(cue, live, plate=plate, rig=rig, estimate=None, kept_poses=[], cameras=CAMERAS)
    assert not seen.good_enough


def test_a_move_told_too_short_a_while_ago_is_told_on_until_the_plate_is_near_enough():
    there_but_for_the_lean = moved(at(TARGET), turn_deg=(-20.0, 0, 0))
    cue = cue_of(TARGET)

    def told(live, stay):
        return plan.guide(cue, live, plate=PLATE, rig=RIG, estimate=None, cameras=CAMERAS, stay=stay)

    assert told(there_but_for_the_lean, None).part is Part.LEAN
    on = told(there_but_for_the_lean, Part.REACH)
    assert (on.part, on.order) == (Part.REACH, Order.A_LITTLE_MORE)
    assert told(at(TARGET), Part.REACH).order is Order.HOLD_STILL
