"""How a plate may differ from a flat, square, evenly pitched lattice, in a few smooth terms."""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray, Plate, PlateShape

from .observations import BoolArray

TERMS = ("bow_x", "bow_y", "twist", "wave_x", "wave_y", "aspect", "shear")
"""Out of plane: two bows, a twist, two third-order waves; in plane: aspect and shear."""
EVEN = (0, 1, 2, 5, 6)
"""Terms that a half turn leaves alone: all that can be told of a plate numbered either way."""


def shape_basis(plate: Plate) -> FloatArray:
    """Displacements (7, P, 3) of the plate's points, mm per mm of each term, in order of ``TERMS``.

    Out-of-plane terms are polynomials over the printed area, free of any plane (which a pose would
    absorb), scaled to a largest value of one. Aspect and shear move the outermost points by one,
    and leave the mean scale alone: the pitch sets the scale.
    """
    points = plate.points_mm()
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    half = np.maximum(0.5 * (points.max(axis=0) - points.min(axis=0))[:2], 1e-9)
    reach = float(half.max())
    u, v = ((points - middle)[:, :2] / reach).T
    plane = np.stack([np.ones_like(u), u, v], axis=1)
    raw = np.stack([u * u, v * v, u * v, u * (u * u + v * v), v * (u * u + v * v)])
    out = np.zeros((len(TERMS), len(points), 3))
    for index, values in enumerate(raw):
        flat = values - plane @ np.linalg.lstsq(plane, values, rcond=None)[0]
        largest = float(np.abs(flat).max())
        out[index, :, 2] = flat / largest if largest > 1e-9 else 0.0
    out[5, :, 0], out[5, :, 1] = 0.5 * u, -0.5 * v
    out[6, :, 0], out[6, :, 1] = 0.5 * v, 0.5 * u
    return out


def usable_terms(basis: FloatArray, *, even_only: bool) -> BoolArray:
    """Which terms a plate can have at all, bool (7,): not those that vanish on its lattice."""
    there = np.abs(basis).max(axis=(1, 2)) > 0.0
    if even_only:
        keep = np.zeros(len(basis), dtype=bool)
        keep[list(EVEN)] = True
        there &= keep
    return np.asarray(there)


def plate_shape(
    plate: Plate, basis: FloatArray, terms: FloatArray, term_covariance: FloatArray
) -> PlateShape:
    """The record: bow (um), largest height difference over the lattice, with its sigma; aspect
    (x over y, 1 = as drawn), shear (rad), all terms (mm)."""
    height = terms @ basis[:, :, 2]
    top, bottom = int(np.argmax(height)), int(np.argmin(height))
    row = basis[:, top, 2] - basis[:, bottom, 2]
    points = plate.points_mm()
    reach = 0.5 * float((points.max(axis=0) - points.min(axis=0)).max())
    return PlateShape(
        bow_um=1000.0 * float(height[top] - height[bottom]),
        bow_sigma_um=1000.0 * float(np.sqrt(max(0.0, float(row @ term_covariance @ row)))),
        aspect=float(1.0 + terms[5] / reach),
        shear_rad=float(terms[6] / reach),
        terms=tuple(float(v) for v in terms),
    )
