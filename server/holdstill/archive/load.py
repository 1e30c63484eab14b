"""A calibration read back from the plain JSON that a hand-over writes."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from holdstill.errors import BadInput
from holdstill.geometry import rotation_matrix
from holdstill.records import CameraEstimate, FloatArray, Lens, PairEstimate, Pose

from .facts import told
from .plain_files import FORM, FORM_VERSION

_MOST_BYTES = 256 << 20


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What other programs need of a calibration: cameras, pairs, covariance (p, p) and its names."""

    spec: str
    cameras: tuple[CameraEstimate, ...]
    pairs: tuple[PairEstimate, ...]
    parameter_names: tuple[str, ...]
    covariance: FloatArray
    rms_px: float
    verdict: str


def load_calibration(path: Path) -> Calibration:
    """The calibration in a ``calibration.json``. Raises BadInput, naming what does not hold, for a
    file that is missing, something else, or was changed by hand into something impossible."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise BadInput(told("load.too-large", path=str(path)))
        content = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise BadInput(told("load.missing", path=str(path))) from None
    except OSError as trouble:
        raise BadInput(told("load.unreadable", path=str(path), reason=trouble.strerror or "")) from None
    except (ValueError, RecursionError) as trouble:
        raise BadInput(told("load.not-json", path=str(path), reason=str(trouble)[:200])) from None
    if not isinstance(content, dict) or content.get("form") != FORM:
        raise BadInput(told("load.other-form", path=str(path)))
    if content.get("form_version") != FORM_VERSION:
        version = str(content.get("form_version"))
        raise BadInput(told("load.newer", path=str(path), got=version, known=FORM_VERSION))
    try:
        return _calibration(content)
    except _Impossible as trouble:
        raise BadInput(told("load.impossible", path=str(path), what=str(trouble))) from None
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as trouble:
        reason = f"{type(trouble).__name__}: {trouble}"
        raise BadInput(told("load.impossible", path=str(path), what=reason[:200])) from None


class _Impossible(Exception):
    """What a changed file claims and can't be."""


def _calibration(content: dict[str, Any]) -> Calibration:
    cameras = tuple(_camera(c) for c in content["cameras"])
    names = [c.name for c in cameras]
    if not cameras or len(set(names)) != len(names):
        raise _Impossible(f"cameras {names}")
    pairs = tuple(_pair(p, names) for p in content["pairs"])
    parameters = tuple(str(n) for n in content["parameter_names"])
    covariance = np.array(content["covariance"], dtype=np.float64).reshape(-1, len(parameters) or 1)
    if covariance.shape != (len(parameters), len(parameters)):
        raise _Impossible(f"covariance of shape {covariance.shape} for {len(parameters)} parameters")
    return Calibration(
        str(content["target"]["spec"]), cameras, pairs, parameters, covariance,
        _number(content["solve"]["rms_px"], "rms_px"), str(content["verdict"]["state"]),
    )  # fmt: skip


def _number(value: Any, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _Impossible(f"{what} is {value!r}, not a number")
    return float(value)


def _camera(c: dict[str, Any]) -> CameraEstimate:
    name = str(c["name"])
    width, height = (int(_number(v, f"image_size_px of {name}")) for v in c["image_size_px"])
    numbers = {k: _number(c[k], f"{k} of {name}") for k in ("fx", "fy", "cx", "cy")}
    numbers |= {k: _number(c["distortion"][k], f"{k} of {name}") for k in ("k1", "k2", "p1", "p2", "k3")}
    if width <= 0 or height <= 0 or numbers["fx"] <= 0 or numbers["fy"] <= 0:
        raise _Impossible(f"size or focal length of {name}")
    sigmas = {str(k): math.nan if v is None else float(v) for k, v in c["sigmas"].items()}
    return CameraEstimate(
        name, Lens(**numbers, size_px=(width, height)), _pose(c["pose_cam_from_rig"], f"pose of {name}"),
        _number(c["rms_px"], f"rms_px of {name}"), int(c["points"]), tuple(sigmas), tuple(sigmas.values()),
    )  # fmt: skip


def _pose(p: dict[str, Any], what: str) -> Pose:
    """The pose, its rotation vector and matrix agreeing."""
    vector = np.array([_number(v, what) for v in p["rotation_vector_rad"]])
    shift = np.array([_number(v, what) for v in p["translation_mm"]])
    matrix = np.array([[_number(v, what) for v in row] for row in p["rotation"]])
    if vector.shape != (3,) or shift.shape != (3,) or matrix.shape != (3, 3):
        raise _Impossible(f"{what}: three numbers and a 3 by 3 matrix are wanted")
    if np.abs(rotation_matrix(vector) - matrix).max() > 1e-9:
        raise _Impossible(f"{what}: rotation and rotation_vector_rad disagree; change both or neither")
    return Pose.of(vector, shift)


def _pair(p: dict[str, Any], names: list[str]) -> PairEstimate:
    a, b = (str(c) for c in p["cameras"])
    if a not in names or b not in names:
        raise _Impossible(f"pair of {a} and {b}, of which one is no camera here")
    epipolar = p["epipolar_rms_px"]
    return PairEstimate(
        (a, b), _pose(p["pose_b_from_a"], f"pose of {b} from {a}"),
        _number(p["stereo_angle_deg"], "stereo_angle_deg"), _number(p["baseline_mm"], "baseline_mm"),
        math.nan if epipolar is None else _number(epipolar, "epipolar_rms_px"),
    )  # fmt: skip
