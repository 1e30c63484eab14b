"""Against ``cv2.calibrateCamera`` and ``cv2.stereoCalibrate`` on the same sightings.

OpenCV gives every point the same weight and always solves all five distortion terms unless told.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from holdstill.geometry import lens_parameters, matrices, rotation_vector
from holdstill.records import Estimate, Lens, Pose
from holdstill.solve import solve
from solve.monte_carlo import true_rows
from solve.opencv_peer import calibrate
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of


def error_of(truth: Truth, lenses: tuple[Lens, ...], pose: Pose) -> np.ndarray:
    r, t = matrices(pose)
    tr, tt = matrices(truth.poses[1])
    lens = [lens_parameters(a) - lens_parameters(b) for a, b in zip(lenses, truth.lenses, strict=True)]
    return np.concatenate([*lens, np.zeros(6), rotation_vector(r @ tr.T), t - tt])


def test_same_model_same_points_same_answer() -> None:
    """All points seen by both cameras, equal sigmas, same distortion terms: one least-squares problem."""
    rng = np.random.default_rng(4)
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12, spread_mm=15.0, depth_mm=20.0), rng)
    views = [v for v in views if all(len(s.point_ids) == 140 for s in v.sightings.values())]
    assert len(views) >= 6
    found = solve(DOTS, REFERENCE, views, cameras=truth.names, lens_order="k1 k2 k3 p1 p2")
    peer = calibrate(DOTS, views, truth.names)
    assert isinstance(found, Estimate)
    assert found.rms_px == pytest.approx(peer.rms_px, rel=1e-4)
    for ours, theirs in zip(found.cameras, peer.lenses, strict=True):
        assert abs(ours.lens.fx - theirs.fx) < 0.05 * ours.sigmas[0]
        assert abs(ours.lens.cx - theirs.cx) < 0.05 * ours.sigmas[2]
    theirs_mm = float(np.linalg.norm(peer.pose_b_from_a.translation_mm))
    assert found.pairs[0].baseline_mm == pytest.approx(theirs_mm, abs=0.003)


@pytest.mark.parametrize("correlated", [0.0, 0.5])
def test_never_less_accurate_over_the_measuring_volume(correlated: float) -> None:
    truth, rows = Truth(), true_rows(Truth())
    ours: dict[str, list[float]] = {q.name: [] for q in rows}
    theirs: dict[str, list[float]] = {q.name: [] for q in rows}
    for seed in range(10):
        rng = np.random.default_rng(seed)
        views = views_of(truth, plate_poses(rng, 14), rng, correlated=correlated)
        found = solve(DOTS, REFERENCE, views, cameras=truth.names)
        peer = calibrate(DOTS, views, truth.names)
        assert isinstance(found, Estimate)
        mine = error_of(truth, tuple(c.lens for c in found.cameras), found.pairs[0].pose_b_from_a)
        other = error_of(truth, peer.lenses, peer.pose_b_from_a)
        for q in rows:
            ours[q.name].append(float(np.mean(((q.rows @ mine) ** 2).sum(axis=1))))
            theirs[q.name].append(float(np.mean(((q.rows @ other) ** 2).sum(axis=1))))
    for name, squares in ours.items():
        assert np.sqrt(np.mean(squares)) <= 1.02 * np.sqrt(np.mean(theirs[name])), (name, cv2.__version__)
