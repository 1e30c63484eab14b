"""Kept views as arrays: one row per picture (a view seen by one camera), one column per plate point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdstill.errors import BadInput
from holdstill.records import FloatArray, IntArray, Plate, View

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """G pictures of P plate points.

    camera, view
        Index of each picture's camera and view, int (G,), sorted by camera, then view.
    pixels
        float64 (G, P, 2); 0 where `weight` is 0.
    weight
        float64 (G, P): 1/sigma (1/px) of a point used, 0 of a point not seen or set aside.
    points_mm
        float64 (P, 3): the nominal plate.
    cameras, views
        How many of each.
    """

    camera: IntArray
    view: IntArray
    pixels: FloatArray
    weight: FloatArray
    points_mm: FloatArray
    cameras: int
    views: int

    @property
    def count(self) -> int:
        """Number of points in use."""
        return int(np.count_nonzero(self.weight))

    def only(self, pictures: BoolArray) -> Pictures:
        """These pictures alone; views keep their numbers."""
        return replace(
            self,
            camera=self.camera[pictures],
            view=self.view[pictures],
            pixels=self.pixels[pictures],
            weight=self.weight[pictures],
        )

    def with_weight(self, weight: FloatArray) -> Pictures:
        """The same pictures with other weights."""
        return replace(self, weight=weight)

    def of_camera(self, camera: int) -> Pictures:
        """One camera's pictures as a problem of their own: camera 0, views renumbered 0.."""
        mine = self.camera == camera
        count = int(mine.sum())
        return Pictures(
            np.zeros(count, dtype=np.int32),
            np.arange(count, dtype=np.int32),
            self.pixels[mine],
            self.weight[mine],
            self.points_mm,
            1,
            count,
        )


def gather(plate: Plate, views: Sequence[View], cameras: Sequence[str]) -> Pictures:
    """Arrays of the kept `views` in the order given; cameras missing in a view are left out.

    Raises ``BadInput`` for point numbers the plate does not have and for sigmas that are not
    positive: such views were edited by hand or belong to another plate.
    """
    camera_index, view_index, rows, weights = [], [], [], []
    count = plate.point_count
    for camera, name in enumerate(cameras):
        for view, kept in enumerate(views):
            sighting = kept.sightings.get(name)
            if sighting is None or len(sighting.point_ids) == 0:
                continue
            ids = np.asarray(sighting.point_ids)
            if ids.min() < 0 or ids.max() >= count:
                raise BadInput(
                    f"view {kept.name!r}, camera {name!r}: point number {int(ids.max())}, but the "
                    f"plate has {count} points (0 to {count - 1}); the view belongs to another "
                    "plate: open a new session with the right target"
                )
            sigma = np.asarray(sighting.sigmas_px, dtype=np.float64)
            at = np.asarray(sighting.points_px, dtype=np.float64)
            if not (np.all(sigma > 0.0) and np.isfinite(at).all()):
                raise BadInput(
                    f"view {kept.name!r}, camera {name!r}: a point without a finite place or a "
                    "positive sigma; drop the view and take it again"
                )
            pixels, weight = np.zeros((count, 2)), np.zeros(count)
            pixels[ids], weight[ids] = at, 1.0 / sigma
            camera_index.append(camera)
            view_index.append(view)
            rows.append(pixels)
            weights.append(weight)
    return Pictures(
        np.array(camera_index, dtype=np.int32),
        np.array(view_index, dtype=np.int32),
        np.array(rows).reshape(-1, count, 2),
        np.array(weights).reshape(-1, count),
        plate.points_mm(),
        len(cameras),
        len(views),
    )


def turned(pictures: Pictures, which: BoolArray, turned_ids: IntArray) -> Pictures:
    """The pictures with the points of `which` (bool (G,)) renumbered after a half turn."""
    pixels, weight = pictures.pixels.copy(), pictures.weight.copy()
    pixels[which] = pixels[which][:, turned_ids]
    weight[which] = weight[which][:, turned_ids]
    return replace(pictures, pixels=pixels, weight=weight)
