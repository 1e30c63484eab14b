"""Hands that hold the plate: fingers and palms as rounded bars, in front of it and behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Pose

from .optics import SimCamera, moved
from .scene import PlateBody

Layer = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Limb:
    """A rounded bar in the plate's frame: from base to tip (mm), radii, height toward the viewer.

    share: reflectance 0..1. nail: a thumb that shows its nail. front: before the plate.
    """

    base_mm: tuple[float, float]
    tip_mm: tuple[float, float]
    base_radius_mm: float
    tip_radius_mm: float
    height_mm: float
    share: float
    front: bool
    nail: bool = False


def holding(thing: PlateBody, *, turn_deg: float = 0.0, rest: float = 0.0) -> tuple[Limb, ...]:
    """Two hands at the plate's sides: thumbs before it, palms and forearms behind.

    turn_deg: how far the plate is turned in its plane (clockwise as the cameras see it): the hands
    hold the sides that are left and right then. rest: -1..1, how far up or down they hold.
    """
    quarter = round(turn_deg / 90.0) % 4
    centre = thing.outline_mm.mean(axis=0)
    cosine, sine = ((1, 0), (0, -1), (-1, 0), (0, 1))[quarter]
    turn = np.array([[cosine, -sine], [sine, cosine]], dtype=np.float64)
    upright = (thing.outline_mm - centre) @ turn
    limbs = _at_sides(thing, upright.min(axis=0), upright.max(axis=0), rest)
    return tuple(
        replace(
            limb,
            base_mm=_pair(turn @ np.array(limb.base_mm) + centre),
            tip_mm=_pair(turn @ np.array(limb.tip_mm) + centre),
        )
        for limb in limbs
    )


def _pair(v: FloatArray) -> tuple[float, float]:
    return float(v[0]), float(v[1])


def _at_sides(thing: PlateBody, low: FloatArray, high: FloatArray, rest: float) -> tuple[Limb, ...]:
    middle = (low[1] + high[1]) / 2 + (0.12 + 0.18 * rest) * (high[1] - low[1])
    reach = min(0.3 * thing.plate.pitch_mm, 3.5)  # how far a thumb comes over the rim, clear of the dots
    limbs: list[Limb] = []
    for edge, side in ((low[0], -1.0), (high[0], 1.0)):
        limbs.append(
            Limb((edge + side * 150, middle + 190), (edge + side * 44, middle + 40), 42, 30, -25, 0.16, False)
        )
        limbs.append(
            Limb((edge + side * 46, middle + 34), (edge + side * 16, middle + 2), 27, 22, -14, 0.40, False)
        )
        for k in range(4):
            y = middle - 26 + 17 * k
            limbs.append(Limb((edge + side * 26, y + 6), (edge - side * 6, y), 9.0, 8.0, -9, 0.43, False))
        limbs.append(
            Limb(
                (edge + side * 34, middle + 16),
                (edge + side * (8.5 - reach), middle - 4),
                11.5,
                8.5,
                5,
                0.46,
                True,
                True,
            )
        )
    return tuple(limbs)


def laid_over(thing: PlateBody, column: float, row: float, from_side: float = 1.0) -> Limb:
    """A finger that reaches over the print up to a point (column, row in pitches).

    from_side: +1 from the plate's right, -1 from its left.
    """
    pitch = thing.plate.pitch_mm
    low, high = thing.outline_mm.min(axis=0), thing.outline_mm.max(axis=0)
    edge = high[0] if from_side > 0 else low[0]
    tip = (column * pitch, row * pitch)
    return Limb((edge + from_side * 30, tip[1] + 14), tip, 9.5, 7.5, 8, 0.45, True)


def layers(
    limbs: Sequence[Limb],
    camera: SimCamera,
    pose_rig_from_plate: Pose,
    white: float,
    *,
    front: bool,
    blur_px: float,
) -> list[tuple[slice, slice, Layer, Layer]]:
    """Pictures of the limbs: (rows, columns, cover 0..1, level) each, float32, in drawing order.

    white: level of a white surface at the plate, which the skin's shade follows.
    """
    found: list[tuple[slice, slice, Layer, Layer]] = []
    width, height = camera.lens.size_px
    for limb in limbs:
        if limb.front is not front:
            continue
        ends = np.array([[*limb.base_mm, -limb.height_mm], [*limb.tip_mm, -limb.height_mm]], dtype=np.float64)
        rig = moved(ends, pose_rig_from_plate)
        cam = moved(rig, camera.pose_cam_from_rig)
        if np.any(cam[:, 2] < 50):
            continue
        px = camera.project(rig)
        per_mm = camera.lens.fx / cam[:, 2]
        radii = np.array([limb.base_radius_mm, limb.tip_radius_mm]) * per_mm
        low = np.floor((px - radii[:, None]).min(axis=0) - 4 - 2 * blur_px).astype(int)
        high = np.ceil((px + radii[:, None]).max(axis=0) + 5 + 2 * blur_px).astype(int)
        x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
        x1, y1 = min(int(high[0]), width), min(int(high[1]), height)
        if x1 <= x0 or y1 <= y0:
            continue
        cover, level = _bar(px, radii, (x0, y0, x1, y1), limb, blur_px)
        found.append((slice(y0, y1), slice(x0, x1), cover, level * np.float32(white)))
    return found


def _bar(
    px: FloatArray, radii: FloatArray, box: tuple[int, int, int, int], limb: Limb, blur_px: float
) -> tuple[Layer, Layer]:
    """Cover and level of one rounded bar; worked out at a quarter of the size, it is smooth anyway."""
    x0, y0, x1, y1 = box
    step = 4
    columns, rows = -(-(x1 - x0) // step), -(-(y1 - y0) // step)
    xs = (x0 + 1.5 + step * np.arange(columns)).astype(np.float32)
    ys = (y0 + 1.5 + step * np.arange(rows)).astype(np.float32)[:, None]
    axis = px[1] - px[0]
    length2 = float(axis @ axis) + 1e-6
    t = np.clip(((xs - px[0, 0]) * axis[0] + (ys - px[0, 1]) * axis[1]) / length2, 0, 1).astype(np.float32)
    radius = (radii[0] + (radii[1] - radii[0]) * t).astype(np.float32)
    dx, dy = xs - px[0, 0] - t * axis[0], ys - px[0, 1] - t * axis[1]
    distance = np.sqrt(dx * dx + dy * dy)
    soft = 1.0 + blur_px
    cover = np.clip((radius - distance) / soft + 0.5, 0, 1)
    hill = np.sqrt(np.clip(1 - (distance / radius) ** 2, 0.02, 1))
    level = limb.share * (0.45 + 0.55 * hill)
    if limb.nail:
        along = (t - 0.90) / 0.075
        across = (-dx * axis[1] + dy * axis[0]) / np.sqrt(length2) / (0.62 * radius)
        inside = np.clip((1 - along * along - across * across) * 3, 0, 1)
        level = level + 0.10 * inside
    elif limb.front:
        level = (
            level + 0.035 * np.exp(-(((t - 0.62) / 0.02) ** 2)) - 0.05 * np.exp(-(((t - 0.64) / 0.012) ** 2))
        )
    size = (columns * step, rows * step)
    big = [
        cv2.resize(part.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)[: y1 - y0, : x1 - x0]
        for part in (cover, level)
    ]
    return np.asarray(big[0], dtype=np.float32), np.asarray(big[1], dtype=np.float32)


def laid(picture: Layer, pieces: Sequence[tuple[slice, slice, Layer, Layer]], exposure: float) -> None:
    """Lay limb pictures over a level picture, in place."""
    for rows, columns, cover, level in pieces:
        part = picture[rows, columns]
        part += cover * (level * np.float32(exposure) - part)
