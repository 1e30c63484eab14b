"""Proof on views the solve never saw, and recheck after the cameras were touched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.geometry import compose
from holdstill.records import DriftResult, Estimate, Nothing, Pose, ProofResult
from holdstill.solve import prove, recheck, solve
from solve.sighting_rigs import DOTS, LENSES, REFERENCE, Truth, plate_poses, views_of


@pytest.fixture(scope="module")
def calibrated() -> tuple[Estimate, list, list]:
    rng = np.random.default_rng(21)
    truth, poses = Truth(), plate_poses(rng, 14)
    views = views_of(truth, poses, rng)
    found = solve(DOTS, REFERENCE, views, cameras=truth.names)
    assert isinstance(found, Estimate)
    return found, views, poses


def later(truth: Truth, seed: int, count: int = 2) -> list:
    rng = np.random.default_rng(seed)
    return views_of(truth, plate_poses(rng, count), rng, first_id=100)


def test_good_unused_views_pass(calibrated: tuple) -> None:
    estimate, views, _ = calibrated
    proof = [replace(v, proof=True) for v in later(Truth(), 1, 4)]
    found = prove(DOTS, REFERENCE, estimate, [*views, *proof])
    assert isinstance(found, ProofResult)
    assert found.method == "unused views"
    assert found.view_ids == (100, 101, 102, 103)
    assert found.passed
    assert found.reprojection_rms_px == pytest.approx(0.05 * np.sqrt(2), rel=0.06)
    assert found.epipolar_rms_px == pytest.approx(0.05 * np.sqrt(2), rel=0.1)
    assert found.length_count > 100
    assert found.length_max_um is not None
    assert found.length_rms_um is not None
    assert found.length_rms_um < found.length_max_um < 60.0


@pytest.mark.parametrize(("goal_px", "held"), [(0.06, True), (0.01, False)])
def test_noisier_views_fail_the_proof_only_where_a_goal_would_notice(
    calibrated: tuple, goal_px: float, held: bool
) -> None:
    """A very quiet solve (0.04 px) followed by views of 0.07 px: 1.5 times is passed either way."""
    estimate, views, _ = calibrated
    goals = tuple(replace(q, goal=goal_px) if q.name == "epipolar_px" else q for q in estimate.quantities)
    quiet = replace(estimate, rms_px=0.04, quantities=goals)
    found = prove(DOTS, REFERENCE, quiet, [*views, *(replace(v, proof=True) for v in later(Truth(), 1, 4))])
    assert isinstance(found, ProofResult)
    assert found.reprojection_rms_px > 1.5 * quiet.rms_px
    assert ("reprojection" not in found.reasons) is held
    assert found.passed is held


def test_without_proof_views_the_used_ones_are_held_out_in_folds(calibrated: tuple) -> None:
    estimate, views, _ = calibrated
    found = prove(DOTS, REFERENCE, estimate, views)
    assert isinstance(found, ProofResult)
    assert found.method == "k-fold"
    assert sorted(found.view_ids) == list(range(1, 15))
    assert found.passed


@pytest.mark.parametrize("defect", ["moved", "refocused", "smaller plate"])
def test_a_calibration_that_no_longer_holds_does_not_pass(calibrated: tuple, defect: str) -> None:
    estimate, _, _ = calibrated
    truth = Truth()
    if defect == "moved":
        truth = replace(truth, poses=[truth.poses[0], compose(Pose((1e-4, 0, 0), (0, 0, 0)), truth.poses[1])])
    elif defect == "refocused":
        truth = replace(truth, lenses=(LENSES[0], replace(LENSES[1], fx=7290.0, fy=7291.0)))
    else:
        truth = replace(truth, plate=replace(DOTS, pitch_mm=13.98))
    found = prove(DOTS, REFERENCE, estimate, [replace(v, proof=True) for v in later(truth, 2, 4)])
    assert isinstance(found, ProofResult)
    assert not found.passed
    assert found.reasons


def test_no_views_no_proof(calibrated: tuple) -> None:
    estimate, views, _ = calibrated
    assert isinstance(prove(DOTS, REFERENCE, estimate, []), Nothing)
    empty = [replace(v, sightings={}, proof=True) for v in views[:2]]
    assert isinstance(prove(DOTS, REFERENCE, estimate, empty), Nothing)


def test_untouched_cameras_are_called_unmoved(calibrated: tuple) -> None:
    estimate, _, _ = calibrated
    for seed in range(12):
        found = recheck(DOTS, REFERENCE, estimate, later(Truth(), 50 + seed, 1 + seed % 3))
        assert isinstance(found, DriftResult)
        assert not found.moved
        assert found.significance < 3.5


@pytest.mark.parametrize("pixels", [0.05, 0.5, 5.0])
def test_a_knock_is_found_and_measured(calibrated: tuple, pixels: float) -> None:
    estimate, _, _ = calibrated
    angle = pixels / 7250.0
    truth = Truth()
    knock = compose(Pose((angle, 0.0, 0.0), (0.0, 0.0, 0.0)), truth.poses[1])
    truth = replace(truth, poses=[truth.poses[0], knock])
    found = recheck(DOTS, REFERENCE, estimate, later(truth, 7, 3))
    assert isinstance(found, DriftResult)
    assert found.moved
    assert found.matters
    assert found.significance > 4.0
    assert found.shift_px == pytest.approx(pixels, rel=0.5, abs=0.04)
    assert found.refit is not None
    if pixels >= 0.5:
        assert found.turn_deg == pytest.approx(np.degrees(angle), rel=0.6)
        # With the refit the same views fit again.
        second = replace(estimate.cameras[1], pose_cam_from_rig=found.refit)
        mended = replace(estimate, cameras=(estimate.cameras[0], second))
        assert not recheck(DOTS, REFERENCE, mended, later(truth, 8, 2)).moved


def test_a_clamped_plate_tells_which_camera_moved(calibrated: tuple) -> None:
    """The plate stands where a kept view saw it; only one picture has changed."""
    estimate, _, poses = calibrated
    for camera in (0, 1):
        truth = Truth()
        moved = list(truth.poses)
        moved[camera] = compose(Pose((2e-4, 3e-4, 0.0), (0.0, 0.0, 0.0)), moved[camera])
        views = views_of(replace(truth, poses=moved), [poses[3]], np.random.default_rng(5), first_id=100)
        found = recheck(DOTS, REFERENCE, estimate, views)
        assert isinstance(found, DriftResult)
        assert found.moved
        assert found.camera == ("left", "right")[camera]
        assert "camera moved" in found.reasons


def test_a_hand_held_plate_tells_only_that_they_moved_against_each_other(calibrated: tuple) -> None:
    estimate, _, _ = calibrated
    truth = Truth()
    knock = compose(Pose((3e-4, 0.0, 0.0), (0.0, 0.0, 0.0)), truth.poses[1])
    found = recheck(DOTS, REFERENCE, estimate, later(replace(truth, poses=[truth.poses[0], knock]), 9))
    assert isinstance(found, DriftResult)
    assert found.camera is None
    assert "cameras moved against each other" in found.reasons
