"""The image of a dot's centre is not the centre of its image: how far apart, per view.

A circle through perspective and distortion becomes a curve whose best-fitting ellipse is centred
elsewhere than the image of the circle's centre.  The view's own map (homography, k1, k2) is enough
to predict it; no calibration is needed.
"""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray

from .compiled import compiled
from .viewmap import ViewMap, mapped

_ANGLES = 16
_ANGLE = 2 * np.pi * np.arange(_ANGLES) / _ANGLES
_UNIT = np.stack([np.cos(_ANGLE), np.sin(_ANGLE)], axis=1)


def eccentricity_px(view: ViewMap, xy: FloatArray, radius: float) -> FloatArray:
    """Offset (n, 2), px: fitted ellipse centre minus image of the circle's centre.

    xy (n, 2) and radius in the plate unit of `view`.  The outline is mapped at 16 angles; e solves
    ``sum w n n' e = sum w n n'.(x - c - J R u)`` with n the outline's normal and w its arc length:
    the shift of a template that is held in shape, which is what the scoring step measures.  Checked
    against the closed form for a tilted circle on the axis, ``c r^2 sin w cos w / (d^2 - r^2 sin^2 w)``
    (cf. Matsuoka & Maruyama, ISPRS Annals III-5 (2016) 19-26).
    """
    return _offsets(
        np.ascontiguousarray(xy, dtype=np.float64), radius, view.homography, view.centre_px, view.scale_px,
        view.k1, view.k2, _UNIT,
    )  # fmt: skip


@compiled
def _offsets(
    xy: FloatArray,
    radius: float,
    h: FloatArray,
    centre: FloatArray,
    scale: float,
    k1: float,
    k2: float,
    unit: FloatArray,
) -> FloatArray:
    out = np.zeros((len(xy), 2))
    at, jac = mapped(xy, h, centre, scale, k1, k2)
    line = np.empty((len(unit), 2))
    for i in range(len(xy)):
        for k in range(len(unit)):
            x, y = xy[i, 0] + radius * unit[k, 0], xy[i, 1] + radius * unit[k, 1]
            w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
            over = 1.0 / (w if abs(w) > 1e-12 else 1e-12)
            qx = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) * over
            qy = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) * over
            r2 = min(qx * qx + qy * qy, 16.0)
            radial = scale * (1.0 + k1 * r2 + k2 * r2 * r2)
            line[k, 0], line[k, 1] = centre[0] + qx * radial, centre[1] + qy * radial
        a, b, c, d = jac[i, 0, 0], jac[i, 0, 1], jac[i, 1, 0], jac[i, 1, 1]
        det = a * d - b * c
        sxx, sxy, syy, rx, ry = 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(len(unit)):
            ux, uy = unit[k, 0], unit[k, 1]
            ox = line[k, 0] - at[i, 0] - radius * (a * ux + b * uy)
            oy = line[k, 1] - at[i, 1] - radius * (c * ux + d * uy)
            nx, ny = (d * ux - c * uy) / det, (a * uy - b * ux) / det
            size = np.sqrt(nx * nx + ny * ny)
            nx, ny = nx / size, ny / size
            tx, ty = -a * uy + b * ux, -c * uy + d * ux
            arc = np.sqrt(tx * tx + ty * ty)
            along = arc * (nx * ox + ny * oy)
            sxx += arc * nx * nx
            sxy += arc * nx * ny
            syy += arc * ny * ny
            rx += along * nx
            ry += along * ny
        whole = sxx * syy - sxy * sxy
        out[i, 0] = (syy * rx - sxy * ry) / whole
        out[i, 1] = (sxx * ry - sxy * rx) / whole
    return out
