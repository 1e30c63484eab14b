"""The rig as described (nominal) and lenses as solved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np

from .plate import FloatArray, Plate


@dataclass(frozen=True, slots=True)
class Lens:
    """Pinhole with radial (k1, k2, k3) and tangential (p1, p2) distortion, OpenCV's convention.

    Focal lengths and principal point in px, pixel centres at whole numbers; `size_px` is (width,
    height).
    """

    fx: float
    fy: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    size_px: tuple[int, int] = (0, 0)

    def matrix(self) -> FloatArray:
        """Camera matrix, float64 (3, 3)."""
        return np.array([[self.fx, 0, self.cx], [0, self.fy, self.cy], [0, 0, 1.0]])

    def distortion(self) -> FloatArray:
        """Float64 (5,): k1, k2, p1, p2, k3 (OpenCV's order)."""
        return np.array([self.k1, self.k2, self.p1, self.p2, self.k3])


@dataclass(frozen=True, slots=True)
class Pose:
    """Rigid motion ``x_a = R x_b + t`` named ``pose_a_from_b``; rotation vector (rad), translation (mm)."""

    rotation_vector_rad: tuple[float, float, float]
    translation_mm: tuple[float, float, float]

    @classmethod
    def of(cls, rotation_vector_rad: FloatArray, translation_mm: FloatArray) -> Self:
        """From two arrays of three."""
        r = [float(v) for v in np.ravel(rotation_vector_rad)]
        t = [float(v) for v in np.ravel(translation_mm)]
        return cls((r[0], r[1], r[2]), (t[0], t[1], t[2]))

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Rotation vector (3,) and translation (3,) as float64."""
        return (
            np.array(self.rotation_vector_rad, dtype=np.float64),
            np.array(self.translation_mm, dtype=np.float64),
        )


@dataclass(frozen=True, slots=True)
class CameraDescription:
    """One camera as the user describes it. Everything but the name may be None."""

    name: str
    width_px: int | None = None
    height_px: int | None = None
    pixel_um: float | None = None
    focal_mm: float | None = None
    f_number: float | None = None
    exposure_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Rig:
    """The rig as described; None where nothing was said.

    The first camera's frame is the rig frame. The cameras converge on a point at `stand_off_mm`
    (entrance pupils to crossing point) with `stereo_angle_deg` between the axes.
    `volume_mm`: width x height x depth of the measuring volume, centred on the crossing.
    `tape_baseline_mm` with its standard uncertainty: the distance between the entrance pupils
    measured with a tape, an independent length.
    """

    name: str = "rig"
    cameras: tuple[CameraDescription, ...] = ()
    stand_off_mm: float | None = None
    stereo_angle_deg: float | None = None
    volume_mm: tuple[float, float, float] | None = None
    plate: Plate | None = None
    tape_baseline_mm: float | None = None
    tape_sigma_mm: float | None = None
    gauge_mm: float | None = None
    """Length across the plate's dots along its longer side, first centre to last, as measured with
    something else than the plate's drawing (caliper, ruler); `gauge_sigma_mm`: its uncertainty."""
    gauge_sigma_mm: float | None = None
    goal_displacement_um: float | None = None
    """Wanted uncertainty of displacement (um, one sigma) over the measuring volume."""
