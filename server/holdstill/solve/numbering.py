"""Which dot is which: half turns and whole-pitch shifts of a plain lattice seen in part.

A plain grid partly in view can be numbered some pitches off. One camera can't know; another that
sees the same plate at the same moment can, once the relation between them is known: the two
numberings must give the plate one place.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holdstill.geometry.rotations import turn_deg
from holdstill.records import FloatArray, IntArray, Plate, PlateKind, Sighting

_TURN_DEG = 2.0
"""Largest turn between two readings of the plate for a shift to be looked for."""
_OFF_PITCH = 0.25
"""Largest distance from a whole pitch for a shift to be believed."""

Place = tuple[FloatArray, FloatArray]


def lattice_shift(plate: Plate, own: Place, wanted: Place) -> tuple[int, int] | None:
    """Columns and rows to add to a picture's numbering so that the plate lies where `wanted` says.

    `own` and `wanted`: plate poses (R, t) in that camera's frame, as numbered now and as the other
    camera predicts. None when they differ by something else than whole pitches in the plate's
    plane, or not at all.
    """
    (r, t), (r_wanted, t_wanted) = own, wanted
    if float(turn_deg(r.T @ r_wanted)) > _TURN_DEG:
        return None
    centre = plate.points_mm().mean(axis=0)
    off = r.T @ (r @ centre + t - r_wanted @ centre - t_wanted)
    if plate.kind is PlateKind.STAGGERED_DOTS:
        step_x, step_y = plate.pitch_mm * np.sqrt(2.0), plate.pitch_mm / np.sqrt(2.0)
    else:
        step_x = step_y = plate.pitch_mm
    pitches = np.array([off[0] / step_x, off[1] / step_y])
    whole = np.rint(pitches).astype(int)
    if not whole.any() or np.abs(pitches - whole).max() > _OFF_PITCH:
        return None
    if plate.kind is PlateKind.STAGGERED_DOTS and whole[1] % 2:
        return None
    return int(whole[0]), int(whole[1])


def shifted(sighting: Sighting, plate: Plate, shift: tuple[int, int]) -> Sighting:
    """The sighting with columns and rows added to its numbering; the points keep their order.

    The caller sees to it that no point leaves the plate (``common_shift``).
    """
    add = np.int32(shift[1] * plate.columns + shift[0])
    missing = sighting.missing_ids + add
    on_plate = (missing >= 0) & (missing < plate.point_count)
    return replace(sighting, point_ids=sighting.point_ids + add, missing_ids=missing[on_plate])


def common_shift(
    plate: Plate, seen: list[IntArray], shift: tuple[int, int]
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Shifts of a reference picture and of another one, `shift` apart, that keep both on the plate.

    `seen`: the points of the two pictures. None when no common place on the plate holds both.
    """
    out = []
    for axis, size in ((0, plate.columns), (1, plate.rows)):
        at = [np.divmod(ids, plate.columns)[1 - axis] for ids in seen]
        low = min(int(at[0].min()), int(at[1].min()) + shift[axis])
        high = max(int(at[0].max()), int(at[1].max()) + shift[axis])
        back = max(0, -low) + min(0, size - 1 - high)
        if low + back < 0 or high + back > size - 1:
            return None
        out.append(back)
    if plate.kind is PlateKind.STAGGERED_DOTS and out[1] % 2:
        return None
    return (out[0], out[1]), (out[0] + shift[0], out[1] + shift[1])
