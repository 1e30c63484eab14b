"""Camera files in the form of ROS ``camera_info`` YAML, one a camera.

Form: ROS documentation of ``sensor_msgs/CameraInfo`` and of camera_calibration_parsers (fields
image_width ... projection_matrix, ``plumb_bob`` distortion k1, k2, p1, p2, k3).  For pairs the
rectification turns both cameras so that rows match: x along the baseline, z the mean of the optical
axes made square to it (Fusiello, Trucco & Verri, Machine Vision and Applications 12 (2000) 16-22,
from memory).  ``projection_matrix`` column 4 of the second camera is -f * baseline, in metres.
"""

from __future__ import annotations

import json

import numpy as np

from holdstill.geometry import matrices
from holdstill.records import FloatArray, Lens

from .facts import Facts, file_names


def rectification(facts: Facts) -> dict[str, tuple[FloatArray, FloatArray]]:
    """camera -> (R (3, 3), P (3, 4)): rows of the first pair matched; others as they are."""
    estimate = facts.estimate
    out = {}
    for camera in estimate.cameras:
        plain = np.hstack([camera.lens.matrix(), np.zeros((3, 1))])
        out[camera.name] = (np.eye(3), plain)
    if not estimate.pairs:
        return out
    pair = estimate.pairs[0]
    rotation, shift = matrices(pair.pose_b_from_a)
    pupil_b_in_a = -rotation.T @ shift
    across = pupil_b_in_a / np.linalg.norm(pupil_b_in_a)
    across = across * np.sign(across[np.argmax(np.abs(across[:2]))])
    mean_axis = np.array([0.0, 0.0, 1.0]) + rotation[2]
    away = mean_axis - across * (mean_axis @ across)
    away /= np.linalg.norm(away)
    turn_a = np.stack([across, np.cross(away, across), away])
    turns = {pair.cameras[0]: turn_a, pair.cameras[1]: turn_a @ rotation.T}
    lenses: dict[str, Lens] = {c.name: c.lens for c in estimate.cameras if c.name in pair.cameras}
    focal = min(min(lens.fx, lens.fy) for lens in lenses.values())
    centres = {c: _centre(lenses[c], turns[c], focal) for c in pair.cameras}
    row = float(np.mean([centre[1] for centre in centres.values()]))
    span_m = float(across @ pupil_b_in_a) / 1000.0
    for name in pair.cameras:
        projection = np.zeros((3, 4))
        projection[0, 0] = projection[1, 1] = focal
        projection[:2, 2] = centres[name][0], row
        projection[2, 2] = 1.0
        projection[0, 3] = 0.0 if name == pair.cameras[0] else -focal * span_m
        out[name] = (turns[name], projection)
    return out


def _centre(lens: Lens, turn: FloatArray, focal: float) -> tuple[float, float]:
    """Principal point of the rectified picture that leaves the picture's middle in the middle."""
    width, height = lens.size_px
    middle = np.array([(width - 1) / 2, (height - 1) / 2, 1.0])
    seen = turn @ np.linalg.solve(lens.matrix(), middle)
    return middle[0] - focal * seen[0] / seen[2], middle[1] - focal * seen[1] / seen[2]


def ros_yaml(facts: Facts) -> dict[str, str]:
    """camera -> the text of its file."""
    out, rectified, names = {}, rectification(facts), file_names(facts.cameras)
    for camera in facts.estimate.cameras:
        turn, projection = rectified[camera.name]
        width, height = camera.lens.size_px
        lines = [
            f"image_width: {width}",
            f"image_height: {height}",
            f"camera_name: {json.dumps(names[camera.name])}",
            *_matrix("camera_matrix", camera.lens.matrix()),
            "distortion_model: plumb_bob",
            *_matrix("distortion_coefficients", camera.lens.distortion().reshape(1, 5)),
            *_matrix("rectification_matrix", turn),
            *_matrix("projection_matrix", projection),
        ]
        out[camera.name] = "\n".join(lines) + "\n"
    return out


def _matrix(name: str, values: FloatArray) -> list[str]:
    rows, columns = values.shape
    numbers = ", ".join(_number(v) for v in values.ravel())
    return [f"{name}:", f"  rows: {rows}", f"  cols: {columns}", f"  data: [{numbers}]"]


def _number(value: float) -> str:
    """A float that every YAML reader takes for one: ``1e-05`` needs its dot."""
    text = repr(float(value))
    if "e" in text and "." not in text:
        text = text.replace("e", ".0e")
    return text
