"""The next pose: reachable, sensible from the first cue on, and worth more than what is known."""

import math
from dataclasses import replace

import numpy as np
import pytest

from holdstill import plan
from holdstill.phrases import CATALOGUE, say
from holdstill.plan.poses import lean_of, slack_px, turn_of, wishes
from holdstill.plan.scene import scene_of
from holdstill.records import (
    CameraDescription,
    Cue,
    Instruction,
    Lean,
    Nothing,
    Place,
    Plate,
    PlateKind,
    Pose,
    Reach,
    Rig,
    Roll,
    Say,
)
from plan.plan_benches import CAMERAS, RIGS, bench_rig, dots


def session_of(rig, plate, views, cameras=CAMERAS, **more):
    """Cues of a session in which every wish is met exactly."""
    kept, cues = [], []
    for number in range(1, views + 1):
        live = kept[-1] if kept else None
        cue = plan.choose(
            plate, rig, None, kept, live_pose=live, number=number, cameras=cameras, **more
        )
        assert isinstance(cue, Cue)
        cues.append(cue)
        kept.append(cue.pose_rig_from_plate)
    return cues


@pytest.mark.parametrize("name", RIGS)
def test_the_first_cue_is_the_easy_one(name):
    rig, plate = RIGS[name]
    cue = plan.choose(plate, rig, None, (), live_pose=None, number=7, cameras=CAMERAS)
    assert cue.number == 7
    assert cue.instruction == Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
    assert cue.reason == "why.first"


@pytest.mark.parametrize("name", RIGS)
def test_every_wished_pose_keeps_all_dots_in_all_pictures(name):
    rig, plate = RIGS[name]
    scene = scene_of(plate, rig, None, CAMERAS)
    options = wishes(scene)
    assert len(options.instructions) > 40
    rotations, translations = scene.rig_poses(options.rotations_bench, options.middles_bench_mm)
    pixels, depths = scene.pixels(scene.dots_mm, rotations, translations)
    assert scene.seen(pixels, depths).all()
    ground = slack_px(scene, options.rotations_bench, options.middles_bench_mm)
    least = np.min([ground.left, ground.right, ground.top, ground.bottom], axis=0)
    assert least.min() > 10.0


def test_a_place_is_reached_when_the_dots_almost_touch_the_edge_in_one_picture():
    rig, plate = RIGS["small plate"]
    scene = scene_of(plate, rig, None, CAMERAS)
    options = wishes(scene)
    ground = slack_px(scene, options.rotations_bench, options.middles_bench_mm)
    for index, instruction in enumerate(options.instructions):
        if instruction.place is Place.UPPER_LEFT:
            assert ground.left[index] == pytest.approx(0.005 * 2448, abs=3.0)
            assert ground.top[index] == pytest.approx(0.005 * 2448, abs=3.0)


def test_poses_stay_in_focus_where_the_lens_was_described():
    rig, plate = bench_rig(f_number=8.0), dots()
    scene = scene_of(plate, rig, None, CAMERAS)
    options = wishes(scene)
    poses = scene.rig_poses(options.rotations_bench, options.middles_bench_mm)
    _, depths = scene.pixels(scene.rim_mm, *poses)
    assert np.isfinite(scene.sharp_mm).all()
    assert (depths >= scene.sharp_mm[:, 0][None, :, None]).all()
    assert (depths <= scene.sharp_mm[:, 1][None, :, None]).all()
    assert len(options.instructions) < len(wishes(scene_of(plate, bench_rig(), None, CAMERAS)).instructions)


def test_depth_of_field_agrees_with_the_textbook():
    """f 35 mm, f/8, circle 6.9 um, focused at 800 mm: 773.34 to 828.56 mm (Greenleaf 1950, pp 25-27;
    formula read second-hand, numbers computed). Here the circle is 5 px: pixel 1.38 um."""
    camera = CameraDescription("a", 2448, 2048, 1.38, 35.0, 8.0)
    rig = Rig(cameras=(camera,), stand_off_mm=800.0)
    scene = scene_of(dots(4.0), rig, None, ("a",))
    np.testing.assert_allclose(scene.sharp_mm[0], [773.34, 828.56], atol=0.006)


@pytest.mark.parametrize("name", RIGS)
def test_twelve_cues_ask_for_every_kind_of_move(name):
    rig, plate = RIGS[name]
    asked = [c.instruction for c in session_of(rig, plate, 12)]
    assert len({i.lean for i in asked} - {Lean.FLAT}) >= 3
    assert len({i.roll for i in asked}) == 2
    assert len({i.reach for i in asked}) >= 2
    assert len({i.place for i in asked}) >= 5
    assert len(set(asked)) >= 10


@pytest.mark.parametrize("name", RIGS)
def test_what_the_next_view_promises_falls_under_a_twentieth_between_8_and_16_views(name):
    rig, plate = RIGS[name]
    promised = [c.best_gain for c in session_of(rig, plate, 18)]
    assert all(0.0 < g < 1.0 for g in promised)
    first = next(n for n, g in enumerate(promised) if g < 0.05)
    assert 8 <= first <= 16


def test_a_cue_gives_up_little_of_the_best_gain_to_spare_the_hands():
    rig, plate = RIGS["reference"]
    for cue in session_of(rig, plate, 12)[1:]:
        assert 0.8 * cue.best_gain <= cue.gain <= cue.best_gain


def test_reasons_are_sentences():
    rig, plate = RIGS["reference"]
    cues = [*session_of(rig, plate, 12), *session_of(rig, plate, 3, proof=True)]
    cues += session_of(rig, plate, 3, plan="customary")
    assert {c.reason for c in cues} <= set(CATALOGUE)
    assert len({c.reason for c in cues}) >= 5


def test_one_camera_and_three_cameras_are_coached_too():
    plate = dots()
    for names in (("only",), ("a", "b", "c")):
        cues = session_of(bench_rig(cameras=names), plate, 8, cameras=names)
        assert len({c.instruction for c in cues}) >= 6


def test_a_rig_of_which_nothing_is_known_is_coached():
    plate = Plate(PlateKind.CHESSBOARD, 9, 6, 25.0)
    cues = session_of(Rig(), plate, 6, sizes_px={"left": (640, 480), "right": (640, 480)})
    scene = scene_of(plate, Rig(), None, CAMERAS, (("left", (640, 480)), ("right", (640, 480))))
    assert scene.cameras.sizes_px.tolist() == [[640, 480]] * 2
    assert len({c.instruction for c in cues}) >= 5


def test_a_plate_far_too_large_is_said_so():
    nothing = plan.choose(dots(60.0), bench_rig(), None, (), live_pose=None, number=1, cameras=CAMERAS)
    assert isinstance(nothing, Nothing)
    assert nothing.why == "no reachable pose"
    assert nothing.numbers["plate_width_mm"] == 780.0
    assert "smaller plate" in say(Say(nothing.why, nothing.numbers))


def test_a_skipped_instruction_is_not_asked_for_again():
    rig, plate = RIGS["reference"]
    kept = [c.pose_rig_from_plate for c in session_of(rig, plate, 3)]
    first = plan.choose(plate, rig, None, kept, live_pose=None, number=4, cameras=CAMERAS)
    other = plan.choose(
        plate, rig, None, kept, live_pose=None, number=5, cameras=CAMERAS, avoid=[first.instruction]
    )
    assert other.instruction != first.instruction


def test_the_wish_is_the_way_up_that_the_plate_is_held():
    rig, plate = RIGS["reference"]
    scene = scene_of(plate, rig, None, CAMERAS)
    upside_down = scene.rig_pose(np.diag([-1.0, -1.0, 1.0]), np.zeros(3))
    cue = plan.choose(plate, rig, None, (), live_pose=upside_down, number=1, cameras=CAMERAS)
    assert abs(turn_of(scene.bench_pose(cue.pose_rig_from_plate)[0])) == pytest.approx(180.0, abs=0.1)


def test_the_customary_plan_is_26_views_about_ten_per_axis_and_some_in_plane():
    listed = plan.customary()
    assert len(listed) == 26
    assert sum(i.lean in (Lean.LEFT, Lean.RIGHT) for i in listed) == 10
    assert sum(i.lean in (Lean.TOP, Lean.BOTTOM) for i in listed) == 10
    rig, plate = RIGS["reference"]
    cues = session_of(rig, plate, 26, plan="customary")
    assert {c.reason for c in cues} == {"why.customary"}
    assert len({c.instruction for c in cues}) >= 24


def test_proof_views_are_unlike_the_kept_ones():
    rig, plate = RIGS["reference"]
    scene = scene_of(plate, rig, None, CAMERAS)
    kept = [c.pose_rig_from_plate for c in session_of(rig, plate, 10)]
    cue = plan.choose(plate, rig, None, kept, live_pose=None, number=11, cameras=CAMERAS, proof=True)
    assert cue.proof
    rotation, middle = scene.bench_pose(cue.pose_rig_from_plate)
    for pose in kept:
        other, at = scene.bench_pose(pose)
        lean = math.degrees(math.acos(np.clip(rotation[:, 2] @ other[:, 2], -1, 1)))
        assert lean > 15.0 or np.linalg.norm(middle - at) > 30.0


@pytest.mark.parametrize("x_deg", [-40.0, -10.0, 0.0, 25.0])
@pytest.mark.parametrize("y_deg", [-30.0, 0.0, 12.0])
def test_the_dial_reads_the_lean_that_was_made(x_deg, y_deg):
    from holdstill.plan.poses import lean_rotation, roll_rotation

    rotation = lean_rotation(x_deg, y_deg) @ roll_rotation(90.0)
    assert lean_of(rotation) == pytest.approx((x_deg, y_deg), abs=1e-9)
    assert turn_of(rotation) == pytest.approx(90.0, abs=1e-9)


def test_leaning_the_top_brings_the_top_edge_toward_the_cameras():
    """The plate's top edge has y < 0 in the cameras' frame; toward the cameras is z < 0."""
    from holdstill.plan.poses import lean_rotation

    assert (lean_rotation(0.0, 30.0) @ [0.0, -1.0, 0.0])[2] == pytest.approx(-0.5)
    assert (lean_rotation(30.0, 0.0) @ [1.0, 0.0, 0.0])[2] == pytest.approx(-0.5)


def test_live_poses_far_off_still_get_a_cue():
    rig, plate = RIGS["reference"]
    live = Pose((0.3, -0.2, 1.0), (-300.0, 200.0, 900.0))
    assert isinstance(plan.choose(plate, rig, None, (), live_pose=live, number=1, cameras=CAMERAS), Cue)


def test_an_estimate_gone_wild_gives_way_to_the_rig_as_described():
    from plan.plan_study import as_estimate

    rig, plate = RIGS["reference"]
    cameras = scene_of(plate, rig, None, CAMERAS).cameras
    lenses = cameras.lenses.copy()
    lenses[:, :2] *= 40.0
    wild = as_estimate(replace(cameras, lenses=lenses), [])
    cue = plan.choose(plate, rig, wild, (), live_pose=None, number=1, cameras=CAMERAS)
    assert isinstance(cue, Cue)
    assert cue.instruction.lean is Lean.FLAT
