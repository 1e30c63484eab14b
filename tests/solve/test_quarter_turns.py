"""A plain grid seen in part can be numbered a quarter turn aside; the other camera tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.geometry.renumbering import quarter_turned
from holdstill.records import Estimate, Mark, MarkKind, PlateKind, View
from holdstill.solve import agree, solve
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(17)


def cut(view: View, camera: str, columns: range, rows: range) -> View:
    """The view with only some of the dots in one camera's picture."""
    seen = view.sightings[camera]
    row, column = np.divmod(seen.point_ids, DOTS.columns)
    part = np.isin(column, columns) & np.isin(row, rows)
    less = replace(seen, point_ids=seen.point_ids[part], points_px=seen.points_px[part],
                   sigmas_px=seen.sigmas_px[part], flags=seen.flags[part])  # fmt: skip
    return replace(view, sightings={**view.sightings, camera: less})


def cells(ids: np.ndarray) -> np.ndarray:
    return np.stack([ids % DOTS.columns, ids // DOTS.columns], axis=1)


def test_four_quarter_turns_come_back_and_each_turns_the_lattice(rng: np.random.Generator) -> None:
    seen = cut(views_of(Truth(), plate_poses(rng, 3), rng)[0], "left", range(3, 11), range(1, 9)).sightings[
        "left"
    ]
    turned = seen
    for _ in range(4):
        before = turned
        turned = quarter_turned(turned, DOTS, 1)
        assert turned is not None
        at = {tuple(p): i for p, i in zip(before.points_px, cells(before.point_ids), strict=True)}
        old = np.array([at[tuple(p)] for p in turned.points_px])
        new = cells(turned.point_ids)
        assert (np.diff(new, axis=0) == np.stack([np.diff(old[:, 1]), -np.diff(old[:, 0])], axis=1)).all()
    assert np.array_equal(cells(turned.point_ids) - cells(turned.point_ids)[0],
                          cells(seen.point_ids) - cells(seen.point_ids)[0])  # fmt: skip


def test_a_plate_that_can_not_be_read_turned_is_left_alone(rng: np.random.Generator) -> None:
    views = views_of(Truth(), plate_poses(rng, 3), rng)
    assert quarter_turned(views[0].sightings["left"], DOTS, 1) is None
    part = cut(views[0], "left", range(8), range(8)).sightings["left"]
    assert quarter_turned(part, replace(DOTS, marks=(Mark(1, 1, MarkKind.RING),)), 1) is None
    assert quarter_turned(part, replace(DOTS, kind=PlateKind.STAGGERED_DOTS), 1) is None


@pytest.mark.parametrize("quarters", [1, 3])
def test_the_other_camera_turns_a_part_back(rng: np.random.Generator, quarters: int) -> None:
    views = views_of(Truth(), plate_poses(rng, 12, spread_mm=15.0, depth_mm=20.0), rng, absolute=False)
    estimate = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    assert isinstance(estimate, Estimate)
    for view in views[:4]:
        part = cut(view, "right", range(4, 12), range(1, 9))
        straight = agree(part.sightings, DOTS, estimate)
        aside = quarter_turned(part.sightings["right"], DOTS, quarters)
        assert aside is not None
        told = agree({**part.sightings, "right": aside}, DOTS, estimate)
        where = dict(
            zip(straight["right"].point_ids.tolist(), straight["right"].points_px.tolist(), strict=True)
        )
        assert {i: where[i] for i in told["right"].point_ids.tolist()} == dict(
            zip(told["right"].point_ids.tolist(), told["right"].points_px.tolist(), strict=True)
        )
        assert np.array_equal(told["left"].point_ids, straight["left"].point_ids)
