"""From pictures to a rig: the eye and the solve on the drawn sample frames, whose truth is known."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from holdstill import target
from holdstill.geometry import lens_parameters, matrices, rotation_vector
from holdstill.records import Estimate, Lens, Pose, Rig, Sighting, View
from holdstill.solve import prove, solve
from holdstill.solve.volume import measuring_volume, quantity_rows

FOLDER = Path(__file__).resolve().parents[2] / "sample_frames"


@pytest.fixture(scope="module")
def truth() -> tuple[list[Lens], list[Pose]]:
    lenses, poses = [], []
    for camera in json.loads((FOLDER / "truth.json").read_text())["cameras"]:
        d, pose = camera["distortion"], camera["pose_cam_from_rig"]
        pinhole = (camera[name] for name in ("fx", "fy", "cx", "cy"))
        terms = (d[name] for name in ("k1", "k2", "p1", "p2", "k3"))
        lenses.append(Lens(*pinhole, *terms, tuple(camera["size_px"])))
        poses.append(Pose(tuple(pose["rotation_vector_rad"]), tuple(pose["translation_mm"])))
    return lenses, poses


def test_the_rig_behind_the_pictures_comes_out(truth: tuple[list[Lens], list[Pose]]) -> None:
    plate = target.parse("dots 14x10 12mm d6mm bright")
    views = []
    for number in range(1, 15):
        seen = {}
        for camera in ("left", "right"):
            path = FOLDER / "good" / f"fork_{camera}_{number:03d}.png"
            picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
            found = target.find(np.asarray(picture), plate, camera=camera, full_scale=255)
            if isinstance(found, Sighting):
                seen[camera] = found
        views.append(View(number, f"{number:03d}", 0.0, seen))
    estimate = solve(plate, Rig(), views, cameras=("left", "right"))
    assert isinstance(estimate, Estimate)
    assert len(estimate.used_view_ids) >= 13
    assert estimate.rms_px < 0.01

    lenses, poses = truth
    r, t = matrices(estimate.cameras[1].pose_cam_from_rig)
    true_r, true_t = matrices(poses[1])
    error = np.concatenate([
        *(lens_parameters(c.lens) - lens_parameters(lens)
          for c, lens in zip(estimate.cameras, lenses, strict=True)),
        np.zeros(6), rotation_vector(r @ true_r.T), t - true_t,
    ])
    seen_mm = np.array([v.pose_rig_from_plate.translation_mm for v in estimate.views])
    volume = measuring_volume(Rig(), poses, seen_mm)
    shown = {q.name: q for q in estimate.quantities}
    for q in quantity_rows(lenses, poses, volume):
        true = float(np.sqrt(np.mean(((q.rows @ error) ** 2).sum(axis=1))))
        # Three of what is shown is chance; what is far below the goal may also be the drawing's grain.
        assert true < max(3.0 * shown[q.name].value, 0.15 * shown[q.name].goal), q.name
    proof = prove(plate, Rig(), estimate, views)
    assert proof
    assert proof.passed, proof
