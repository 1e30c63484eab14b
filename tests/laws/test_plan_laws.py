"""What must hold of the planner whatever the poses."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill import plan
from holdstill.geometry import rotation_matrix
from holdstill.plan.poses import settle, slack_px, wishes
from holdstill.plan.scene import gains, scene_of
from holdstill.records import Guide, Order, Part, Place
from plan.plan_benches import CAMERAS, RIGS

RIG, PLATE = RIGS["small plate"]
SCENE = scene_of(PLATE, RIG, None, CAMERAS)
OPTIONS = wishes(SCENE)
angles = st.floats(-35.0, 35.0)
shifts = st.floats(-40.0, 40.0)
poses = st.tuples(angles, angles, st.floats(-180.0, 180.0), shifts, shifts, shifts)
LAWFUL = settings(max_examples=40, deadline=None)


def pose_of(numbers):
    turn = rotation_matrix(np.radians([numbers[0], numbers[1], 0.0]))
    roll = rotation_matrix(np.radians([0.0, 0.0, numbers[2]]))
    return SCENE.rig_pose(turn @ roll, np.array(numbers[3:]))


def worth(kept, pose):
    return plan.worth(PLATE, RIG, None, kept, pose, cameras=CAMERAS)


@LAWFUL
@given(st.lists(poses, min_size=1, max_size=6), poses)
def test_information_never_shrinks_and_gain_is_a_share(kept, live):
    views = [pose_of(k) for k in kept]
    less, more = SCENE.known(views[:-1]), SCENE.known(views)
    values = np.linalg.eigvalsh(more - less)
    assert values[0] > -1e-6 * values[-1]
    assert 0.0 <= worth(views, pose_of(live)).gain < 1.0


@LAWFUL
@given(st.lists(poses, min_size=2, max_size=5), poses)
def test_the_order_of_views_does_not_matter(kept, live):
    views = [pose_of(k) for k in kept]
    there, back = worth(views, pose_of(live)).gain, worth(views[::-1], pose_of(live)).gain
    assert abs(there - back) < 1e-6


@LAWFUL
@given(st.lists(poses, min_size=2, max_size=4), poses)
def test_the_same_view_again_is_worth_less_each_time(kept, live):
    views, pose = [pose_of(k) for k in kept], pose_of(live)
    if worth(views, pose).points_share < 0.5:
        return
    again = [worth([*views, *[pose] * n], pose).gain for n in (1, 2, 4)]
    assert again[0] > again[1] > again[2]


@LAWFUL
@given(st.lists(poses, min_size=3, max_size=4), poses)
def test_a_plate_the_other_way_up_is_worth_the_same(kept, live):
    views, pose = [pose_of(k) for k in kept], pose_of(live)
    rotation, middle = SCENE.bench_pose(pose)
    half = SCENE.rig_pose(rotation @ np.diag([-1.0, -1.0, 1.0]), middle)
    there, turned = worth(views, pose).gain, worth(views, half).gain
    assert abs(there - turned) <= 0.02 + 0.15 * there


@LAWFUL
@given(st.integers(0, len(OPTIONS.instructions) - 1), poses)
def test_guidance_is_always_one_move_that_can_be_said(index, live):
    cue = cue_at(index)
    seen = plan.guide(cue, pose_of(live), plate=PLATE, rig=RIG, estimate=None, cameras=CAMERAS)
    assert isinstance(seen, Guide)
    assert 0.0 <= seen.distance <= 1.0
    assert set(seen.edges) <= set(CAMERAS)
    said = {
        Part.ROLL: {"clockwise", "anticlockwise"},
        Part.REACH: {"nearer", "farther"},
        Part.PLACE: {p.value for p in Place} - {"centre"},
        Part.LEAN: {"toward", "away"},
        Part.STILL: {""},
    }
    assert seen.direction in said[seen.part]
    assert (seen.order is Order.HOLD_STILL) is seen.good_enough is (seen.part is Part.STILL)


@LAWFUL
@given(st.integers(0, len(OPTIONS.instructions) - 1))
def test_the_wish_itself_is_good_enough(index):
    cue = cue_at(index)
    seen = plan.guide(
        cue, cue.pose_rig_from_plate, plate=PLATE, rig=RIG, estimate=None, cameras=CAMERAS
    )
    assert seen.good_enough
    assert seen.distance < 0.05


def cue_at(index):
    from holdstill.records import Cue

    pose = SCENE.rig_pose(OPTIONS.rotations_bench[index], OPTIONS.middles_bench_mm[index])
    return Cue(1, OPTIONS.instructions[index], pose, 0.1, "why.most", best_gain=0.1)


@LAWFUL
@given(angles, angles, st.floats(-40.0, 40.0), st.sampled_from([(-1, 0), (1, 1), (0, -1), (0, 0)]))
def test_a_place_that_is_said_to_be_reached_is_reached(x_deg, y_deg, depth_mm, sides):
    rotation = rotation_matrix(np.radians([x_deg, y_deg, 0.0]))[None]
    middles, reached = settle(SCENE, rotation, np.array([depth_mm]), np.array([sides], dtype=float))
    ground = slack_px(SCENE, rotation, middles)
    if not reached[0]:
        return
    least = min(ground.left[0], ground.right[0], ground.top[0], ground.bottom[0])
    assert least > 0.0
    if sides[0] < 0:
        assert ground.left[0] < 20.0
    if sides == (0, 0):
        assert abs(ground.left[0] - ground.right[0]) < 8.0
        assert abs(ground.top[0] - ground.bottom[0]) < 8.0


@LAWFUL
@given(st.lists(poses, min_size=1, max_size=5))
def test_no_candidate_gains_more_than_the_best_and_all_gain_something(kept):
    known = SCENE.known([pose_of(k) for k in kept])
    found = gains(SCENE, known, OPTIONS.added)
    assert (found > 0.0).all()
    assert (found < 1.0).all()
