"""The adjustment on published point sets, and the propagation of uncertainty on the GUM's examples.

Sources beside each check. The point sets stand beside the checkout and are never committed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from holdstill.geometry import rotation_matrix, rotation_vector
from holdstill.solve.bundle import Layout, State
from holdstill.solve.descent import DenseNormals, covariance, descend
from holdstill.solve.mono import adjust, order_mask, rms_px, solve_mono
from holdstill.solve.observations import Pictures

POINTS = Path(__file__).resolve().parents[3] / "shared" / "data" / "points"


def pictures(plane: np.ndarray, seen: list[np.ndarray]) -> Pictures:
    count = len(seen)
    return Pictures(
        np.zeros(count, dtype=np.int32), np.arange(count, dtype=np.int32), np.array(seen),
        np.ones((count, len(plane))), np.c_[plane, np.zeros(len(plane))], 1, count,
    )


def zhang() -> Pictures:
    folder = POINTS / "zhang1998"
    if not folder.is_dir():
        pytest.skip("the published point sets are not beside the checkout")
    plane = np.loadtxt(folder / "Model.txt").reshape(-1, 2)
    return pictures(plane, [np.loadtxt(folder / f"data{i}.txt").reshape(-1, 2) for i in range(1, 6)])


def finished(given: Pictures, order: str, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, float]:
    """Lens, its standard deviations (2N - p degrees of freedom) and the rms (px)."""
    mono = solve_mono(given, size, None, order)
    layout = Layout(order_mask(order)[None], np.zeros((0, len(given.points_mm), 3)), given.views)
    state = State(mono.lens[None], np.eye(3)[None], np.zeros((1, 3)), mono.view_r, mono.view_t, np.zeros(0))
    walk = adjust(given, state, layout, tolerance=1e-6)
    assert walk.converged
    freedom = 2 * given.count - layout.rig_size - 6 * given.views
    spread = covariance(walk.normals.view_information()[0].sum(axis=0), walk.normals.cost / freedom)
    return walk.state.lenses[0], np.sqrt(np.diag(spread)), rms_px(walk.normals.residual, given.weight)


def test_zhangs_data_without_skew() -> None:
    """Z. Zhang, MSR-TR-98-71 (1998), his data; values without skew computed from them."""
    lens, _, rms = finished(zhang(), "k1 k2", (640, 480))
    assert lens[:4] == pytest.approx([832.207, 832.243, 304.068, 206.372], abs=2e-3)
    assert lens[4:6] == pytest.approx([-0.22853, 0.19101], abs=2e-5)
    assert rms == pytest.approx(0.33689, abs=1e-5)


def test_zhangs_data_from_two_views() -> None:
    """Same source; two-view row of the published table (from memory) and computed."""
    given = zhang()
    two = pictures(given.points_mm[:, :2], list(given.pixels[:2]))
    lens, _, rms = finished(two, "k1 k2", (640, 480))
    assert lens[:4] == pytest.approx([830.468, 830.241, 307.032, 206.550], abs=5e-3)
    assert rms == pytest.approx(0.29480, abs=1e-5)


def test_zhangs_data_with_skew() -> None:
    """Published result of the same source, where skew is a parameter (in this test only)."""
    given = zhang()
    lens, _, _ = finished(given, "k1 k2", (640, 480))
    mono = solve_mono(given, (640, 480), None, "k1 k2")
    views = given.views
    start = np.concatenate([
        [lens[0], 0.0, *lens[1:6]], rotation_vector(mono.view_r).ravel(), mono.view_t.ravel()])

    def predicted(p: np.ndarray) -> np.ndarray:
        a, skew, b, u0, v0, k1, k2 = p[:7]
        turn = rotation_matrix(p[7 : 7 + 3 * views].reshape(-1, 3))
        at = turn @ given.points_mm.T + p[7 + 3 * views :].reshape(-1, 3, 1)
        x, y = at[:, 0] / at[:, 2], at[:, 1] / at[:, 2]
        r2 = x * x + y * y
        radial = 1 + k1 * r2 + k2 * r2 * r2
        return np.stack([a * x * radial + skew * y * radial + u0, b * y * radial + v0], axis=2)

    def evaluate(p: np.ndarray) -> DenseNormals:
        residual = (given.pixels - predicted(p)).ravel()
        columns = []
        for i in range(len(p)):
            step = np.zeros(len(p))
            step[i] = 1e-6 * max(1.0, abs(p[i]))
            columns.append((predicted(p + step) - predicted(p - step)).ravel() / (2 * step[i]))
        j = np.array(columns)
        return DenseNormals(j @ j.T, j @ residual, float(residual @ residual))

    freedom = 2 * given.count - len(start)
    found = descend(start, evaluate, lambda p, d: p + d, degrees_of_freedom=freedom, tolerance=1e-5)
    assert found.converged
    assert found.state[:7] == pytest.approx(
        [832.5, 0.204494, 832.53, 303.959, 206.585, -0.228601, 0.190353], rel=1e-4, abs=2e-3)
    assert np.sqrt(found.normals.cost / given.count) == pytest.approx(0.33643, abs=1e-5)
    sigmas = np.sqrt(np.diag(covariance(found.normals.matrix, found.normals.cost / freedom)))
    expected = [1.407, 0.0783, 1.386, 0.712, 0.659, 0.0041, 0.0249]
    assert sigmas[:7] == pytest.approx(expected, rel=0.01)


def test_the_accuracy_data_of_opencv() -> None:
    """OpenCV's test data ``calib1.dat`` (BSD): values and residual deviations stand in the file;
    standard deviations computed with 2N - p degrees of freedom."""
    path = POINTS / "calib1.dat"
    if not path.is_file():
        pytest.skip("the published point sets are not beside the checkout")
    numbers = [float(v) for line in path.read_text().splitlines() for v in line.split()
               if line.strip() and line.strip()[0] in "0123456789-."]
    columns, rows, views = int(numbers[2]), int(numbers[3]), int(numbers[4])
    count = columns * rows
    body = np.array(numbers[5 : 5 + views * count * 5])
    boards = body[: views * count * 3].reshape(views, count, 3)
    seen = body[views * count * 3 :].reshape(views, count, 2)
    # Some views number the board lying, some upright: one square lattice holds both.
    side = max(columns, rows)
    at = np.rint(boards[:, :, :2] / 2.54).astype(int)
    number = at[:, :, 1] * side + at[:, :, 0]
    pixels, weight = np.zeros((views, side * side, 2)), np.zeros((views, side * side))
    for view in range(views):
        pixels[view, number[view]], weight[view, number[view]] = seen[view], 1.0
    lattice = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=2).reshape(-1, 2) * 2.54
    given = replace(pictures(lattice, list(pixels)), weight=weight)
    lens, sigmas, _ = finished(given, "k1 k2 p1 p2", (640, 480))
    assert lens[:4] == pytest.approx([809.9479, 806.5596, 361.9961, 214.3951], abs=2e-3)
    assert lens[4:8] == pytest.approx([-0.12821, -0.39441, -0.00435, -0.00732], abs=5e-5)
    assert sigmas[:4] == pytest.approx([6.3134, 5.8768, 5.6828, 8.8383], rel=2e-3)


def test_gum_h3_line_fit() -> None:
    """JCGM 100:2008, annex H.3: calibration of a thermometer (values from memory, recomputed)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000

    def evaluate(y: np.ndarray) -> DenseNormals:
        rows = np.stack([np.ones_like(t), t - 20.0], axis=1)
        left = b - rows @ y
        return DenseNormals(rows.T @ rows, rows.T @ left, float(left @ left))

    found = descend(np.zeros(2), evaluate, lambda y, d: y + d, degrees_of_freedom=9, tolerance=1e-8)
    spread = covariance(found.normals.matrix, found.normals.cost / 9)
    sigmas = np.sqrt(np.diag(spread))
    assert found.state == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert sigmas == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert spread[0, 1] / sigmas.prod() == pytest.approx(-0.930, abs=5e-4)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ found.state == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ spread @ at_30) == pytest.approx(0.0041, abs=5e-5)


def test_gum_h2_correlated_inputs() -> None:
    """JCGM 100:2008, annex H.2: resistance and reactance, a nonlinear solve with correlated input
    (values from memory, recomputed). V, I and phi are adjusted to their means with the mean's own
    covariance; R, X and Z follow by the propagation used for the quantities."""
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    table = np.stack([v, i, phi])
    mean, weight = table.mean(axis=1), np.linalg.inv(np.cov(table) / 5)

    def rxz(p: np.ndarray) -> np.ndarray:
        z = p[0] / p[1]
        return np.array([z * np.cos(p[2]), z * np.sin(p[2]), z])

    def evaluate(p: np.ndarray) -> DenseNormals:
        left = mean - p
        return DenseNormals(weight, weight @ left, float(left @ weight @ left))

    found = descend(mean * 1.1, evaluate, lambda p, d: p + d, degrees_of_freedom=1, tolerance=1e-9)
    spread = covariance(found.normals.matrix, 1.0)
    steps = np.diag(1e-6 * mean)
    rows = np.array([(rxz(found.state + s) - rxz(found.state - s)) / (2 * s.sum()) for s in steps]).T
    out = rows @ spread @ rows.T
    assert rxz(found.state) == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert np.sqrt(np.diag(out)) == pytest.approx([0.071, 0.295, 0.236], abs=7e-4)
    assert out[0, 1] / np.sqrt(out[0, 0] * out[1, 1]) == pytest.approx(-0.588, abs=5e-4)
