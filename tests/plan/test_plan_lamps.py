"""Lamps told from glare: where they stand, and which poses they spoil."""

import numpy as np
import pytest

from holdstill import plan
from holdstill.geometry import matrices, rotation_matrix
from holdstill.phrases import say
from holdstill.plan.glare import glare_spots_mm, glares
from holdstill.plan.poses import wishes
from holdstill.plan.scene import scene_of
from holdstill.records import ClearSighting, Cue, GlareSighting, Lamp
from holdstill.simulate.light import mirror_point_mm
from plan.plan_benches import CAMERAS, RIGS, held

RIG, PLATE = RIGS["small plate"]
SCENE = scene_of(PLATE, RIG, None, CAMERAS)
LEFT_LAMP = SCENE.origin_rig_mm + np.array([-560.0, -120.0, -450.0])
RIGHT_LAMP = SCENE.origin_rig_mm + np.array([480.0, -90.0, -520.0])


def looked_at(poses, lamps_mm, rng=None, lobe_mm=15.0):
    """Glare and clear sightings of poses under true lamps; the patch's middle is found to 3 mm."""
    glare, clear = [], []
    low, high = SCENE.dots_mm[:, :2].min(axis=0), SCENE.dots_mm[:, :2].max(axis=0)
    for pose in poses:
        rotation, translation = matrices(pose)
        spots, front = glare_spots_mm(
            SCENE.cameras.centres_mm(), np.asarray(lamps_mm), rotation[None], translation[None]
        )
        for k, camera in enumerate(CAMERAS):
            out = np.linalg.norm(np.maximum(np.maximum(low - spots[0, k], spots[0, k] - high), 0), axis=-1)
            hit = front[0, k] & (out <= lobe_mm)
            for spot in spots[0, k][hit]:
                at = spot + (rng.normal(0.0, 3.0, 2) if rng is not None else 0.0)
                glare.append(GlareSighting(camera, pose, float(at[0]), float(at[1]), lobe_mm))
            if not hit.any():
                clear.append(ClearSighting(camera, pose))
    return glare, clear


def shown(rng, count):
    options = wishes(SCENE)
    picks = rng.integers(0, len(options.instructions), count)
    wished = [SCENE.rig_pose(options.rotations_bench[n], options.middles_bench_mm[n]) for n in picks]
    return [held(SCENE, pose, rng) for pose in wished]


def test_the_glare_spot_is_where_the_simulator_mirrors_the_lamp():
    rng = np.random.default_rng(5)
    for pose in shown(rng, 10):
        rotation, translation = matrices(pose)
        spots, front = glare_spots_mm(
            SCENE.cameras.centres_mm(), LEFT_LAMP[None], rotation[None], translation[None]
        )
        for k, eye in enumerate(SCENE.cameras.centres_mm()):
            expected = mirror_point_mm(translation, -rotation[:, 2], eye, LEFT_LAMP)
            if front[0, k, 0]:
                at = rotation @ np.array([*spots[0, k, 0], 0.0]) + translation
                np.testing.assert_allclose(at, expected, atol=1e-6)


def test_two_sightings_find_one_lamp():
    rng = np.random.default_rng(1)
    glare, clear = looked_at(shown(rng, 200), [LEFT_LAMP], rng)
    found = plan.lamps(glare[:4], clear[:20], rig=RIG, cameras=CAMERAS, plate=PLATE)
    assert len(found) == 1
    assert np.linalg.norm(np.array(found[0].position_rig_mm) - LEFT_LAMP) < 150.0
    assert found[0].side == "left"


@pytest.mark.parametrize("seed", range(4))
def test_two_lamps_are_told_apart(seed):
    rng = np.random.default_rng(seed)
    glare, clear = looked_at(shown(rng, 150), [LEFT_LAMP, RIGHT_LAMP], rng)
    pick = rng.permutation(len(glare))[:10]
    found = plan.lamps([glare[i] for i in pick], clear[:30], rig=RIG, cameras=CAMERAS, plate=PLATE)
    assert len(found) >= 2
    for lamp in (LEFT_LAMP, RIGHT_LAMP):
        assert min(np.linalg.norm(np.array(f.position_rig_mm) - lamp) for f in found) < 150.0
    assert {f.side for f in found[:2]} == {"left", "right"}


def test_one_sighting_is_enough_to_stay_away_from_that_pose():
    rng = np.random.default_rng(3)
    glare, clear = looked_at(shown(rng, 100), [LEFT_LAMP], rng)
    found = plan.lamps(glare[:1], clear[:5], rig=RIG, cameras=CAMERAS, plate=PLATE)
    assert len(found) == 1
    rotation, translation = matrices(glare[0].pose_rig_from_plate)
    assert glares(SCENE, found, rotation[None], translation[None]).all()


def test_no_sightings_no_lamps():
    assert plan.lamps([], [], rig=RIG, cameras=CAMERAS, plate=PLATE) == ()


def test_a_plate_not_told_costs_the_clear_evidence_only():
    rng = np.random.default_rng(1)
    glare, clear = looked_at(shown(rng, 200), [LEFT_LAMP], rng)
    assert plan.lamps(glare[:4], clear, rig=RIG, cameras=CAMERAS)


def test_the_planner_asks_for_no_pose_that_a_known_lamp_spoils():
    rng = np.random.default_rng(2)
    glare, clear = looked_at(shown(rng, 150), [LEFT_LAMP, RIGHT_LAMP], rng)
    found = plan.lamps(glare, clear, rig=RIG, cameras=CAMERAS, plate=PLATE)
    kept = []
    for number in range(12):
        cue = plan.choose(PLATE, RIG, None, kept, live_pose=None, number=number, cameras=CAMERAS, lamps=found)
        assert isinstance(cue, Cue)
        kept.append(cue.pose_rig_from_plate)
    spoilt, _ = looked_at(kept, [LEFT_LAMP, RIGHT_LAMP])
    assert spoilt == []


def test_a_turned_plate_glares_where_the_law_of_reflection_says():
    """Lamp at the camera's own place: the glare spot is the foot of the camera on the plate."""
    eye = SCENE.cameras.centres_mm()[:1]
    rotation = rotation_matrix(np.radians([12.0, -7.0, 20.0]))
    translation = SCENE.origin_rig_mm
    spots, front = glare_spots_mm(eye, eye, rotation[None], translation[None])
    foot = rotation.T @ (eye[0] - translation)
    assert front.all()
    np.testing.assert_allclose(spots[0, 0, 0], foot[:2], atol=1e-9)


def test_a_lamp_that_spoils_most_poses_is_to_be_moved_and_a_harmless_one_is_not():
    kept = []
    for number in range(6):
        cue = plan.choose(PLATE, RIG, None, kept, live_pose=None, number=number, cameras=CAMERAS)
        kept.append(cue.pose_rig_from_plate)

    def asked(at, lobe_mm):
        lamp = Lamp(tuple(float(v) for v in at), 0.0, lobe_mm, 5, "left")
        return plan.lamp_to_move(PLATE, RIG, None, kept, lamps=[lamp], cameras=CAMERAS)

    assert asked(LEFT_LAMP, 10.0) is None
    large = asked(SCENE.origin_rig_mm + np.array([-100.0, 0.0, -600.0]), 800.0)
    assert large is not None
    assert say(large, faces_cameras=True).startswith("The lamp on your right glares")
    assert plan.lamp_to_move(PLATE, RIG, None, [], lamps=(), cameras=CAMERAS) is None
