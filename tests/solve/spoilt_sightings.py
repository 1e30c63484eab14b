"""What goes wrong with a shot's sightings: cameras swapped, pictures mirrored, dots numbered one over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from holdstill.records import Sighting
from solve.sighting_rigs import DOTS


def swapped(seen: Mapping[str, Sighting]) -> dict[str, Sighting]:
    """The left camera's picture called right and the other way round; one alone stays as it is."""
    if len(seen) < 2:
        return dict(seen)
    return {"left": replace(seen["right"], camera="left"), "right": replace(seen["left"], camera="right")}


def mirrored(sighting: Sighting) -> Sighting:
    """The picture mirrored left to right, its plain lattice numbered as any finder would."""
    row, column = np.divmod(sighting.point_ids, DOTS.columns)
    ids = row * DOTS.columns + (DOTS.columns - 1 - column)
    order = np.argsort(ids)
    pixels = sighting.points_px * [-1.0, 1.0] + [sighting.image_size_px[0] - 1.0, 0.0]
    return replace(sighting, point_ids=ids[order].astype(np.int32), points_px=pixels[order],
                   sigmas_px=sighting.sigmas_px[order])


def one_column_over(sighting: Sighting) -> Sighting:
    """Every dot numbered as its neighbour to the right; the last column is lost."""
    inner = sighting.point_ids % DOTS.columns < DOTS.columns - 1
    return replace(sighting, point_ids=sighting.point_ids[inner] + np.int32(1),
                   points_px=sighting.points_px[inner], sigmas_px=sighting.sigmas_px[inner],
                   flags=sighting.flags[inner])
