"""Lamps and how a plate answers them: an even wash, a slope, a glare patch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp: place (mm, bench frame), strength (1 = alone gives a white plate at the crossing,
    facing the cameras, the level 1), and half the angle under which its face is seen (deg)."""

    x_mm: float
    y_mm: float
    z_mm: float
    strength: float
    half_size_deg: float = 2.0

    def place_mm(self) -> FloatArray:
        """(3,), bench frame."""
        return np.array([self.x_mm, self.y_mm, self.z_mm])


OBLIQUE: tuple[Lamp, ...] = (Lamp(-620.0, -400.0, -430.0, 0.52), Lamp(640.0, -370.0, -410.0, 0.46))
"""Two lamps, left and right of the cameras and above, at about 60 degrees to the axis."""

LEVEL: tuple[Lamp, ...] = (Lamp(-600.0, -120.0, -470.0, 0.50), Lamp(620.0, -90.0, -450.0, 0.45))
"""Two lamps left and right at about the cameras' height: a plate that leans stays lit."""

GLARING = Lamp(30.0, -60.0, -430.0, 0.30, 2.0)
"""A badly placed lamp between the cameras and the plate, which mirrors into the pictures."""


def shading(
    points_mm: FloatArray,
    normal: FloatArray,
    camera_mm: FloatArray,
    lamps: Sequence[Lamp],
    *,
    gloss: float,
    gloss_width_deg: float,
    ambient: float = 0.03,
    shadows: Sequence[FloatArray | float] = (),
) -> tuple[FloatArray, FloatArray]:
    """Diffuse and mirrored light at points of a flat surface, as shares of the reference level.

    points_mm (n, 3), normal (3,) unit, toward the viewer, camera_mm (3,), one frame.  First value
    (n,): what a white surface sends, by the cosine law and the square of the distance.  Second
    (n,): what the surface's gloss adds; greatest where the mirror direction ``l = 2 (n·v) n − v``
    meets a lamp, a Gaussian lobe of the angle between them (after Blinn, SIGGRAPH 1977, with the
    lamp's own half size added in quadrature).  `shadows`: for each lamp the share of its light that
    arrives, (n,) or one number; empty: all of it.
    """
    white = np.full(len(points_mm), ambient)
    mirror = np.zeros(len(points_mm))
    to_camera = camera_mm - points_mm
    v = to_camera / np.linalg.norm(to_camera, axis=1, keepdims=True)
    reflected = 2 * (v @ normal)[:, None] * normal - v
    for number, lamp in enumerate(lamps):
        arrives = shadows[number] if shadows else 1.0
        to_lamp = lamp.place_mm() - points_mm
        distance = np.linalg.norm(to_lamp, axis=1)
        unit = to_lamp / distance[:, None]
        reference = float(np.linalg.norm(lamp.place_mm()))
        facing = -lamp.z_mm / reference
        fall = (reference / distance) ** 2
        cosine = np.clip(unit @ normal, 0, None)
        white += arrives * lamp.strength * fall * cosine / max(facing, 0.2)
        off = np.degrees(np.arccos(np.clip(np.sum(unit * reflected, axis=1), -1, 1)))
        width = np.hypot(gloss_width_deg, lamp.half_size_deg)
        lobe = gloss * lamp.strength * np.exp(-0.5 * (off / width) ** 2)
        mirror += np.where((cosine > 0) & (v @ normal > 0), arrives * lobe, 0.0)
    return white, mirror


def mirror_point_mm(
    plane_point_mm: FloatArray, normal: FloatArray, camera_mm: FloatArray, lamp_mm: FloatArray
) -> FloatArray:
    """Where on a plane a camera sees the mirror image of a lamp, (3,), same frame as given."""
    height_camera = float((camera_mm - plane_point_mm) @ normal)
    height_lamp = float((lamp_mm - plane_point_mm) @ normal)
    foot_camera = camera_mm - height_camera * normal
    foot_lamp = lamp_mm - height_lamp * normal
    share = height_camera / (height_camera + height_lamp)
    return np.asarray(foot_camera + share * (foot_lamp - foot_camera))
