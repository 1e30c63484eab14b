"""Lamps given away by glare: where they stand, and which poses they spoil.

A plate mirrors.  At a glare patch the line of sight is thrown back along ``2(n.v)n - v`` (n the
plate's normal, v the direction to the camera): toward the lamp.  Rays from several patches meet
there.  Source: the law of reflection; ray intersection by least squares.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import FloatArray, GlareSighting, Lamp

from .scene import Scene


def glare_spots_mm(
    cameras_mm: FloatArray, lamps_mm: FloatArray, rotations: FloatArray, translations_mm: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Where lamps glare on the plate's plane: (C, K, L, 2) mm in the plate frame, and if at all.

    The lamp is mirrored in the plane; the line from the camera to the mirrored lamp meets the plane
    at the patch.  No glare when lamp or camera stand behind the plate.
    """
    back = np.swapaxes(rotations, 1, 2)
    eyes = np.einsum("cij,ckj->cki", back, cameras_mm[None] - translations_mm[:, None])
    lights = np.einsum("cij,clj->cli", back, lamps_mm[None] - translations_mm[:, None])
    front = (eyes[:, :, None, 2] < 0.0) & (lights[:, None, :, 2] < 0.0)
    depth = eyes[:, :, None, 2] + lights[:, None, :, 2]
    share = eyes[:, :, None, 2] / np.where(np.abs(depth) < 1e-9, -1e-9, depth)
    spots = eyes[:, :, None, :2] + share[..., None] * (lights[:, None, :, :2] - eyes[:, :, None, :2])
    return spots, front


def glares(
    scene: Scene, lamps: Sequence[Lamp], rotations: FloatArray, translations_mm: FloatArray
) -> NDArray[np.bool_]:
    """Whether each lamp spoils each pose (rig from plate) in any camera: (C, L).

    A pose is spoilt when the patch, widened by the lobe, by the lamp's spread as mirrored and by
    `glare_clearance_deg` of the hand's tilt error, touches the dots.
    """
    positions = np.array([lamp.position_rig_mm for lamp in lamps])
    spots, front = glare_spots_mm(scene.cameras.centres_mm(), positions, rotations, translations_mm)
    wide = np.array([lamp.lobe_mm + 0.5 * lamp.spread_mm for lamp in lamps])
    wide = wide + np.radians(limit("glare_clearance_deg")) * scene.stand_off_mm
    low, high = scene.dots_mm[:, :2].min(axis=0), scene.dots_mm[:, :2].max(axis=0)
    outside = np.maximum(np.maximum(low - spots, spots - high), 0.0)
    return np.asarray((front & (np.linalg.norm(outside, axis=-1) <= wide)).any(axis=1))


def rays_of(scene: Scene, sightings: Sequence[GlareSighting]) -> tuple[FloatArray, FloatArray]:
    """Origins (n, 3) and unit directions (n, 3) toward the lamps, rig frame, of glare sightings."""
    centres = dict(zip(scene.cameras.names, scene.cameras.centres_mm(), strict=True))
    origins, directions = [], []
    for s in sightings:
        if s.camera not in centres:
            continue
        rotation, translation = matrices(s.pose_rig_from_plate)
        spot = rotation @ np.array([s.x_mm, s.y_mm, 0.0]) + translation
        sight = centres[s.camera] - spot
        sight = sight / np.linalg.norm(sight)
        normal = rotation[:, 2]
        origins.append(spot)
        directions.append(2.0 * (normal @ sight) * normal - sight)
    return np.array(origins).reshape(-1, 3), np.array(directions).reshape(-1, 3)
