"""What is known of one view while its dots are being measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from holdstill.records import FloatArray, Picture

from .compiled import compiled, compiled_plain, median
from .eccentricity import eccentricity_px
from .score import RAMPS, ROUND, Scores, gathered
from .steps import Beliefs, Steps, solve_steps
from .viewmap import ViewMap, mapped

_REACH = 3.2
EDGE_REACH = 2.6
"""Half width of the ring over the blur where only the centre is asked for: less than 0.1 % of what an edge
tells of its place lies beyond (the integral of the squared normal density)."""
EVERYWHERE = (-9.0, 9.0)
"""Signed distances over sigma that no ring reaches: nothing is left out."""
LEAST_SIGMA_PX = 0.4
"""No edge is taken to be sharper than this: a pixel alone blurs it by 0.29 px."""
_PLAIN = np.empty(0)


@dataclass(slots=True, eq=False)
class View:
    """What is known of the view as the passes go on."""

    image: Picture
    xy: FloatArray
    size: tuple[int, int]
    clip: float
    view: ViewMap
    radius: float
    sigma: float
    contrast: float
    variance: tuple[float, float]
    pitch: float
    ground: float = 0.0
    """Level of the ground as fitted, grey values; with `contrast` it says where clipping begins."""
    bent: FloatArray = field(default_factory=lambda: ROUND)
    """How the blur depends on direction, and how lopsided it is: lean, q3, q5; see `score`."""
    factors: FloatArray | None = None
    """Radius of each point's dot over the plain dot's (marked dots), or None."""
    rings: NDArray[np.bool_] | None = None
    """Points whose dot is a ring: only its outer edge is used."""
    followed: bool = False
    """Radius and blur come from the last picture."""
    sign: float = -1.0
    """-1 for dark dots, 1 for bright ones."""
    held: float = 0.0
    """Level taken for a plateau that is clipped away (0: nothing clips)."""

    def shapes(self, which: NDArray[np.int64]) -> FloatArray:
        """Half-axes maps (n, 2, 2) of the expected ellipses, px."""
        return self._frames(which)[0]

    def _frames(self, which: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        """Half-axes maps (n, 2, 2), and how far outward a ring may reach before it meets the neighbours."""
        view = self.view
        factors = _PLAIN if self.factors is None else self.factors
        return _frames(
            self.xy, which, view.homography, view.centre_px, view.scale_px, view.k1, view.k2, self.radius,
            factors, self.pitch, self.sigma,
        )  # fmt: skip

    def stride(self, which: NDArray[np.int64]) -> int:
        """Every how many rows are enough for a rough step: a dot should keep a dozen rows."""
        return int(min(max(self.usual_px(which) // 6, 1), 4))

    def usual_px(self, which: NDArray[np.int64]) -> float:
        """Median radius of some dots' expected ellipses, px."""
        return median(self.radius_px(self.shapes(which)))

    @staticmethod
    def radius_px(shapes: FloatArray) -> FloatArray:
        """Mean radius (n,) of ellipses given by their half-axes maps, px."""
        return np.asarray(
            np.sqrt(np.abs(shapes[:, 0, 0] * shapes[:, 1, 1] - shapes[:, 0, 1] * shapes[:, 1, 0]))
        )

    def expected(self, which: NDArray[np.int64]) -> FloatArray:
        """Where the dots' ellipses are expected to be centred."""
        return np.asarray(self.view(self.xy[which]) + eccentricity_px(self.view, self.xy[which], self.radius))

    def scores(
        self,
        which: NDArray[np.int64],
        centres: FloatArray,
        slopes: FloatArray | None = None,
        *,
        stride: int = 1,
        kind: int = RAMPS,
        noise: bool = False,
        reach: float = _REACH,
    ) -> Scores:
        """Gather dots about `centres`; see `score.gathered` (full reach where a plateau clips)."""
        shapes, gap = self._frames(which)
        bounds = self.bounds(which, shapes)
        clip = 0.0 if self.contrast and self.held else self.clip
        blur = np.array([self.sigma, *self.bent])
        about = np.array([_REACH if self.held > 0 else reach, *self.variance, clip])
        slopes = np.zeros((len(which), 2)) if slopes is None else slopes
        return Scores(
            *gathered(self.image, centres, shapes, slopes, gap, bounds, blur, about, kind, stride,
                      noise or self.held > 0)
        )  # fmt: skip

    def solved(self, scores: Scores, beliefs: Beliefs, least_used: float) -> Steps:
        """The step of every dot under `beliefs`; see `steps.solve_steps`."""
        contrast = self.contrast or self.sign * 100.0
        return solve_steps(scores, beliefs, contrast=contrast, held=self.held, least_used=least_used)

    def bounds(self, which: NDArray[np.int64], shapes: FloatArray) -> FloatArray:
        """Signed distances over sigma (n, 2) between which pixels are used: clear of clipping, and
        in the outer quarter of a ring's radius."""
        out = np.empty((len(which), 2))
        out[:] = self.clip_bounds()
        if self.rings is not None:
            inward = -0.25 * self.radius_px(shapes) / self.sigma
            out[:, 0] = np.where(self.rings[which], np.maximum(out[:, 0], inward), out[:, 0])
        return out

    def clip_bounds(self) -> tuple[float, float]:
        """Signed distances over sigma between which the model stays clear of the clipping level.

        Judged by the model, not by the pixels: dropping pixels for their own noise would bias the
        flanks (a truncated sample).
        """
        if self.held <= 0 or not self.contrast:
            return EVERYWHERE
        guard = 2.5 * max(self.variance) ** 0.5
        share = min(max((self.clip - guard - self.ground) / self.contrast, 0.02), 0.98)
        at = -float(ndtri(share))
        bright = max(self.ground, self.ground + self.contrast)
        if bright < self.clip - guard:
            return EVERYWHERE
        return (at, 9.0) if self.contrast > 0 else (-9.0, at)


@compiled_plain
def _frames(
    xy: FloatArray,
    which: NDArray[np.int64],
    h: FloatArray,
    centre: FloatArray,
    scale: float,
    k1: float,
    k2: float,
    radius: float,
    factors: FloatArray,
    pitch: float,
    sigma: float,
) -> tuple[FloatArray, FloatArray]:
    n = len(which)
    some, gap = np.empty((n, 2)), np.empty(n)
    for k in range(n):
        some[k, 0], some[k, 1] = xy[which[k], 0], xy[which[k], 1]
    _, jac = mapped(some, h, centre, scale, k1, k2)
    for k in range(n):
        det = abs(jac[k, 0, 0] * jac[k, 1, 1] - jac[k, 0, 1] * jac[k, 1, 0])
        size = radius * (factors[which[k]] if len(factors) else 1.0)
        gap[k] = max((pitch - 2.0 * radius) * np.sqrt(det) * size / radius * 0.75 - sigma, 1.0)
        for i in range(2):
            for j in range(2):
                jac[k, i, j] *= size
    return jac, gap


def clip_level(image: Picture, full_scale: int) -> float:
    """Grey value at and above which pixels say nothing; 0 when the picture does not clip.

    The largest value seen, where a pile of pixels stands on it: at least 0.1 % of a sample and
    three times as many as in the eight values below.
    """
    step = max(1, image.size // 60000)
    top, pile, below, count = _piled(image, step, 8 * max(1, full_scale // 4096))
    if top < 0.5 * full_scale:
        return 0.0
    if pile > 0.001 * count and pile > 3 * below:
        return float(top)
    return float(top) if top >= full_scale else 0.0


@compiled
def _piled(image: Picture, step: int, reach: int) -> tuple[int, int, int, int]:
    """Largest value of every step-th row, how often it stands there, how often values up to `reach` below it,
    and pixels looked at."""
    height, width = image.shape
    top = np.int32(0)
    for y in range(0, height, step):
        for x in range(width):
            top = max(top, np.int32(image[y, x]))
    at, from_ = top, top - np.int32(reach)
    pile, upper, rows = 0, 0, 0
    for y in range(0, height, step):
        here: Any = np.int32(0)
        near: Any = np.int32(0)
        for x in range(width):
            v = np.int32(image[y, x])
            here += np.int32(v == at)
            near += np.int32(v >= from_)
        pile += here
        upper += near
        rows += 1
    return int(top), pile, upper - pile, rows * width
