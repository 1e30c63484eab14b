"""Residuals and numbers worked out anew from an estimate, as a journal's reader does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holdstill.archive import codec
from holdstill.records import Estimate, View
from holdstill.records import events as ev
from holdstill.solve import point_numbers, solve, with_residuals, without_residuals
from holdstill.solve.live import half_turn
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of


def ambiguous_set() -> list[View]:
    """Views of a plain lattice: some right pictures numbered upside down, two seen in part and off by
    a row or a column."""
    rng = np.random.default_rng(5)
    views = views_of(Truth(), plate_poses(rng, 14), rng, absolute=False)
    turned = DOTS.turned_ids()
    assert turned is not None
    for i in (1, 6):
        views[i] = replace(views[i], sightings={
            **views[i].sightings, "right": half_turn(views[i].sightings["right"], turned)})
    for i, columns, rows in ((3, 1, 0), (9, 0, 1)):
        s = views[i].sightings["right"]
        inner = (s.point_ids % 14 < 14 - columns) & (s.point_ids // 14 < 10 - rows)
        views[i] = replace(views[i], sightings={**views[i].sightings, "right": replace(
            s, point_ids=(s.point_ids[inner] + np.int32(14 * rows + columns)), points_px=s.points_px[inner],
            sigmas_px=s.sigmas_px[inner], flags=s.flags[inner])})
    return views


def test_numbers_and_residuals_are_those_of_the_solve() -> None:
    views = ambiguous_set()
    found = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    assert found.turned_view_ids["right"] == (2, 7)
    assert found.shifted_view_ids["right"] == (4, 10)
    assert found.lattice_shifts["right"] == ((4, -1, 0), (10, 0, -1))
    bare = without_residuals(found)
    assert not any(fit.residuals_px for fit in bare.views)
    again = with_residuals(DOTS, bare, views)
    for fit, kept in zip(again.views, found.views, strict=True):
        for camera, residual in kept.residuals_px.items():
            assert np.abs(fit.residuals_px[camera] - residual).max() < 1e-8
            assert np.sqrt((residual**2).sum(axis=1).mean()) < 0.09
    for view in views:
        numbers = point_numbers(DOTS, found, view, "right")
        assert len(set(numbers.tolist())) == len(numbers)
        # the same dots as the left camera's, seen from the side the truth was made on
        assert set(numbers.tolist()) <= set(range(DOTS.point_count))


def test_a_journalled_estimate_stays_small() -> None:
    rng = np.random.default_rng(1)
    views = views_of(Truth(), plate_poses(rng, 26), rng)
    found = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    whole = len(codec.write(ev.Solved(0.0, found, ())))
    slim = len(codec.write(ev.Solved(0.0, without_residuals(found), ())))
    print(f"{whole} bytes with residuals, {slim} without")
    assert slim < 0.5 * whole
    assert slim < 70_000
