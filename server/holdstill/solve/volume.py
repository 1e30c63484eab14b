"""The measuring volume and the quantities over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.geometry.poses import matrices
from holdstill.geometry.quantities import (
    QuantityRows,
    Volume,
    axes_crossing_mm,
    edge_rows,
    epipolar_rows,
    gauge_ends,
    length_rows,
    shape_rows,
    viewing_axes,
    visible_in,
)
from holdstill.limits import limit
from holdstill.records import FloatArray, Lens, Pose, Quantity, Rig

from .observations import BoolArray

_ROUND_MM = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Goals:
    """Wanted sizes of the quantities: `shape_um`, `length_um`, `epipolar_px`, `edge_px`."""

    shape_um: float
    length_um: float
    epipolar_px: float
    edge_px: float

    def of(self, name: str) -> float:
        """The goal of the quantity called `name`."""
        return {
            "shape_um": self.shape_um,
            "length_um": self.length_um,
            "epipolar_px": self.epipolar_px,
            "edge_distortion_px": self.edge_px,
        }[name]


def measuring_volume(rig: Rig, poses: Sequence[Pose], seen_mm: FloatArray) -> Volume:
    """The box to be measured in, rig frame.

    As described, about the crossing of the axes; where the rig says nothing, the box that holds
    the middle nine tenths of the plate points seen (`seen_mm` (n, 3), rig frame) along each axis.
    """
    axes, crossing = viewing_axes(poses), axes_crossing_mm(poses)
    if rig.volume_mm is not None and crossing is not None:
        return Volume(crossing, axes, np.array(rig.volume_mm))
    low, high = np.percentile(seen_mm @ axes.T, (5, 95), axis=0)
    middle = 0.5 * (low + high) @ axes
    size = np.maximum(high - low, 1e-6) if rig.volume_mm is None else np.array(rig.volume_mm)
    return Volume(middle, axes, size)


def round_gauge_mm(volume: Volume) -> float:
    """A round gauge length that fits the volume's two longer sides: at most the customary one."""
    room = float(np.sort(volume.size_mm)[1])
    wanted = min(limit("volume_gauge_mm"), room)
    power = 10.0 ** np.floor(np.log10(max(wanted, 1e-9)))
    fitting = [m * power for m in _ROUND_MM if m * power <= wanted * (1.0 + 1e-9)]
    return float(max(fitting))


def image_scale_um_per_px(lenses: Sequence[Lens], poses: Sequence[Pose], at_mm: FloatArray) -> float:
    """Width of one pixel at a point (3,) of the rig frame, um, mean over the cameras."""
    scales = []
    for lens, pose in zip(lenses, poses, strict=True):
        rotation, translation = matrices(pose)
        scales.append(1000.0 * float(rotation[2] @ at_mm + translation[2]) / lens.fx)
    return float(np.mean(scales))


def goals(rig: Rig, scale_um_per_px: float) -> Goals:
    """Goals from the wanted displacement uncertainty where the rig tells one, else from the scale."""
    if rig.goal_displacement_um is not None:
        wanted = rig.goal_displacement_um
        share = wanted / scale_um_per_px / limit("goal_shape_share_px")
        return Goals(
            wanted,
            wanted * limit("goal_length_share_px") / limit("goal_shape_share_px"),
            limit("goal_epipolar_px") * share,
            limit("goal_edge_px") * share,
        )
    return Goals(
        limit("goal_shape_share_px") * scale_um_per_px,
        limit("goal_length_share_px") * scale_um_per_px,
        limit("goal_epipolar_px"),
        limit("goal_edge_px"),
    )


def quantity_rows(lenses: Sequence[Lens], poses: Sequence[Pose], volume: Volume) -> list[QuantityRows]:
    """The quantities that a rig of these cameras has, over the part of the volume all of them see.

    Shape, length and epipolar error need two cameras and points in common; the border's distortion
    error is always there.
    """
    sizes = [lens.size_px for lens in lenses]
    edge = edge_rows(lenses, sizes)
    if len(lenses) < 2:
        return [edge]

    def inside(points: FloatArray) -> BoolArray:
        sees = [visible_in(a, a.size_px, b, points) for a, b in zip(lenses, poses, strict=True)]
        return np.asarray(np.all(sees, axis=0))

    points = volume.points()
    points = points[inside(points)]
    if len(points) < 8:
        return [edge]
    out = [shape_rows(lenses, poses, points)]
    gauge = round_gauge_mm(volume)
    first, second = gauge_ends(volume, gauge)
    both = inside(first) & inside(second) if len(first) else np.zeros(0, dtype=bool)
    if both.any():
        out.append(length_rows(lenses, poses, (first[both], second[both]), gauge))
    out.append(_all_pairs(lenses, poses, points))
    out.append(edge)
    return out


def _all_pairs(lenses: Sequence[Lens], poses: Sequence[Pose], points: FloatArray) -> QuantityRows:
    cameras = len(lenses)
    rows, places = [], []
    for b in range(1, cameras):
        pair = epipolar_rows([lenses[b - 1], lenses[b]], [poses[b - 1], poses[b]], points)
        full = np.zeros((len(points), 1, 15 * cameras))
        full[:, :, 9 * (b - 1) : 9 * (b + 1)] = pair.rows[:, :, :18]
        at = 9 * cameras + 6 * (b - 1)
        full[:, :, at : at + 12] = pair.rows[:, :, 18:]
        rows.append(full)
        places.append(points)
    return QuantityRows("epipolar_px", "px", np.concatenate(rows), np.concatenate(places))


def weights_matrix(rows: Sequence[QuantityRows], wanted: Goals, free: BoolArray) -> FloatArray:
    """``M`` (p, p): the quantities' matrices, each over its goal squared, summed."""
    parts = [(q.matrix() / wanted.of(q.name) ** 2)[np.ix_(free, free)] for q in rows]
    return np.asarray(np.sum(parts, axis=0))


def quantities(
    rows: Sequence[QuantityRows],
    wanted: Goals,
    free: BoolArray,
    covariance: FloatArray,
    jackknife: FloatArray | None,
    richer: tuple[FloatArray, BoolArray] | None = None,
) -> tuple[Quantity, ...]:
    """Records of the quantities; the value shown is the larger of covariance and jackknife.

    `richer`: covariance with every lens term free and which parameters it is over, where the evidence
    left terms out; enlarged like the covariance is by the jackknife.
    """
    out = []
    for q in rows:
        mine = QuantityRows(q.name, q.unit, q.rows[:, :, free], q.places_mm, q.gauge_mm)
        by_covariance = mine.size(covariance)
        by_jackknife = None if jackknife is None else mine.size(jackknife)
        larger = jackknife is not None and by_jackknife is not None and by_jackknife > by_covariance
        places = mine.at_places(jackknife if larger and jackknife is not None else covariance)
        worst = int(np.argmax(places))
        at = mine.places_mm[worst]
        by_richer = None
        if richer is not None:
            every = QuantityRows(q.name, q.unit, q.rows[:, :, richer[1]], q.places_mm, q.gauge_mm)
            grown = max(1.0, (by_jackknife or 0.0) / max(by_covariance, 1e-300))
            by_richer = max(by_covariance, by_jackknife or 0.0, every.size(richer[0]) * grown)
        out.append(
            Quantity(
                q.name, q.unit, max(by_covariance, by_jackknife or 0.0), by_covariance, by_jackknife,
                wanted.of(q.name), float(places[worst]),
                None if np.isnan(at).any() else (float(at[0]), float(at[1]), float(at[2])),
                q.gauge_mm, by_richer,
            )
        )
    return tuple(out)
