"""The recheck by a still scene, from numbers alone: marks on an uneven specimen, cameras that move."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from holdstill.geometry import compose, matrices, project, rotation_matrix
from holdstill.records import DriftResult, Estimate, Nothing, Pose
from holdstill.records.scene import NoiseFloor, SceneMarks, SceneReference, SceneShift
from holdstill.solve import floor_meaning, recheck_scene, solve
from solve.sighting_rigs import CENTRE, DOTS, REFERENCE, SIZE, Truth, plate_poses, views_of

SIGMA = 0.02
STILL = Pose((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


@lru_cache
def calibrated() -> Estimate:
    rng = np.random.default_rng(8)
    found = solve(DOTS, REFERENCE, views_of(Truth(), plate_poses(rng, 16), rng), cameras=("left", "right"))
    assert isinstance(found, Estimate)
    return found


def specimen(rng: np.random.Generator) -> np.ndarray:
    """Marks on a tube of 40 mm radius before a wall 150 mm behind."""
    x, y = rng.uniform(-90, 90, (2, 100))
    z = np.where(np.abs(x) < 35, 40.0 - np.sqrt(np.maximum(1600.0 - x**2, 0.0)), 150.0)
    return np.stack([x, y, z], axis=1) + CENTRE


def scene(
    rng: np.random.Generator, *, knocks: tuple[Pose, Pose] = (STILL, STILL), moved: Pose = STILL,
    shots: int = 1, shake_px: float = 0.0, replaced: float = 0.0,
) -> tuple[SceneReference, list[dict[str, SceneShift]]]:
    """Reference and later shots; `knocks` move the cameras, `moved` the scene, in the rig frame about the
    crossing; `shake_px`: each picture's own unrest; `replaced`: share of marks that follow something else."""
    truth, points = Truth(), specimen(rng)
    r, t = matrices(moved)
    after = (points - CENTRE) @ r.T + t + CENTRE
    marks, floors, seen = {}, {}, [{} for _ in range(shots)]
    for c, name in enumerate(truth.names):
        pose = truth.poses[c]
        new = compose(knocks[c], pose)
        at = [project(truth.lenses[c], p @ matrices(q)[0].T + matrices(q)[1])
              for p, q in ((points, pose), (after, new))]
        marks[name] = SceneMarks(name, SIZE, at[0], np.full((len(points), 2), SIGMA), 31)
        floors[name] = NoiseFloor(name, 10, len(points), 31, SIGMA / np.sqrt(2), SIGMA / np.sqrt(2),
                                  float(np.hypot(shake_px, SIGMA / np.sqrt(2 * len(points)))))
        for shot in seen:
            shift = at[1] - at[0] + rng.normal(0, SIGMA, at[0].shape) + rng.normal(0, shake_px, 2)
            odd = rng.random(len(points)) < replaced
            shift[odd] += rng.normal(0, 2.0, (int(odd.sum()), 2))
            shift[rng.random(len(points)) < 0.1] = np.nan
            shot[name] = SceneShift(name, shift, marks[name].sigmas_px, 0.98)
    return SceneReference("specimen", {}, marks, floors), seen


def turned(degrees: float, axis: tuple[float, float, float] = (0.6, 0.7, 0.2)) -> Pose:
    return Pose.of(np.radians(degrees) * np.array(axis) / np.linalg.norm(axis), np.zeros(3))


def checked(reference: SceneReference, seen: list[dict[str, SceneShift]]) -> DriftResult:
    found = recheck_scene(REFERENCE, calibrated(), reference, seen)
    assert isinstance(found, DriftResult)
    return found


def test_an_untouched_rig_stays_quiet() -> None:
    rng = np.random.default_rng(1)
    found = [checked(*scene(rng)) for _ in range(40)]
    assert not any(f.moved for f in found)
    assert max(f.significance for f in found) < 3.6
    assert all(f.reasons == ("unmoved",) for f in found)


@pytest.mark.parametrize("which", [0, 1])
def test_the_camera_that_was_knocked_is_named(which: int) -> None:
    rng = np.random.default_rng(2)
    for degrees in (0.005, 0.02, 0.1):
        knocks = (turned(degrees), STILL) if which == 0 else (STILL, turned(degrees))
        found = checked(*scene(rng, knocks=knocks, replaced=0.1))
        assert found.moved
        assert found.camera == ("left", "right")[which]
        assert found.turn_deg == pytest.approx(degrees, rel=0.25)
        assert found.matters
        assert found.shift_px == pytest.approx(np.radians(degrees) * 7250 * 0.97, rel=0.3)
        if which == 1:
            true = compose(turned(degrees), calibrated().cameras[1].pose_cam_from_rig)
            gap = matrices(found.refit)[0] @ matrices(true)[0].T  # type: ignore[arg-type]
            assert np.abs(gap - np.eye(3)).max() < 0.25 * np.radians(degrees)


def test_both_knocked_names_neither_and_a_moved_scene_is_none_of_them() -> None:
    rng = np.random.default_rng(3)
    both = checked(*scene(rng, knocks=(turned(0.02), turned(0.03, (-1, 0.3, 0)))))
    assert both.moved
    assert both.camera is None
    slid = Pose.of(np.radians([0.02, -0.03, 0.05]), np.array([0.05, -0.1, 0.04]))
    whole = checked(*scene(rng, moved=slid, shots=2))
    assert not whole.moved
    assert whole.reasons == ("scene moved as a whole",)


def test_a_camera_that_shakes_is_not_called_moved_for_it() -> None:
    rng = np.random.default_rng(4)
    found = [checked(*scene(rng, shake_px=0.15)) for _ in range(30)]
    assert not any(f.moved for f in found)
    knocked = checked(*scene(rng, shake_px=0.15, knocks=(STILL, turned(0.05)), shots=3))
    assert knocked.moved


def test_what_the_noise_floor_means_here() -> None:
    reference, _ = scene(np.random.default_rng(5))
    told = floor_meaning(REFERENCE, calibrated(), reference.floors)
    assert told is not None
    # One pixel is 700 / 7250 mm; two cameras halve the variance in the plane; a displacement is a difference.
    one = 1000.0 * SIGMA / np.sqrt(2) * 700 / 7250
    assert told.in_plane_um == pytest.approx(one, rel=0.04)
    assert told.out_of_plane_um == pytest.approx(one / np.tan(np.radians(10.0)), rel=0.05)
    assert told.strain_um_per_m == pytest.approx(1000 * np.sqrt(2) * told.in_plane_um / told.gauge_mm)


def test_one_camera_says_only_that_its_picture_moved() -> None:
    reference, seen = scene(np.random.default_rng(6), knocks=(STILL, turned(0.05)))
    only = [{"right": s["right"]} for s in seen]
    found = recheck_scene(REFERENCE, calibrated(), reference, only)
    assert isinstance(found, DriftResult)
    assert found.moved
    assert found.reasons == ("camera or scene moved",)
    assert isinstance(recheck_scene(REFERENCE, calibrated(), reference, []), Nothing)


def test_a_turn_is_a_left_turn_of_the_camera() -> None:
    """The refit is what the rig file would hold: x_cam = R x_rig + t after the knock."""
    rng = np.random.default_rng(7)
    knock = turned(0.05, (0.0, 1.0, 0.0))
    found = checked(*scene(rng, knocks=(STILL, knock)))
    assert found.refit is not None
    old = matrices(calibrated().cameras[1].pose_cam_from_rig)[0]
    assert np.allclose(matrices(found.refit)[0], rotation_matrix(np.array(knock.rotation_vector_rad)) @ old,
                       atol=3e-5)
    assert replace(found, refit=None).moved
