"""The image of a dot's centre is not the centre of its image: how far apart, per view.

A circle through perspective and distortion becomes a curve whose best-fitting ellipse is centred
elsewhere than the image of the circle's centre.  The view's own map (homography, k1, k2) is enough
to predict it; no calibration is needed.
"""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray

from .viewmap import ViewMap

_ANGLES = 16


def eccentricity_px(view: ViewMap, xy: FloatArray, radius: float) -> FloatArray:
    """Offset (n, 2), px: fitted ellipse centre minus image of the circle's centre.

    xy (n, 2) and radius in the plate unit of `view`.  The outline is mapped at 16 angles; e solves
    ``sum w n n' e = sum w n n'.(x - c - J R u)`` with n the outline's normal and w its arc length:
    the shift of a template that is held in shape, which is what the scoring step measures.  Checked
    against the closed form for a tilted circle on the axis, ``c r^2 sin w cos w / (d^2 - r^2 sin^2 w)``
    (cf. Matsuoka & Maruyama, ISPRS Annals III-5 (2016) 19-26).
    """
    n = len(xy)
    angle = 2 * np.pi * np.arange(_ANGLES) / _ANGLES
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    outline = view((xy[:, None, :] + radius * unit[None]).reshape(-1, 2)).reshape(n, _ANGLES, 2)
    jac = view.jacobians(xy)
    off = outline - view(xy)[:, None, :] - radius * (unit @ jac.transpose(0, 2, 1))
    normal = unit @ np.linalg.inv(jac)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    tangent = np.stack([-unit[:, 1], unit[:, 0]], axis=1) @ jac.transpose(0, 2, 1)
    arc = np.linalg.norm(tangent, axis=2)
    matrix = np.einsum("nk,nki,nkj->nij", arc, normal, normal)
    right = np.einsum("nk,nki->ni", arc * (normal * off).sum(axis=2), normal)
    return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])
