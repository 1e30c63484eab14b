"""Dots of the sample frames against their truth, projected by OpenCV: light from one side, clipped dots."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from holdstill import target
from holdstill.records import DotFlag, Sighting

FRAMES = Path(__file__).parents[2] / "sample_frames"
PLATE = target.parse("dots 14x10 12mm d6mm bright")
TRUTH = json.loads((FRAMES / "truth.json").read_text("utf-8"))
GOOD = [s for s in TRUTH["shots"] if s["folder"] == "good"]


def true_points(shot: dict, camera: dict) -> np.ndarray:
    pose, seen = shot["pose_rig_from_plate"], camera["pose_cam_from_rig"]
    turn, _ = cv2.Rodrigues(np.array(pose["rotation_vector_rad"]))
    points = PLATE.points_mm() @ turn.T + np.array(pose["translation_mm"])
    lens = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1.0]])
    bent = np.array([camera["distortion"][k] for k in ("k1", "k2", "p1", "p2", "k3")])
    r, t = (np.array(seen[k]) for k in ("rotation_vector_rad", "translation_mm"))
    return cv2.projectPoints(points, r, t, lens, bent)[0].reshape(-1, 2)


@pytest.mark.parametrize("shot", GOOD, ids=lambda s: str(s["number"]))
@pytest.mark.parametrize("camera", TRUTH["cameras"], ids=lambda c: c["name"])
def test_dots_are_where_they_are_and_as_sure_as_told(shot: dict, camera: dict) -> None:
    path = FRAMES / "good" / f"fork_{camera['name']}_{shot['number']:03d}.png"
    image = np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), np.uint8)
    seen = target.find(image, PLATE, camera=camera["name"], full_scale=255)
    assert isinstance(seen, Sighting)
    truth = true_points(shot, camera)
    if np.abs(seen.points_px - truth[seen.point_ids]).max() > 3:
        seen = target.half_turn(seen, PLATE)
    plain = (seen.flags & DotFlag.SUSPECT) == 0
    assert plain.sum() >= 128
    error = (seen.points_px - truth[seen.point_ids])[plain]
    assert np.abs(error.mean(axis=0)).max() < 0.0015
    assert np.sqrt(((error / seen.sigmas_px[plain, None]) ** 2).mean()) < 1.25
