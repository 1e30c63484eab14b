"""The lens, rotations and two views against OpenCV as an independent implementation."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from holdstill.geometry import (
    epipolar_px,
    fold_radius,
    pose_of,
    project,
    rotation_matrix,
    rotation_vector,
    triangulate,
    undistort,
    undistorted_px,
)
from holdstill.records import Lens, Pose

LENS = Lens(7200.0, 7230.0, 1210.5, 1031.2, -0.12, 0.31, 0.0012, -0.0007, -0.4, (2448, 2048))
WIDE = Lens(530.0, 532.0, 342.0, 233.0, -0.28, 0.09, 0.0011, -0.0002, -0.01, (640, 480))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def _points(lens: Lens, rng: np.random.Generator, count: int = 400) -> np.ndarray:
    wide, high = lens.size_px
    z = rng.uniform(500, 900, count)
    x = (rng.uniform(0, wide, count) - lens.cx) / lens.fx * z
    y = (rng.uniform(0, high, count) - lens.cy) / lens.fy * z
    return np.stack([x, y, z], axis=1)


@pytest.mark.parametrize("lens", [LENS, WIDE])
def test_project_is_opencvs(lens: Lens, rng: np.random.Generator) -> None:
    points = _points(lens, rng)
    peer, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix(), lens.distortion())
    assert np.abs(project(lens, points) - peer[:, 0]).max() < 1e-9


@pytest.mark.parametrize("lens", [LENS, WIDE])
def test_undistort_is_the_inverse_and_opencvs(lens: Lens, rng: np.random.Generator) -> None:
    points = _points(lens, rng)
    pixels = project(lens, points)
    directions, holds = undistort(lens, pixels)
    assert holds.all()
    assert np.abs(directions - points[:, :2] / points[:, 2:]).max() < 1e-12
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    peer = cv2.undistortPointsIter(
        pixels[:, None], lens.matrix(), lens.distortion(), None, None, criteria
    ) if hasattr(cv2, "undistortPointsIter") else cv2.undistortPoints(
        pixels[:, None], lens.matrix(), lens.distortion(), criteria=criteria
    )
    assert np.abs(directions - peer[:, 0]).max() < 1e-9


def test_undistort_says_where_the_model_folds() -> None:
    lens = Lens(500.0, 500.0, 320.0, 240.0, -0.4, 0.0, 0.0, 0.0, 0.0, (640, 480))
    fold = fold_radius(lens)
    assert fold == pytest.approx(1.0 / np.sqrt(1.2))
    edge_px = 500.0 * fold * (1 - 0.4 * fold**2)
    inside, outside = [320.0 + 0.98 * edge_px, 240.0], [320.0 + 1.02 * edge_px, 240.0]
    _, holds = undistort(lens, np.array([inside, outside]))
    assert holds.tolist() == [True, False]
    assert np.isnan(undistorted_px(lens, np.array([outside]))).all()
    assert fold_radius(Lens(500.0, 500.0, 320.0, 240.0, 0.1, 0.0, 0.0, 0.0, 0.0)) == np.inf


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-5, 0.3, 2.0, np.pi - 1e-7, np.pi])
def test_rotations_are_opencvs(angle: float, rng: np.random.Generator) -> None:
    axis = rng.normal(size=(20, 3))
    vectors = angle * axis / np.linalg.norm(axis, axis=1, keepdims=True)
    ours = rotation_matrix(vectors)
    for vector, matrix in zip(vectors, ours, strict=True):
        assert np.abs(cv2.Rodrigues(vector)[0] - matrix).max() < 1e-12
    back = rotation_matrix(rotation_vector(ours))
    assert np.abs(back - ours).max() < 1e-12
    if angle < np.pi - 1e-3:
        assert np.abs(rotation_vector(ours) - vectors).max() < 1e-12


def test_two_views_agree_with_the_truth_and_opencv(rng: np.random.Generator) -> None:
    pose = Pose((0.02, -0.33, 0.01), (230.0, 4.0, 40.0))
    points = _points(LENS, rng, 50)
    rotation, translation = rotation_matrix(np.array(pose.rotation_vector_rad)), pose.translation_mm
    a, b = project(LENS, points), project(WIDE, points @ rotation.T + np.array(translation))
    found, covariance = triangulate([LENS, WIDE], [Pose((0, 0, 0), (0, 0, 0)), pose], [a, b])
    assert np.abs(found - points).max() < 1e-8
    assert (np.linalg.eigvalsh(covariance) > 0).all()
    assert np.abs(epipolar_px(LENS, WIDE, pose, a, b)).max() < 1e-8

    moved = b + rng.normal(0, 0.5, b.shape)
    essential = cv2.Rodrigues(np.array(pose.rotation_vector_rad))[0]
    tx, ty, tz = translation
    cross = np.array([[0, -tz, ty], [tz, 0, -tx], [-ty, tx, 0]])
    fundamental = (
        np.linalg.inv(WIDE.matrix()).T @ cross @ essential @ np.linalg.inv(LENS.matrix())
    )
    lines = cv2.computeCorrespondEpilines(undistorted_px(LENS, a)[:, None], 1, fundamental)[:, 0]
    flat = undistorted_px(WIDE, moved)
    peer = np.abs((lines[:, :2] * flat).sum(axis=1) + lines[:, 2])
    assert np.abs(np.abs(epipolar_px(LENS, WIDE, pose, a, moved)) - peer).max() < 1e-6


def test_triangulation_covariance_is_the_scatter(rng: np.random.Generator) -> None:
    pose = pose_of(rotation_matrix(np.array([0.0, -0.35, 0.0])), np.array([240.0, 0.0, 42.0]))
    point = np.array([[20.0, -10.0, 700.0]])
    rotation, translation = rotation_matrix(np.array([0.0, -0.35, 0.0])), np.array([240.0, 0.0, 42.0])
    many = np.repeat(point, 4000, axis=0)
    a = project(LENS, many) + rng.normal(0, 0.05, (4000, 2))
    b = project(LENS, many @ rotation.T + translation) + rng.normal(0, 0.05, (4000, 2))
    sigma = np.full(4000, 0.05)
    found, covariance = triangulate(
        [LENS, LENS], [Pose((0, 0, 0), (0, 0, 0)), pose], [a, b], [sigma, sigma]
    )
    scatter = np.cov(found.T)
    assert np.abs(np.sqrt(np.diag(scatter)) / np.sqrt(np.diag(covariance[0])) - 1).max() < 0.05


def test_a_point_seen_once_has_no_place() -> None:
    one = np.array([[100.0, 100.0]])
    none = np.full((1, 2), np.nan)
    found, covariance = triangulate(
        [WIDE, WIDE], [Pose((0, 0, 0), (0, 0, 0)), Pose((0, 0, 0), (100, 0, 0))], [one, none]
    )
    assert np.isnan(found).all()
    assert np.isnan(covariance).all()
