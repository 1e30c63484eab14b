"""Edge width and smear from the edges that happen to be in a frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from holdstill.limits import limit
from holdstill.records import FloatArray, Picture

from .edge_loops import blur_over_direction, rises, strong_places, usable

RISE_OVER_SIGMA = 2.563103131089201
"""10-90 % rise of a Gaussian-blurred step over the Gaussian's sigma (2 x 1.28155...)."""
MTF50_SIGMA = 0.18739
"""MTF50 of a Gaussian times its sigma: sqrt(ln 2 / 2)/pi (ISO 12233's quantity, own derivation)."""
_HALF_WIDTH_PX = 12.0
_STEP_PX = 0.5
_INTERPOLATION_VARIANCE = 1.0 / 6.0
"""Variance that linear interpolation adds to a profile, px^2 (triangle of half-width 1)."""
_SECTORS = 8
_ROWS = 36
"""About how many rows are searched for edges."""
_RAN_OUT = 0.4
"""Share of profiles without room, in any direction, from which the quarter size is used."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Widths of single edges.

    sigma_px: float64 (n,), Gaussian-equivalent blur of each edge. normal_rad: float64 (n,),
    direction across the edge, from the x axis toward y. xy_px: float64 (n, 2). scale: 1, or 4 when
    they were measured in the quarter-size picture because the blur was too wide.
    """

    sigma_px: FloatArray
    normal_rad: FloatArray
    xy_px: FloatArray
    scale: int


@dataclass(frozen=True, slots=True)
class EdgeBlur:
    """Blur of a frame from its edges: 10-90 % rise (px), its Gaussian sigma (px), the standard
    error of that sigma; the length of a uniform smear that would explain the excess in one
    direction (px; None when the edges don't face enough ways) with its direction (degrees from x
    toward y, -90..90) and its standard error."""

    width_px: float
    sigma_px: float
    sigma_error_px: float
    smear_px: float | None
    smear_direction_deg: float | None
    smear_error_px: float | None
    edges: int

    @property
    def mtf50_cycles_per_px(self) -> float:
        """Frequency at which a Gaussian blur of this sigma halves the contrast: 0.1874/sigma."""
        return MTF50_SIGMA / self.sigma_px


def find_edges(
    image: Picture,
    *,
    noise_gray: float,
    clip_from: float,
    box: tuple[int, int, int, int] | None = None,
    wanted: int = 220,
) -> Edges | None:
    """Up to `wanted` of the frame's strong edges with the blur of each; None with fewer than 12.

    image: uint8 or uint16 (rows, columns); `box`: (x0, y0, x1, y1) px to look in. Each edge is read
    along its own gradient, re-centred on the steepest place and followed both ways while it keeps
    rising; edges lower than `edge_least_noise` times the noise, or that touch `clip_from`, are left
    out. Blur from 10-90 % rise over 2.563, the reading's interpolation taken off. Above about 8 px
    of width the quarter-size picture is used; beyond 60 px it means nothing.
    """
    height, width = image.shape
    x0, y0, x1, y1 = (0, 0, width, height) if box is None else box
    if min(x1 - x0, y1 - y0) < 32:
        return None
    whole = np.ascontiguousarray(image)
    fine = _edges_at(cast(Picture, whole), (x0, y0, x1, y1), noise_gray, clip_from, wanted)
    if fine is not None and fine[3] < _RAN_OUT:
        return Edges(fine[0], fine[1], fine[2], 1)
    if min(x1 - x0, y1 - y0) < 160:
        return None if fine is None else Edges(fine[0], fine[1], fine[2], 1)
    view = image[y0:y1, x0:x1]
    small = cast(Picture, cv2.resize(view, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA))
    all_of_it = (0, 0, small.shape[1], small.shape[0])
    coarse = _edges_at(small, all_of_it, noise_gray / 4.0, clip_from, wanted)
    if coarse is None:
        return None if fine is None else Edges(fine[0], fine[1], fine[2], 1)
    # Averaging 4 x 4 px widens the edge by the variance of a box of 4 px less that of one of 1 px.
    sigma = 4.0 * np.sqrt(np.maximum(coarse[0] ** 2 - (1.0 - 1.0 / 16.0) / 12.0, 1.0 / 16.0))
    return Edges(sigma, coarse[1], coarse[2] * 4.0 + 1.5 + (x0, y0), 4)


def _edges_at(
    image: Picture, box: tuple[int, int, int, int], noise_gray: float, clip_from: float, wanted: int
) -> tuple[FloatArray, FloatArray, FloatArray, float] | None:
    """Sigma, normal and place of the edges, and the share of profiles that ran out of room (the
    largest over the directions)."""
    xy, normal = _candidates(image, box, noise_gray, wanted)
    if len(xy) < 12:
        return None
    width, contrast, top, ran_out = rises(image, xy, normal, _HALF_WIDTH_PX, _STEP_PX, 8)
    least = limit("edge_least_noise") * max(noise_gray, 0.4)
    good, ran_share = usable(contrast, width, top, ran_out, normal, least, clip_from, _SECTORS)
    if int(np.count_nonzero(good)) < 12:
        return None if ran_share < _RAN_OUT else (np.full(1, np.nan), np.zeros(1), xy[:1], ran_share)
    sigma = np.sqrt(np.maximum((width[good] / RISE_OVER_SIGMA) ** 2 - _INTERPOLATION_VARIANCE, 1.0 / 12.0))
    return sigma, normal[good], xy[good], ran_share


def _candidates(
    image: Picture, box: tuple[int, int, int, int], noise_gray: float, wanted: int
) -> tuple[FloatArray, FloatArray]:
    """Places of strong gradient on a thinned set of rows, in every direction there is."""
    x0, y0, x1, y1 = box
    step = max(1, (y1 - y0) // _ROWS)
    count = (y1 - y0 - 4) // step
    inside = (x0 + 1, y0 + 2, x1 - 1, y1)
    xy, normal = strong_places(image, inside, step, count, max(4.0 * noise_gray, 1.0), _SECTORS, wanted)
    return xy, normal


def edge_blur(edges: Edges) -> EdgeBlur | None:
    """Blur and smear of a frame from its edges; None with fewer than 12 usable ones.

    The smear: the variance of the blur across directions is fitted by a + b cos 2t + c sin 2t; a
    uniform smear of length L adds L^2/12 along its direction and nothing across (variance of a
    uniform distribution), so L = sqrt(12 * 2 sqrt(b^2 + c^2)), its scatter taken off.
    """
    ok = np.isfinite(edges.sigma_px)
    sigma, normal = edges.sigma_px[ok], edges.normal_rad[ok]
    n = sigma.size
    if n < 12:
        return None
    middle, scatter, lopsided, fit, spread, kept = blur_over_direction(sigma, normal)
    error = 1.2533 * scatter / math.sqrt(n)
    smear, direction, smear_error = (None, None, None) if lopsided > 12.0 else _smear(fit, spread, kept)
    return EdgeBlur(RISE_OVER_SIGMA * middle, middle, error, smear, direction, smear_error, n)


def _smear(fit: FloatArray, spread: float, kept: int) -> tuple[float, float, float]:
    noise = spread * math.sqrt(2.0 / max(kept, 1))
    excess = 2.0 * math.hypot(fit[1], fit[2])
    direction = 0.5 * math.degrees(math.atan2(fit[2], fit[1]))
    clean = math.sqrt(max(excess**2 - 2 * (2 * noise) ** 2, 0.0))
    return math.sqrt(12.0 * clean), direction, math.sqrt(12.0 * 2 * noise)
