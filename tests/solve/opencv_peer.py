"""OpenCV's own calibration of the same sightings: the peer for accuracy and time."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from holdstill.geometry import pose_of
from holdstill.records import Lens, Plate, Pose, View


@dataclass
class Peer:
    rms_px: float
    mono_rms_px: tuple[float, float]
    lenses: tuple[Lens, Lens]
    pose_b_from_a: Pose


def calibrate(plate: Plate, views: list[View], cameras: tuple[str, str], *, k3: bool = True) -> Peer:
    """``calibrateCamera`` twice, then ``stereoCalibrate`` with everything refined."""
    flags = 0 if k3 else cv2.CALIB_FIX_K3
    points = plate.points_mm().astype(np.float32)
    own, size = [], views[0].sightings[cameras[0]].image_size_px
    for name in cameras:
        seen = [v.sightings[name] for v in views if name in v.sightings]
        own.append(cv2.calibrateCamera(
            [points[s.point_ids] for s in seen], [s.points_px.astype(np.float32) for s in seen],
            size, None, None, flags=flags))
    objects, first, second = [], [], []
    for view in views:
        if not all(name in view.sightings for name in cameras):
            continue
        a, b = (view.sightings[name] for name in cameras)
        ids = np.intersect1d(a.point_ids, b.point_ids)
        if len(ids) < 8:
            continue
        objects.append(points[ids])
        first.append(a.points_px[np.isin(a.point_ids, ids)].astype(np.float32))
        second.append(b.points_px[np.isin(b.point_ids, ids)].astype(np.float32))
    found = cv2.stereoCalibrate(
        objects, first, second, own[0][1], own[0][2], own[1][1], own[1][2], size,
        flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS)
    lenses = []
    for matrix, distortion in ((found[1], found[2]), (found[3], found[4])):
        k1, k2, p1, p2, third = (float(v) for v in np.ravel(distortion)[:5])
        fx, fy, cx, cy = matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]
        lenses.append(Lens(fx, fy, cx, cy, k1, k2, p1, p2, third, size))
    pose = pose_of(found[5], found[6].ravel())
    return Peer(found[0], (own[0][0], own[1][0]), (lenses[0], lenses[1]), pose)
