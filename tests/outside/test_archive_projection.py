"""Hand-over files read by other readers project as the session does: OpenCV's FileStorage and
`projectPoints` (OpenCV), and a YAML 1.1 reader for the ROS form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from archive.solved_session import originals_in, solved
from holdstill.archive.handover import hand_over
from holdstill.archive.load import load_calibration
from holdstill.geometry import project, transform

RNG = np.random.default_rng(5)
POINTS_MM = RNG.uniform(-80, 80, (400, 3)) + np.array([0.0, 0.0, 700.0])


@pytest.fixture(scope="module")
def handed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("handed")
    state = solved()[1]
    hand_over(state, originals_in(folder), folder / "out", 1.764e12, report=False)
    return folder / "out", state.estimate


def session_pixels(estimate, index: int) -> np.ndarray:
    camera = estimate.cameras[index]
    return project(camera.lens, transform(camera.pose_cam_from_rig, POINTS_MM))


@pytest.mark.parametrize("name", ["calibration_opencv.yml", "calibration_opencv.json"])
def test_opencv_reads_its_files_and_projects_the_same(handed, name):
    folder, estimate = handed
    storage = cv2.FileStorage(str(folder / name), cv2.FILE_STORAGE_READ)
    assert storage.isOpened()
    for index in (0, 1):
        read = {k: storage.getNode(f"{k}{index + 1}").mat() for k in ("M", "D", "image_size")}
        rotation = storage.getNode(f"R{index + 1}_rig").mat()
        shift = storage.getNode(f"T{index + 1}_rig").mat()
        pixels, _ = cv2.projectPoints(POINTS_MM, cv2.Rodrigues(rotation)[0], shift, read["M"], read["D"])
        assert np.abs(pixels[:, 0] - session_pixels(estimate, index)).max() < 1e-9
        assert read["image_size"].ravel().tolist() == list(estimate.cameras[index].lens.size_px)
    names = storage.getNode("cameras")
    assert [names.at(i).string() for i in range(names.size())] == ["left", "right"]
    assert storage.getNode("session").string() == "fork <b>&"
    assert storage.getNode("rms_px").real() == estimate.rms_px
    rotation, shift = storage.getNode("R").mat(), storage.getNode("T").mat()
    first = transform(estimate.cameras[0].pose_cam_from_rig, POINTS_MM)
    second = transform(estimate.cameras[1].pose_cam_from_rig, POINTS_MM)
    assert np.abs(first @ rotation.T + shift.ravel() - second).max() < 1e-9


def test_the_fundamental_matrix_holds_for_undistorted_points(handed):
    folder, estimate = handed
    storage = cv2.FileStorage(str(folder / "calibration_opencv.yml"), cv2.FILE_STORAGE_READ)
    fundamental = storage.getNode("F").mat()
    rays = []
    for camera in estimate.cameras:
        seen = transform(camera.pose_cam_from_rig, POINTS_MM)
        flat = seen / seen[:, 2:]
        rays.append(flat @ camera.lens.matrix().T)
    lines = rays[0] @ fundamental.T
    gap = np.abs(np.sum(rays[1] * lines, axis=1)) / np.linalg.norm(lines[:, :2], axis=1)
    assert gap.max() < 1e-8


def test_the_plain_json_projects_the_same_through_opencv(handed):
    folder, estimate = handed
    for index, camera in enumerate(load_calibration(folder / "calibration.json").cameras):
        vector, shift = camera.pose_cam_from_rig.arrays()
        lens = camera.lens
        pixels, _ = cv2.projectPoints(POINTS_MM, vector, shift, lens.matrix(), lens.distortion())
        assert np.abs(pixels[:, 0] - session_pixels(estimate, index)).max() < 1e-9


def test_a_yaml_reader_takes_the_ros_files_and_opencv_projects_the_same(handed):
    yaml = pytest.importorskip("yaml")
    folder, estimate = handed
    read = [yaml.safe_load((folder / f"camera_info_{c}.yaml").read_text()) for c in ("left", "right")]
    for index, info in enumerate(read):
        camera = estimate.cameras[index]
        matrix = _matrix(info["camera_matrix"])
        distortion = _matrix(info["distortion_coefficients"])
        assert info["distortion_model"] == "plumb_bob"
        assert (info["image_width"], info["image_height"]) == camera.lens.size_px
        vector, shift = camera.pose_cam_from_rig.arrays()
        pixels, _ = cv2.projectPoints(POINTS_MM, vector, shift, matrix, distortion)
        assert np.abs(pixels[:, 0] - session_pixels(estimate, index)).max() < 1e-9


def test_rectified_rows_agree_and_disparity_gives_the_depth(handed):
    """`undistortPoints` with the file's R and P puts a point on the same row in both cameras, and
    ``z = f * baseline / disparity`` (sensor_msgs/CameraInfo)."""
    yaml = pytest.importorskip("yaml")
    folder, estimate = handed
    read = [yaml.safe_load((folder / f"camera_info_{c}.yaml").read_text()) for c in ("left", "right")]
    places = []
    for index, info in enumerate(read):
        pixels = session_pixels(estimate, index)
        places.append(
            cv2.undistortPoints(
                pixels[:, None], _matrix(info["camera_matrix"]), _matrix(info["distortion_coefficients"]),
                R=_matrix(info["rectification_matrix"]), P=_matrix(info["projection_matrix"]),
                criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12),
            )[:, 0]
        )  # fmt: skip
    assert np.abs(places[0][:, 1] - places[1][:, 1]).max() < 1e-6
    first, second = (_matrix(info["projection_matrix"]) for info in read)
    disparity = (places[0][:, 0] - first[0, 2]) - (places[1][:, 0] - second[0, 2])
    depth_m = -second[0, 3] / disparity
    turned = (
        transform(estimate.cameras[0].pose_cam_from_rig, POINTS_MM)
        @ _matrix(read[0]["rectification_matrix"]).T
    )
    assert np.abs(depth_m - turned[:, 2] / 1000.0).max() < 1e-8
    assert estimate.pairs[0].baseline_mm == pytest.approx(-second[0, 3] / second[0, 0] * 1000, rel=1e-9)


def _matrix(told: dict) -> np.ndarray:
    return np.array(told["data"], dtype=np.float64).reshape(told["rows"], told["cols"])
