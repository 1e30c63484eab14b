"""The same picture of a plain lattice, numbered another way round."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holdstill.records import IntArray, Plate, PlateKind, Sighting


def half_turned(sighting: Sighting, turned_ids: IntArray) -> Sighting:
    """The sighting renumbered as if the plate were read turned by 180 degrees.

    turned_ids: as ``Plate.turned_ids()`` gives them.
    """
    ids = turned_ids[sighting.point_ids]
    return _ordered(sighting, ids, np.sort(turned_ids[sighting.missing_ids]))


def quarter_turned(sighting: Sighting, plate: Plate, quarters: int) -> Sighting | None:
    """The sighting renumbered so that the plate lies turned by `quarters` times 90 degrees about z.

    The pose of the renumbered plate is ``R Rz(90 quarters)``, shifted in its plane.  None where a plate
    cannot be read that way: staggered, coded, marked and board plates, and points that span more
    columns than the plate has rows (or the other way round).  The shift is the least that keeps all points
    on the plate: whoever knows more must add whole pitches.
    """
    if plate.kind is not PlateKind.DOTS or plate.marks or plate.absent:
        return None
    cosine, sine = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarters % 4]
    turn = np.array([[cosine, sine], [-sine, cosine]])

    def cells(ids: IntArray) -> IntArray:
        row, column = np.divmod(ids, plate.columns)
        return np.asarray(np.stack([column, row], axis=1) @ turn.T)

    size = np.array([plate.columns, plate.rows])
    centre = (size - 1) / 2
    home = np.rint(centre - turn @ centre).astype(int)
    seen, missing = cells(sighting.point_ids) + home, cells(sighting.missing_ids) + home
    low, high = seen.min(axis=0), seen.max(axis=0)
    if (high - low >= size).any():
        return None
    shift = np.maximum(-low, 0) + np.minimum(size - 1 - high, 0)
    seen, missing = seen + shift, missing + shift
    missing = missing[((missing >= 0) & (missing < size)).all(axis=1)]
    return _ordered(
        sighting,
        seen[:, 1] * plate.columns + seen[:, 0],
        np.sort(missing[:, 1] * plate.columns + missing[:, 0]),
    )


def _ordered(sighting: Sighting, ids: IntArray, missing: IntArray) -> Sighting:
    order = np.argsort(ids)
    return replace(
        sighting,
        point_ids=ids[order].astype(np.int32),
        points_px=sighting.points_px[order],
        sigmas_px=sighting.sigmas_px[order],
        flags=sighting.flags[order],
        missing_ids=missing.astype(np.int32),
    )
