"""Laws of the geometry: derivatives equal central differences, motions undo each other."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.geometry import (
    align,
    compose,
    invert,
    left_jacobian,
    project,
    project_with_jacobian,
    rotated_point_jacobian,
    rotation_matrix,
    rotation_vector,
    transform,
)
from holdstill.records import Pose

number = st.floats(-1.0, 1.0, allow_nan=False, width=32)
vector = st.tuples(number, number, number).map(lambda v: np.array(v, dtype=np.float64))
turn = vector.map(lambda v: v * 1.7)


@st.composite
def lenses(draw: st.DrawFn) -> np.ndarray:
    f = draw(st.floats(400, 9000))
    return np.array(
        [
            f, f * draw(st.floats(0.9, 1.1)), draw(st.floats(200, 2000)), draw(st.floats(200, 2000)),
            draw(number) * 0.4, draw(number) * 0.4, draw(number) * 0.01, draw(number) * 0.01,
            draw(number) * 0.2,
        ]
    )


@given(lenses(), vector)
@settings(max_examples=60, deadline=None)
def test_lens_jacobian_equals_central_difference(lens: np.ndarray, at: np.ndarray) -> None:
    points = np.array([[150.0 * at[0], 150.0 * at[1], 500.0 + 100.0 * at[2]]])
    _, by_lens, by_point = project_with_jacobian(lens, points)
    for index in range(9):
        step = np.zeros(9)
        step[index] = 1e-6 * max(1.0, abs(lens[index]))
        slope = (project(lens + step, points) - project(lens - step, points)) / (2 * step[index])
        assert np.allclose(by_lens[0, :, index], slope[0], rtol=1e-5, atol=1e-4)
    for index in range(3):
        step = np.zeros(3)
        step[index] = 1e-3
        slope = (project(lens, points + step) - project(lens, points - step)) / 2e-3
        assert np.allclose(by_point[0, :, index], slope[0], rtol=1e-5, atol=1e-5)


@given(turn, vector)
@settings(max_examples=80, deadline=None)
def test_rotation_jacobian_equals_central_difference(rvec: np.ndarray, point: np.ndarray) -> None:
    exact = rotated_point_jacobian(rvec, point[None])[0]
    for index in range(3):
        step = np.zeros(3)
        step[index] = 1e-6
        slope = (rotation_matrix(rvec + step) @ point - rotation_matrix(rvec - step) @ point) / 2e-6
        assert np.allclose(exact[:, index], slope, atol=1e-8)


@given(turn, vector)
@settings(max_examples=60, deadline=None)
def test_left_jacobian_turns_the_frame(rvec: np.ndarray, change: np.ndarray) -> None:
    small = change * 1e-5
    turned = rotation_matrix(rvec + small)
    left = rotation_matrix(left_jacobian(rvec) @ small) @ rotation_matrix(rvec)
    assert np.abs(turned - left).max() < 1e-9


@given(turn, vector, turn, vector, vector)
@settings(max_examples=60, deadline=None)
def test_poses_join_and_undo(
    r1: np.ndarray, t1: np.ndarray, r2: np.ndarray, t2: np.ndarray, point: np.ndarray
) -> None:
    one, two = Pose.of(r1, 100 * t1), Pose.of(r2, 100 * t2)
    there = transform(compose(one, two), point[None])
    assert np.allclose(there, transform(one, transform(two, point[None])), atol=1e-9)
    assert np.allclose(transform(invert(one), transform(one, point[None])), point[None], atol=1e-9)


@given(turn)
@settings(max_examples=60, deadline=None)
def test_rotation_vector_undoes_rotation_matrix(rvec: np.ndarray) -> None:
    matrix = rotation_matrix(rvec)
    assert np.abs(rotation_matrix(rotation_vector(matrix)) - matrix).max() < 1e-12
    assert abs(np.linalg.det(matrix) - 1) < 1e-12


@given(turn, vector, st.integers(0, 2**31))
@settings(max_examples=40, deadline=None)
def test_align_finds_the_motion(rvec: np.ndarray, shift: np.ndarray, seed: int) -> None:
    cloud = np.random.default_rng(seed).normal(size=(8, 3)) * 50
    matrix = rotation_matrix(rvec)
    found, translation = align(cloud, cloud @ matrix.T + shift)
    assert np.allclose(found, matrix, atol=1e-9)
    assert np.allclose(translation, shift, atol=1e-7)
