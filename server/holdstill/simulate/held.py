"""The plate as a hand holds it: six numbers about its middle, in the bench frame."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from holdstill.records import FloatArray, Pose

from .optics import SimRig, about_x, about_y, about_z, after, back, rotation_matrix, rotation_vector
from .scene import PlateBody


@dataclass(frozen=True, slots=True)
class Held:
    """How the plate is held, as the cameras see it.

    tilt_x_deg, tilt_y_deg
        Right edge, top edge toward the cameras positive. `turn_deg`: clockwise in its plane.
    x_mm, y_mm, z_mm
        Middle of the plate's points from the crossing point: right, down, away from the cameras.
    """

    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    turn_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    z_mm: float = 0.0

    def array(self) -> FloatArray:
        """The six numbers, in the order of the fields."""
        return np.array([getattr(self, f.name) for f in fields(self)])

    @classmethod
    def of(cls, six: FloatArray) -> Held:
        """From six numbers in the order of the fields."""
        return cls(*(float(v) for v in six))


def pose_of(held: Held, thing: PlateBody, rig: SimRig) -> Pose:
    """``pose_rig_from_plate`` of a plate held so."""
    turned = about_x(held.tilt_y_deg) @ about_y(held.tilt_x_deg) @ about_z(held.turn_deg)
    middle = np.array([*thing.centre_mm(), 0.0])
    place = np.array([held.x_mm, held.y_mm, held.z_mm])
    return after(rig.pose_rig_from_bench, Pose.of(rotation_vector(turned), place - turned @ middle))


def held_of(pose_rig_from_plate: Pose, thing: PlateBody, rig: SimRig) -> Held:
    """The six numbers of a pose; inverse of `pose_of` for tilts below 90 degrees."""
    r, t = after(back(rig.pose_rig_from_bench), pose_rig_from_plate).arrays()
    m = rotation_matrix(r)
    place = m @ np.array([*thing.centre_mm(), 0.0]) + t
    return Held(
        float(np.degrees(np.arcsin(np.clip(m[0, 2], -1, 1)))),
        float(np.degrees(np.arctan2(-m[1, 2], m[2, 2]))),
        float(np.degrees(np.arctan2(-m[0, 1], m[0, 0]))),
        float(place[0]),
        float(place[1]),
        float(place[2]),
    )


def nearest_turn(held: Held, turn_deg: float, *, looks_turned: bool = False) -> Held:
    """The same way of holding with its turn written within half a turn of `turn_deg`.

    looks_turned: the plate looks the same after a half turn, so the nearer of the two will do.
    """
    period = 180.0 if looks_turned else 360.0
    return replace(held, turn_deg=turn_deg + (held.turn_deg - turn_deg + period / 2) % period - period / 2)
