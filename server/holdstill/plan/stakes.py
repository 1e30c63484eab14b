"""What the user wants to know, as matrices of the rig's unknowns: the planner makes ``tr(M C)`` small."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from holdstill.geometry import lens_of, pose_of
from holdstill.geometry.information import Cameras, Unknowns
from holdstill.geometry.quantities import (
    QuantityRows,
    Volume,
    edge_rows,
    epipolar_rows,
    gauge_ends,
    length_rows,
    shape_rows,
    visible_in,
)
from holdstill.limits import limit
from holdstill.records import Estimate, FloatArray, Lens, Pose

_FEWEST_POINTS = 8


def goals(estimate: Estimate | None, scale_um_per_px: float) -> dict[str, float]:
    """Wanted sigma of each quantity: the estimate's own goals where it has them, else the table's."""
    wanted = {
        "shape_um": limit("goal_shape_share_px") * scale_um_per_px,
        "length_um": limit("goal_length_share_px") * scale_um_per_px,
        "epipolar_px": limit("goal_epipolar_px"),
        "edge_distortion_px": limit("goal_edge_px"),
    }
    if estimate is not None:
        wanted.update({q.name: q.goal for q in estimate.quantities if q.name in wanted and q.goal > 0})
    return wanted


def quantity_matrices(cameras: Cameras, free: Unknowns, volume: Volume) -> dict[str, FloatArray]:
    """M of every quantity that these cameras have, float64 (P, P) in the unknowns' scaled units.

    Over the part of the volume that every picture shows; a single camera has the border's
    distortion only.
    """
    sizes = [(int(w), int(h)) for w, h in cameras.sizes_px]
    lenses = [lens_of(p, s) for p, s in zip(cameras.lenses, sizes, strict=True)]
    poses = [pose_of(r, t) for r, t in zip(cameras.rotations, cameras.translations_mm, strict=True)]

    def inside(points: FloatArray) -> NDArray[np.bool_]:
        seen = [visible_in(a, s, b, points) for a, s, b in zip(lenses, sizes, poses, strict=True)]
        return np.asarray(np.all(seen, axis=0))

    rows = [edge_rows(lenses, sizes)]
    points = volume.points((4, 4, 3))
    points = points[inside(points)]
    if cameras.count > 1 and len(points) >= _FEWEST_POINTS:
        rows.append(shape_rows(lenses, poses, points))
        gauge = min(limit("volume_gauge_mm"), 0.7 * float(np.sort(volume.size_mm)[1]))
        first, second = gauge_ends(volume, gauge)
        both = inside(first) & inside(second)
        if both.any():
            rows.append(length_rows(lenses, poses, (first[both], second[both]), gauge))
    out = {row.name: _chosen(row, cameras, free) for row in rows}
    if cameras.count > 1 and len(points) >= _FEWEST_POINTS:
        out["epipolar_px"] = _epipolar(lenses, poses, points, cameras, free)
    return out


def weighted(matrices: dict[str, FloatArray], wanted: dict[str, float]) -> FloatArray:
    """Sum of the quantities' matrices, each over its goal squared: float64 (P, P)."""
    return np.asarray(np.sum([m / wanted[name] ** 2 for name, m in matrices.items()], axis=0))


def _columns(cameras: Cameras, free: Unknowns, of: Sequence[int]) -> tuple[list[int], list[int]]:
    """Columns of the full parameters of the cameras `of`, and where they stand among the unknowns."""
    full, mine = [], []
    for place, camera in enumerate(of):
        full += [9 * place + int(c) for c in free.lens_columns]
        mine += list(range(*free.lens_slice(camera).indices(free.count)))
        if camera > 0:
            full += [9 * len(of) + 6 * place + i for i in range(6)]
            mine += list(range(*free.pose_slice(camera).indices(free.count)))
    return full, mine


def _chosen(row: QuantityRows, cameras: Cameras, free: Unknowns) -> FloatArray:
    full, mine = _columns(cameras, free, range(cameras.count))
    return _placed(row.matrix(), full, mine, free)


def _placed(matrix: FloatArray, full: list[int], mine: list[int], free: Unknowns) -> FloatArray:
    out = np.zeros((free.count, free.count))
    out[np.ix_(mine, mine)] = matrix[np.ix_(full, full)]
    return np.asarray(out * free.scales[:, None] * free.scales[None, :])


def _epipolar(
    lenses: Sequence[Lens], poses: Sequence[Pose], points: FloatArray, cameras: Cameras, free: Unknowns
) -> FloatArray:
    """Mean over neighbouring cameras."""
    out = np.zeros((free.count, free.count))
    for second in range(1, cameras.count):
        pair = [second - 1, second]
        row = epipolar_rows([lenses[k] for k in pair], [poses[k] for k in pair], points)
        out += _placed(row.matrix(), *_columns(cameras, free, pair), free)
    return out / (cameras.count - 1)
