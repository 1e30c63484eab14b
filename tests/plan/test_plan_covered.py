"""What is covered, and when it is enough."""

from dataclasses import replace

import numpy as np
import pytest

from holdstill import plan
from holdstill.geometry import matrices
from holdstill.phrases import say
from holdstill.plan.poses import posed
from holdstill.plan.scene import scene_of
from holdstill.records import (
    Cue,
    Instruction,
    Lean,
    Place,
    Quantity,
    Reach,
    Roll,
    Sighting,
    View,
)
from plan.plan_benches import CAMERAS, RIGS
from plan.plan_study import as_estimate

RIG, PLATE = RIGS["small plate"]
SCENE = scene_of(PLATE, RIG, None, CAMERAS)
CENTRE = Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING)


def view(number, instruction):
    rotations, middles, good = posed(SCENE, [instruction])
    assert good[0]
    pose = SCENE.rig_pose(rotations[0], middles[0])
    rotation, translation = matrices(pose)
    pixels, _ = SCENE.pixels(SCENE.dots_mm, rotation[None], translation[None])
    count = len(SCENE.dots_mm)
    seen = {
        name: Sighting(
            name, (2448, 2048), np.arange(count, dtype=np.int32), pixels[0, k], np.full(count, 0.05),
            np.zeros(count, np.int32), np.zeros(0, np.int32), pixels[0, k][[0, -1]], True,
        )
        for k, name in enumerate(CAMERAS)
    }
    return View(number, f"view {number}", float(number), seen, pose_rig_from_plate=pose)


def named(covered):
    return [say(s, faces_cameras=False) for s in covered.missing]


def test_nothing_seen_misses_everything_corners_first():
    missing = named(plan.coverage(PLATE, RIG, None, []))
    assert set(missing[:4]) == {"upper left", "upper right", "lower left", "lower right"}
    assert {"nearer", "farther", "held tall", "held wide", "top tipped toward the cameras"} <= set(missing)


def test_a_view_in_the_middle_covers_the_middle_only():
    covered = plan.coverage(PLATE, RIG, None, [view(1, CENTRE)])
    assert covered.field[Place.CENTRE] == 1
    assert sum(covered.field.values()) == 1
    assert covered.tilts[0].x_deg == pytest.approx(0.0, abs=1e-6)
    assert "held wide" not in named(covered)


def test_every_place_reached_and_every_lean_made_leaves_nothing_missing():
    asked = [Instruction(Lean.FLAT, 0.0, place, Reach.MIDDLE, Roll.LYING) for place in Place]
    asked += [
        Instruction(lean, 35.0, Place.CENTRE, reach, Roll.UPRIGHT)
        for lean, reach in (
            (Lean.TOP, Reach.FARTHER), (Lean.BOTTOM, Reach.NEARER), (Lean.LEFT, Reach.FARTHER),
            (Lean.RIGHT, Reach.MIDDLE),
        )
    ]
    covered = plan.coverage(PLATE, RIG, None, [view(n, i) for n, i in enumerate(asked)])
    assert named(covered) == []
    assert all(0 < n <= len(asked) for n in covered.field.values())
    tops = [t.y_deg for t in covered.tilts]
    assert max(tops) == pytest.approx(35.0, abs=0.1)
    assert min(tops) == pytest.approx(-35.0, abs=0.1)


def test_a_camera_that_missed_the_plate_leaves_the_field_uncovered():
    one = view(1, CENTRE)
    half = replace(one, sightings={"left": one.sightings["left"]})
    both = plan.coverage(PLATE, RIG, None, [one, half])
    assert both.field[Place.CENTRE] == 1


def test_the_wish_is_shown_on_dial_and_field():
    cue = plan.choose(PLATE, RIG, None, (), live_pose=None, number=1, cameras=CAMERAS)
    covered = plan.coverage(PLATE, RIG, None, [view(1, CENTRE)], cue)
    assert covered.wished_place is cue.instruction.place
    assert covered.wished_tilt is not None


def test_the_same_again_is_not_new_and_another_place_or_lean_is():
    first = view(1, CENTRE).pose_rig_from_plate
    again = plan.worth(PLATE, RIG, None, [first], first, cameras=CAMERAS)
    assert (again.new, again.nearest, again.points_share) == (False, 0, 1.0)
    for other in (
        Instruction(Lean.FLAT, 0.0, Place.LEFT, Reach.MIDDLE, Roll.LYING),
        Instruction(Lean.TOP, 35.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING),
        Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.FARTHER, Roll.LYING),
    ):
        pose = view(2, other).pose_rig_from_plate
        assert plan.novel(PLATE, RIG, None, [first], pose, cameras=CAMERAS)


def quantity(value, goal=1.0):
    return Quantity("length_um", "um", value, value, value, goal)


@pytest.mark.parametrize(
    ("value", "views", "gain", "expected"),
    [(0.9, 12, 0.04, True), (1.1, 12, 0.04, False), (0.9, 9, 0.04, False), (0.9, 12, 0.06, False)],
)
def test_enough_when_goals_are_met_and_the_next_view_promises_little(value, views, gain, expected):
    poses = [view(1, CENTRE).pose_rig_from_plate] * views
    estimate = replace(as_estimate(SCENE.cameras, poses), quantities=(quantity(value),))
    cue = Cue(1, CENTRE, poses[0], gain, "why.most", best_gain=gain)
    assert plan.enough(estimate, cue) is expected
    assert not plan.enough(None, cue)
    assert not plan.enough(estimate, None)


def test_a_solved_rig_is_planned_for_as_solved():
    """Half the focal length: the field is twice as wide, and wishes reach twice as far out."""
    cameras = SCENE.cameras
    lenses = cameras.lenses.copy()
    lenses[:, :2] *= 0.5
    wider = as_estimate(replace(cameras, lenses=lenses), [])
    far = {}
    for name, estimate in (("described", None), ("solved", wider)):
        scene = scene_of(PLATE, RIG, estimate, CAMERAS)
        asked = [Instruction(Lean.FLAT, 0.0, Place.LEFT, Reach.MIDDLE, Roll.LYING)]
        far[name] = float(posed(scene, asked)[1][0, 0])
    assert far["solved"] < far["described"] - 80.0
