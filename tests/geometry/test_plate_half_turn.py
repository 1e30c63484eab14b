"""Which plain plates look the same upside down: exactly those whose dots a half turn maps onto dots."""

from __future__ import annotations

import numpy as np
import pytest

from holdstill.records import Plate, PlateKind


@pytest.mark.parametrize("kind", [PlateKind.DOTS, PlateKind.STAGGERED_DOTS])
@pytest.mark.parametrize("columns", [3, 4, 5])
@pytest.mark.parametrize("rows", [3, 4, 11])
def test_turned_numbers_are_a_half_turn_where_there_is_one(kind: PlateKind, columns: int, rows: int) -> None:
    plate = Plate(kind, columns, rows, 10.0)
    points = plate.points_mm()[:, :2]
    turned = points.max(axis=0) + points.min(axis=0) - points
    lands = np.linalg.norm(points[:, None] - turned[None], axis=2).min(axis=0) < 1e-6
    ids = plate.turned_ids()
    assert (ids is not None) == bool(lands.all())
    if ids is not None:
        assert np.abs(points[ids] - turned).max() < 1e-9
