"""The rig as described, before anything is solved."""

import math

import numpy as np
import pytest

from holdstill.errors import BadInput
from holdstill.geometry.nominal import (
    nominal_lenses,
    nominal_poses_cam_from_rig,
    nominal_stand_off_mm,
)
from holdstill.records import CameraDescription, Plate, PlateKind, Rig

PLATE = Plate(PlateKind.DOTS, 14, 10, 14.0)
CAMERAS = tuple(CameraDescription(n, 2448, 2048, 3.45, 25.0) for n in ("left", "right"))


def _centre_mm(pose):
    """Entrance pupil in the rig frame; rotation about y only."""
    (_, angle, _), t = pose.arrays()
    c, s = math.cos(angle), math.sin(angle)
    rotation = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    return rotation, -rotation.T @ t


@pytest.mark.parametrize("angle_deg", [15.0, 20.0, 25.0, 30.0, 35.0])
def test_baseline_over_stand_off_is_twice_the_sine_of_half_the_angle(angle_deg):
    """Pupils on a circle about the crossing: chord 2 sin(a/2). (The trade's 2 tan(a/2) is for a
    stand-off measured from the baseline's middle; here it runs along the axes.)"""
    rig = Rig(cameras=CAMERAS, stand_off_mm=700.0, stereo_angle_deg=angle_deg)
    poses = nominal_poses_cam_from_rig(rig, ("left", "right"))
    _, centre = _centre_mm(poses["right"])
    middle_mm = 700.0 * math.cos(math.radians(angle_deg) / 2)
    assert np.linalg.norm(centre) / middle_mm == pytest.approx(2 * math.tan(math.radians(angle_deg) / 2))
    assert centre[0] > 0


def test_every_axis_passes_the_crossing_at_the_stand_off():
    rig = Rig(cameras=CAMERAS, stand_off_mm=900.0, stereo_angle_deg=25.0)
    for pose in nominal_poses_cam_from_rig(rig, ("a", "b", "c")).values():
        rotation, _ = _centre_mm(pose)
        seen = rotation @ np.array([0, 0, 900.0]) + pose.arrays()[1]
        np.testing.assert_allclose(seen, [0, 0, 900.0], atol=1e-9)


def test_a_left_camera_named_second_stands_on_the_left():
    rig = Rig(stand_off_mm=700.0)
    poses = nominal_poses_cam_from_rig(rig, ("cam_right", "cam_left"))
    assert _centre_mm(poses["cam_left"])[1][0] < 0


def test_focal_length_in_px_is_focal_over_pixel():
    lens = nominal_lenses(Rig(cameras=CAMERAS), ("left",), {})["left"]
    assert lens.fx == pytest.approx(25.0 / 0.00345)
    assert (lens.cx, lens.cy) == (1223.5, 1023.5)


def test_a_size_seen_goes_before_the_size_described_and_names_fall_back_to_order():
    lens = nominal_lenses(Rig(cameras=CAMERAS), ("cam0", "cam1"), {"cam1": (1224, 1024)})
    assert lens["cam0"].size_px == (2448, 2048)
    assert lens["cam1"].size_px == (1224, 1024)


def test_without_a_focal_length_the_plate_fills_three_quarters_of_the_field():
    rig = Rig(stand_off_mm=500.0, plate=PLATE)
    lens = nominal_lenses(rig, ("a",), {"a": (640, 480)})["a"]
    assert lens.fx * 182.0 / 500.0 == pytest.approx(0.75 * 640)


def test_without_a_stand_off_the_plate_fills_three_quarters_of_the_field():
    rig = Rig(cameras=CAMERAS)
    expected_mm = 7246.38 * 182 / (0.75 * 2448)
    assert nominal_stand_off_mm(rig, ("left",), PLATE) == pytest.approx(expected_mm, rel=1e-4)


def test_nothing_said_at_all_still_gives_a_rig():
    lens = nominal_lenses(Rig(), ("a", "b"), {})["b"]
    assert lens.size_px == (2448, 2048)
    assert nominal_stand_off_mm(Rig(), ("a", "b")) == 700.0


def test_a_negative_stand_off_is_refused_with_its_name():
    with pytest.raises(BadInput, match="stand_off_mm = -3"):
        nominal_poses_cam_from_rig(Rig(stand_off_mm=-3.0), ("a", "b"))
