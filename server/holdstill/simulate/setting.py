"""The scene before the cameras at one instant, and the light that falls on the plate in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray, Pose

from .hand import Limb
from .light import OBLIQUE, Lamp, shading
from .optics import SimCamera, SimRig, after, back, moved, rotation_matrix
from .scene import PlateBody


@dataclass(frozen=True, slots=True)
class Wash:
    """Light without lamps, for checks: `level` at the picture's middle, with a slope per px.

    slope_x_per_px, slope_y_per_px: change of the level over one pixel, as a share of `level`.
    """

    level: float = 1.0
    slope_x_per_px: float = 0.0
    slope_y_per_px: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """What stands before the cameras.

    pose_rig_from_plate
        None: no plate in sight. `light`: lamps (bench frame) or a `Wash`. `exposure`: level of a
        white plate at the crossing, 1 = full well.
    """

    rig: SimRig
    thing: PlateBody
    pose_rig_from_plate: Pose | None
    light: Sequence[Lamp] | Wash = OBLIQUE
    limbs: tuple[Limb, ...] = ()
    exposure: float = 1.0
    ambient: float = 0.03

    def pose_cam_from_plate(self, camera: SimCamera) -> Pose:
        """The plate in a camera's frame. Raises ValueError without a plate."""
        if self.pose_rig_from_plate is None:
            raise ValueError("no plate in this setting")
        return after(camera.pose_cam_from_rig, self.pose_rig_from_plate)


def light_on_plate(
    setting: Setting, camera: SimCamera, xy_mm: FloatArray, pixels: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Level of a white surface and level added by gloss at points of the plate, each (n,).

    xy_mm (n, 2) on the plate; pixels (n, 2) where the camera sees them. Without exposure.
    """
    light = setting.light
    if isinstance(light, Wash):
        middle = np.array([(s - 1) / 2 for s in camera.lens.size_px])
        slope = np.array([light.slope_x_per_px, light.slope_y_per_px])
        return light.level * (1 + (pixels - middle) @ slope), np.zeros(len(xy_mm))
    assert setting.pose_rig_from_plate is not None
    bench_from_rig = back(setting.rig.pose_rig_from_bench)
    bench_from_plate = after(bench_from_rig, setting.pose_rig_from_plate)
    points = moved(setting.thing.surface_mm(xy_mm), bench_from_plate)
    normal = -rotation_matrix(bench_from_plate.arrays()[0])[:, 2]
    eye = after(bench_from_rig, back(camera.pose_cam_from_rig)).arrays()[1]
    return shading(
        points,
        normal,
        eye,
        light,
        gloss=setting.thing.gloss,
        gloss_width_deg=setting.thing.gloss_width_deg,
        ambient=setting.ambient,
        shadows=[_lamplight(setting, bench_from_plate, lamp, xy_mm) for lamp in light],
    )


def _lamplight(setting: Setting, bench_from_plate: Pose, lamp: Lamp, xy_mm: FloatArray) -> FloatArray:
    """Share of a lamp's light that the limbs before the plate let through, (n,).

    Each limb's axis is thrown onto the plate along the lamp's rays; the edge is as soft as the way
    from limb to plate times the lamp's size (large panels with diffusers: half of that way).
    """
    left = np.ones(len(xy_mm))
    place = moved(lamp.place_mm()[None], back(bench_from_plate))[0]
    if place[2] > -50:
        return left
    for limb in setting.limbs:
        if not limb.front:
            continue
        share = limb.height_mm / (-place[2] - limb.height_mm)
        base, tip = (
            np.array(end) - (place[:2] - np.array(end)) * share for end in (limb.base_mm, limb.tip_mm)
        )
        thrown = float(np.linalg.norm(place[:2] - np.array(limb.tip_mm))) * share
        axis = tip - base
        t = np.clip((xy_mm - base) @ axis / (axis @ axis), 0, 1)
        distance = np.linalg.norm(xy_mm - base - t[:, None] * axis, axis=1)
        soft = 1.0 + 0.5 * float(np.hypot(thrown, limb.height_mm))
        edge = (distance - 0.9 * limb.tip_radius_mm) / soft
        left *= 1 - 0.7 / (1 + np.exp(np.clip(4 * edge, -30, 30)))
    return left
