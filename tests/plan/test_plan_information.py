"""What a view adds, against numbers worked out the long way."""

import numpy as np
import pytest

from holdstill.geometry import lens_of, pose_of, project, rotation_matrix
from holdstill.geometry.information import Cameras, shape_columns, unknowns, view_information
from holdstill.plan.poses import wishes
from holdstill.plan.scene import gains, scene_of
from plan.plan_benches import CAMERAS, RIGS

SCENE = scene_of(RIGS["reference"][1], RIGS["reference"][0], None, CAMERAS)
BENT = Cameras(
    SCENE.cameras.names,
    SCENE.cameras.lenses + np.array([0, 0, 15.0, -9.0, -0.1, 0.12, 4e-4, -3e-4, 0.02]),
    SCENE.cameras.rotations,
    SCENE.cameras.translations_mm,
    SCENE.cameras.sizes_px,
)
ROTATION = rotation_matrix(np.array([0.4, -0.25, 1.2]))
SHIFT = SCENE.origin_rig_mm + ROTATION @ np.array([-80.0, -60.0, 0.0]) + np.array([5.0, -8.0, 20.0])


def brute(free, points, weights):
    """Schur complement of the numerical normal matrix of all unknowns and the plate's pose."""
    half = 0.5 * float(np.ptp(points, axis=0).max())
    bends = shape_columns(points, half)

    def pixels(change):
        rig, pose = change[:-6] * free.scales, change[-6:]
        bent = points + bends @ rig[free.shape_slice()] if free.shapes else points
        at = bent @ (rotation_matrix(pose[:3]) @ ROTATION).T + SHIFT + pose[3:]
        out = []
        for k in range(BENT.count):
            lens = BENT.lenses[k].copy()
            lens[free.lens_columns] += rig[free.lens_slice(k)]
            turn, shift = BENT.rotations[k], BENT.translations_mm[k]
            if k:
                by = rig[free.pose_slice(k)]
                turn, shift = rotation_matrix(by[:3]) @ turn, shift + by[3:]
            out.append(project(lens, at @ turn.T + shift) * np.sqrt(weights[k])[:, None])
        return np.concatenate(out).ravel()

    total = free.count + 6
    steps = np.r_[np.full(free.count, 1e-5), np.full(3, 1e-6), np.full(3, 1e-3)]
    slopes = [(pixels(s * e) - pixels(-s * e)) / (2 * s) for s, e in zip(steps, np.eye(total), strict=True)]
    jacobian = np.stack(slopes, axis=1)
    normal = jacobian.T @ jacobian
    a, b, c = normal[:-6, :-6], normal[:-6, -6:], normal[-6:, -6:]
    return a - b @ np.linalg.solve(c, b.T)


@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize("order", ["k1 k2", "k1 k2 k3 p1 p2"])
def test_a_view_adds_the_schur_complement(order, bent):
    free = unknowns(BENT, 700.0, order, plate_mm=91.0 if bent else 0.0)
    rng = np.random.default_rng(4)
    weights = rng.uniform(0.0, 400.0, (2, len(SCENE.spread_mm))) * (rng.random((2, 25)) > 0.2)
    made = view_information(
        BENT, free, SCENE.spread_mm, ROTATION[None], SHIFT[None], weights=weights[None]
    )[0]
    expected = brute(free, SCENE.spread_mm, weights)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(made / scale, expected / scale, atol=2e-5)


def test_twenty_five_points_stand_for_all_140():
    """Gains counted with 5 x 5 points are within 4 % of those with every dot."""
    options = wishes(SCENE)
    rotation, shift = SCENE.rig_poses(options.rotations_bench, options.middles_bench_mm)
    every = view_information(
        SCENE.cameras, SCENE.free, SCENE.dots_mm, rotation, shift,
        weights=np.full((len(rotation), 2, len(SCENE.dots_mm)), 1 / 0.05**2),
    )
    kept = np.arange(0, len(rotation), 29)
    one = np.eye(SCENE.free.count)
    by_few = gains(SCENE, one + options.added[kept].sum(axis=0), options.added)
    by_every = gains(SCENE, one + every[kept].sum(axis=0), every)
    np.testing.assert_allclose(by_few, by_every, rtol=0.04)


def test_a_view_that_nobody_sees_adds_nothing():
    away = SCENE.rig_pose(np.eye(3), np.array([5000.0, 0.0, 0.0]))
    assert np.abs(SCENE.known([away]) - np.eye(SCENE.free.count)).max() < 1e-6


def test_cameras_without_a_size_are_refused():
    lens = lens_of(SCENE.cameras.lenses[0], (0, 0))
    with pytest.raises(ValueError, match="size"):
        Cameras.of(["a"], [lens], [pose_of(np.eye(3), np.zeros(3))])
