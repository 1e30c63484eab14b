"""Calibration files that OpenCV's FileStorage reads: YAML and JSON with the same keys.

Keys, counting cameras from 1 in the order of ``cameras``: ``M1`` camera matrix (3x3, px), ``D1``
distortion (1x5: k1, k2, p1, p2, k3), ``image_size1`` (width, height); ``R1_rig``, ``T1_rig`` pose
of the camera in the rig frame (x_cam = R x_rig + T, mm).  With two or more cameras ``R`` and ``T``
are those of camera 2 from camera 1 and ``E``, ``F`` the essential and fundamental matrix of that
pair.  Form: OpenCV documentation, "File Input and Output using XML / YAML / JSON files".
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from holdstill.geometry import essential_matrix, matrices
from holdstill.records import FloatArray

from .facts import Facts, rotation_and_shift, when


def entries(facts: Facts) -> dict[str, Any]:
    """Key -> number, text, list of text, or array; the content of both forms."""
    estimate = facts.estimate
    out: dict[str, Any] = {
        "written_by": f"holdstill {facts.versions['holdstill']}",
        "written_at": when(facts.made_at_ms),
        "session": facts.opened.name,
        "verdict": facts.verdict.state.value,
        "target": facts.plate_words,
        "length_unit": "mm",
        "cameras": list(facts.cameras),
        "rms_px": estimate.rms_px,
    }
    for number, camera in enumerate(estimate.cameras, 1):
        rotation, shift = rotation_and_shift(facts, camera.name)
        out[f"M{number}"] = camera.lens.matrix()
        out[f"D{number}"] = camera.lens.distortion().reshape(1, 5)
        out[f"image_size{number}"] = np.array([camera.lens.size_px], dtype=np.int32)
        out[f"R{number}_rig"] = rotation
        out[f"T{number}_rig"] = shift.reshape(3, 1)
    if estimate.pairs:
        pair = estimate.pairs[0]
        lenses = {c.name: c.lens for c in estimate.cameras}
        rotation, shift = matrices(pair.pose_b_from_a)
        essential = essential_matrix(pair.pose_b_from_a)
        first, second = (np.linalg.inv(lenses[c].matrix()) for c in pair.cameras)
        fundamental = second.T @ essential @ first
        out["R"], out["T"] = rotation, shift.reshape(3, 1)
        out["E"], out["F"] = essential, fundamental / np.linalg.norm(fundamental)
    return out


def opencv_yaml(facts: Facts) -> str:
    """The YAML form."""
    lines = ["%YAML:1.0", "---"]
    for key, value in entries(facts).items():
        if isinstance(value, np.ndarray):
            numbers = ", ".join(_number(v) for v in value.ravel())
            lines += [
                f"{key}: !!opencv-matrix",
                f"   rows: {value.shape[0]}",
                f"   cols: {value.shape[1]}",
                f"   dt: {_letter(value)}",
                f"   data: [ {numbers} ]",
            ]
        elif isinstance(value, list):
            lines.append(f"{key}: [ {', '.join(_text(v) for v in value)} ]")
        else:
            lines.append(f"{key}: {_text(value) if isinstance(value, str) else _number(value)}")
    return "\n".join(lines) + "\n"


def opencv_json(facts: Facts) -> str:
    """The JSON form."""
    out: dict[str, Any] = {}
    for key, value in entries(facts).items():
        if isinstance(value, np.ndarray):
            out[key] = {
                "type_id": "opencv-matrix",
                "rows": value.shape[0],
                "cols": value.shape[1],
                "dt": _letter(value),
                "data": value.ravel().tolist(),
            }
        else:
            out[key] = [_plain(v) for v in value] if isinstance(value, list) else _plain(value)
    return json.dumps(out, indent=4, allow_nan=False) + "\n"


def _letter(array: FloatArray) -> str:
    return "i" if array.dtype.kind == "i" else "d"


def _number(value: Any) -> str:
    """Shortest text that reads back as the same number; whole floats end in a dot, as OpenCV writes."""
    if isinstance(value, int | np.integer):
        return str(int(value))
    text = repr(float(value))
    return text[:-1] if text.endswith(".0") else text


def _plain(value: Any) -> Any:
    """Text that FileStorage's parsers take: no control characters; other values as they are."""
    return _printable(value) if isinstance(value, str) else value


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _text(value: str) -> str:
    return '"' + _printable(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
