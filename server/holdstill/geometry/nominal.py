"""Lenses and camera poses from a rig as described, for use before anything has been solved.

What was not said is filled in so that the parts fit together: the field of view, the stand-off and
the plate are three sides of one proportion, so any two give the third.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from holdstill.errors import BadInput
from holdstill.records import CameraDescription, Lens, Plate, PlateKind, Pose, Rig

SENSOR_PX = (2448, 2048)
"""Picture size taken when neither the rig nor a sighting tells one."""
SENSOR_WIDTH_MM = 8.45
"""Sensor width taken when no pixel size was said: the 2/3-inch format (common practice)."""
FOCAL_MM = 25.0
"""Focal length taken when nothing else fixes the field of view (common practice)."""
STEREO_ANGLE_DEG = 20.0
"""Angle between neighbouring axes when none was said; 15 to 30 degrees is common practice."""
PLATE_SHARE = 0.75
"""Share of the field's width that the plate covers at the stand-off; 75 to 80 % is common practice."""
STAND_OFF_MM = 700.0
"""Stand-off taken when neither it nor a plate is known."""


def described(rig: Rig, camera: str, index: int) -> CameraDescription:
    """The rig's description of `camera`: by its name, else the one at `index`, else an empty one."""
    for description in rig.cameras:
        if description.name == camera:
            return description
    if index < len(rig.cameras):
        return rig.cameras[index]
    return CameraDescription(camera)


def _size_px(description: CameraDescription, size_px: tuple[int, int] | None) -> tuple[int, int]:
    if size_px is not None and min(size_px) > 0:
        return size_px
    width = description.width_px or SENSOR_PX[0]
    return width, description.height_px or round(width * SENSOR_PX[1] / SENSOR_PX[0])


def _plate_width_mm(rig: Rig, plate: Plate | None) -> float | None:
    plate = plate or rig.plate
    if plate is None or plate.point_count < 2:
        return None
    border = 2.0 if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO) else 0.0
    return max(plate.size_mm()) + border * plate.pitch_mm


def _focal_px(rig: Rig, camera: str, index: int, width_px: int, plate: Plate | None) -> float:
    """Focal length in px: said in full, else from stand-off and plate, else a usual lens."""
    description = described(rig, camera, index)
    pixel_mm = (description.pixel_um or 1000.0 * SENSOR_WIDTH_MM / width_px) / 1000.0
    if description.focal_mm is not None:
        return description.focal_mm / pixel_mm
    plate_width_mm = _plate_width_mm(rig, plate)
    if rig.stand_off_mm is not None and plate_width_mm is not None:
        return rig.stand_off_mm * PLATE_SHARE * width_px / plate_width_mm
    return FOCAL_MM / pixel_mm


def nominal_lenses(
    rig: Rig,
    cameras: Sequence[str],
    sizes_px: Mapping[str, tuple[int, int]] | None = None,
    plate: Plate | None = None,
) -> dict[str, Lens]:
    """Distortion-free lens (px) of each camera as described: focal length over pixel, axis central.

    Parameters
    ----------
    rig
        Described rig; anything may be None.  Without focal length the lens is chosen so that the
        plate (`plate`, else the rig's) covers `PLATE_SHARE` of the width at the stand-off; without
        stand-off or plate it is a 25 mm lens.  Without pixel size the sensor is `SENSOR_WIDTH_MM`
        wide.
    cameras
        Names; matched to descriptions by name, else by order.
    sizes_px
        camera -> (width, height) as seen, where known; goes before the described size.

    Returns
    -------
    camera -> `Lens`, in the order of `cameras`.  The image distance of a lens focused at the
    stand-off is longer than its focal length by f/(stand-off - f), and the nominal value leaves
    this out (3.7 % at 25 mm and 700 mm): good for planning and for a start, not for measuring.

    Raises
    ------
    BadInput
        For a described length or size that is not positive.
    """
    _refuse_nonsense(rig)
    lenses = {}
    for index, camera in enumerate(cameras):
        size = _size_px(described(rig, camera, index), (sizes_px or {}).get(camera))
        focal_px = _focal_px(rig, camera, index, size[0], plate)
        lenses[camera] = Lens(
            focal_px, focal_px, (size[0] - 1) / 2.0, (size[1] - 1) / 2.0, size_px=size
        )
    return lenses


def nominal_stand_off_mm(rig: Rig, cameras: Sequence[str], plate: Plate | None = None) -> float:
    """Distance from the entrance pupils to the crossing point (mm): as said, else to suit the plate.

    Without a stand-off, the distance at which the plate covers `PLATE_SHARE` of the first camera's
    picture width; without a plate either, 700 mm.
    """
    _refuse_nonsense(rig)
    if rig.stand_off_mm is not None:
        return rig.stand_off_mm
    width_mm = _plate_width_mm(rig, plate)
    if width_mm is None or not cameras:
        return STAND_OFF_MM
    lens = nominal_lenses(rig, cameras[:1], None, plate)[cameras[0]]
    return lens.fx * width_mm / (PLATE_SHARE * lens.size_px[0])


def nominal_poses_cam_from_rig(
    rig: Rig, cameras: Sequence[str], plate: Plate | None = None
) -> dict[str, Pose]:
    """Pose of each camera in the first camera's frame: entrance pupils on a circle about the crossing.

    The crossing point lies on the first camera's axis at the stand-off.  Neighbouring cameras
    stand `rig.stereo_angle_deg` (20 if not said) apart in the first camera's x-z plane, in the
    order given, to its right (+x); to its left when the first camera is called right or a later
    one left.  ``x_cam = R x_rig + t``, millimetres.

    Returns camera -> `Pose`.  Says nothing about heights or about rolls of the cameras.
    """
    stand_off_mm = nominal_stand_off_mm(rig, cameras, plate)
    step = math.radians(rig.stereo_angle_deg if rig.stereo_angle_deg is not None else STEREO_ANGLE_DEG)
    if len(cameras) > 1 and (
        "right" in cameras[0].lower() or any("left" in name.lower() for name in cameras[1:])
    ):
        step = -step
    crossing_mm = np.array([0.0, 0.0, stand_off_mm])
    poses = {}
    for index, camera in enumerate(cameras):
        angle = index * step
        cos, sin = math.cos(angle), math.sin(angle)
        rotation = np.array([[cos, 0.0, sin], [0.0, 1.0, 0.0], [-sin, 0.0, cos]])
        translation = np.array([0.0, 0.0, stand_off_mm]) - rotation @ crossing_mm
        poses[camera] = Pose.of(np.array([0.0, angle, 0.0]), translation)
    return poses


def _refuse_nonsense(rig: Rig) -> None:
    """Raise BadInput for a described value that no rig can have."""
    values: list[tuple[str, float | None]] = [("stand_off_mm", rig.stand_off_mm)]
    for description in rig.cameras:
        where = f"camera {description.name}"
        values += [
            (f"{where}: width_px", description.width_px),
            (f"{where}: height_px", description.height_px),
            (f"{where}: pixel_um", description.pixel_um),
            (f"{where}: focal_mm", description.focal_mm),
        ]
    for name, value in values:
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BadInput(
                f"The rig file says {name} = {value}; a positive number is wanted. "
                "Correct that line, or leave it out to let the tool assume a usual value."
            )
