"""Which of a plate's like-looking turns to number by: right and down in the picture."""

from __future__ import annotations

import numpy as np

from holdstill.geometry.renumbering import half_turned
from holdstill.records import FloatArray, IntArray, Plate, Sighting


def upright_turn(plate: Plate, ids: IntArray, points_px: FloatArray) -> bool:
    """True when the half turn makes columns run more to the right and rows more downward.

    Compares the picture directions of the plate's x and y (a least-squares affine fit); the sum of
    x to the right and y downward decides, so every picture has exactly one answer.
    """
    xy = plate.points_mm()[ids, :2]
    centred = xy - xy.mean(axis=0)
    affine = np.linalg.lstsq(centred, points_px - points_px.mean(axis=0), rcond=None)[0]
    along_x = affine[0] / max(float(np.linalg.norm(affine[0])), 1e-12)
    along_y = affine[1] / max(float(np.linalg.norm(affine[1])), 1e-12)
    return bool(along_x[0] + along_y[1] < 0)


def half_turn(sighting: Sighting, plate: Plate) -> Sighting:
    """The same sighting renumbered as if the plate were read turned by 180 degrees.

    Unchanged when the printed pattern tells the two apart (``plate.turned_ids()`` is None).
    """
    turned = plate.turned_ids()
    if turned is None:
        return sighting
    return half_turned(sighting, turned)
