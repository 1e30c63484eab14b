"""Laws of the solve: derivatives, invariances, and that a quantity's rows tell what really happens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.geometry import lens_of, lens_parameters, matrices, pose_of, rotation_matrix, triangulate
from holdstill.geometry.lens import project
from holdstill.geometry.quantities import point_response
from holdstill.records import Estimate
from holdstill.solve import solve
from holdstill.solve.bundle import Layout, evaluate, move
from holdstill.solve.fitting import FULL
from holdstill.solve.live import half_turn
from holdstill.solve.mono import order_mask
from holdstill.solve.opening import open_cold
from holdstill.solve.plate_shape import shape_basis
from holdstill.solve.prepare import Problem, prepare
from solve.sighting_rigs import DOTS, LENSES, REFERENCE, Truth, camera_poses, plate_poses, views_of


def made(seed: int, count: int = 8, **more: bool) -> list:
    rng = np.random.default_rng(seed)
    return views_of(Truth(), plate_poses(rng, count), rng, **more)


@given(st.integers(0, 1000), st.integers(0, 200))
@settings(max_examples=12, deadline=None)
def test_normal_equations_are_half_the_costs_slope(seed: int, which: int) -> None:
    problem = prepare(DOTS, REFERENCE, made(seed % 5, 4), ("left", "right"), ())
    assert isinstance(problem, Problem)
    opened = open_cold(problem)
    basis = shape_basis(DOTS)
    layout = Layout(np.tile(order_mask(FULL), (2, 1)), basis, problem.pictures.views)
    rng = np.random.default_rng(seed)
    state = replace(opened.state, shape=rng.normal(0, 0.02, 7))
    size = layout.rig_size
    index = which % (size + 6 * layout.views)
    normals = evaluate(opened.pictures, state, layout)
    slope = np.concatenate([normals.ga.sum(axis=0), normals.gb.ravel()])[index]
    curve = np.concatenate([
        np.diag(normals.a.sum(axis=0)), np.einsum("vii->vi", normals.b).ravel()])[index]
    step = np.zeros(size + 6 * layout.views)
    step[index] = 1e-3 / np.sqrt(curve)
    up = evaluate(opened.pictures, move(state, step, layout), layout).cost
    down = evaluate(opened.pictures, move(state, -step, layout), layout).cost
    # cost falls by 2 g along a step: residual is observed minus projected.
    assert np.isclose((down - up) / (2 * step[index]), 2 * slope, rtol=1e-3, atol=1e-2 * np.sqrt(curve))


@given(st.permutations(list(range(9))), st.integers(0, 3))
@settings(max_examples=6, deadline=None)
def test_the_order_of_views_changes_nothing(order: list[int], seed: int) -> None:
    views = made(seed, 9)
    one = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    two = solve(DOTS, REFERENCE, [views[i] for i in order], cameras=("left", "right"))
    assert isinstance(one, Estimate)
    assert isinstance(two, Estimate)
    assert np.isclose(one.rms_px, two.rms_px, rtol=1e-6)
    assert abs(one.cameras[0].lens.fx - two.cameras[0].lens.fx) < 0.02 * one.cameras[0].sigmas[0]


@given(st.sets(st.integers(0, 8)), st.integers(0, 3))
@settings(max_examples=6, deadline=None)
def test_a_renumbered_plate_gives_the_same_rig(flipped: set[int], seed: int) -> None:
    views = made(seed, 9, absolute=False)
    ids = DOTS.turned_ids()
    assert ids is not None
    turned = [
        replace(v, sightings={n: half_turn(s, ids) for n, s in v.sightings.items()}) if i in flipped else v
        for i, v in enumerate(views)
    ]
    one = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    two = solve(DOTS, REFERENCE, turned, cameras=("left", "right"))
    assert isinstance(one, Estimate)
    assert isinstance(two, Estimate)
    assert np.isclose(one.rms_px, two.rms_px, rtol=1e-6)
    assert abs(one.pairs[0].baseline_mm - two.pairs[0].baseline_mm) < 1e-3


@given(st.floats(0.2, 5.0))
@settings(max_examples=5, deadline=None)
def test_the_pitch_alone_sets_the_scale(scale: float) -> None:
    views = made(1, 9)
    one = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    two = solve(replace(DOTS, pitch_mm=14.0 * scale), REFERENCE, views, cameras=("left", "right"))
    assert isinstance(one, Estimate)
    assert isinstance(two, Estimate)
    assert np.isclose(two.pairs[0].baseline_mm, scale * one.pairs[0].baseline_mm, rtol=1e-5)
    assert np.isclose(one.rms_px, two.rms_px, rtol=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_point_response_is_what_triangulation_does(seed: int) -> None:
    """Change the rig a little, keep the pixels: the points move as the rows say."""
    rng = np.random.default_rng(seed)
    poses = camera_poses(2)
    points = np.array([0.0, 0.0, 700.0]) + rng.uniform(-40, 40, (6, 3))
    pixels = []
    for lens, pose in zip(LENSES, poses, strict=True):
        r, t = matrices(pose)
        pixels.append(project(lens, points @ r.T + t))
    change = np.zeros(30)
    change[:18] = rng.normal(0, 1, 18) * np.tile([1, 1, 1, 1, 1e-3, 1e-3, 1e-5, 1e-5, 1e-3], 2) * 0.1
    change[24:27], change[27:] = rng.normal(0, 1e-5, 3), rng.normal(0, 1e-2, 3)
    moved_lenses = [
        lens_of(lens_parameters(lens) + change[9 * c : 9 * c + 9], lens.size_px)
        for c, lens in enumerate(LENSES)
    ]
    r, t = matrices(poses[1])
    moved_pose = pose_of(rotation_matrix(change[24:27]) @ r, t + change[27:])
    found, _ = triangulate(moved_lenses, [poses[0], moved_pose], pixels, steps=6)
    told = point_response(LENSES, poses, points) @ change
    assert np.allclose(found - points, told, atol=2e-3 * np.abs(told).max() + 1e-7)
