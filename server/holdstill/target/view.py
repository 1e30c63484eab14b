"""What is known of one view while its dots are being measured."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from holdstill.records import FloatArray, Picture

from .eccentricity import eccentricity_px
from .score import ROUND, Scores, score
from .viewmap import ViewMap

_REACH = 3.2
EVERYWHERE = (-9.0, 9.0)
"""Signed distances over sigma that no ring reaches: nothing is left out."""
LEAST_SIGMA_PX = 0.4
"""No edge is taken to be sharper than this: a pixel alone blurs it by 0.29 px."""


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
    lean: FloatArray = field(default_factory=lambda: ROUND)
    """How the blur depends on direction; see `score`."""
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
        shapes = self.view.jacobians(self.xy[which]) * self.radius
        return np.asarray(shapes if self.factors is None else shapes * self.factors[which][:, None, None])

    def stride(self, which: NDArray[np.int64]) -> int:
        """Every how many rows are enough for a rough step: a dot should keep about twenty rows."""
        return int(np.clip(np.median(self.radius_px(self.shapes(which))) // 9, 1, 4))

    @staticmethod
    def radius_px(shapes: FloatArray) -> FloatArray:
        """Mean radius (n,) of ellipses given by their half-axes maps, px."""
        return np.asarray(np.sqrt(np.abs(np.linalg.det(shapes))))

    def gap_px(self, shapes: FloatArray) -> FloatArray:
        """How far outward a ring may reach before it meets the neighbours' edges."""
        scale = np.sqrt(np.abs(np.linalg.det(shapes))) / self.radius
        return np.asarray(np.maximum((self.pitch - 2 * self.radius) * scale * 0.75 - self.sigma, 1.0))

    def expected(self, which: NDArray[np.int64]) -> FloatArray:
        """Where the dots' ellipses are expected to be centred."""
        return np.asarray(self.view(self.xy[which]) + eccentricity_px(self.view, self.xy[which], self.radius))

    def scores(
        self,
        which: NDArray[np.int64],
        centres: FloatArray,
        slopes: FloatArray,
        stride: int = 1,
        sector: float = -1.0,
        skew: bool = False,
    ) -> Scores:
        """Gather the dots `which` about `centres`; see `score.score`."""
        shapes = self.shapes(which)
        return score(
            self.image, centres, shapes, np.full(len(which), self.sigma), slopes, reach=_REACH,
            gap=self.gap_px(shapes), bounds=self.bounds(which, shapes), variance=self.variance,
            clip=0.0 if self.contrast and self.held else self.clip, stride=stride, lean=self.lean,
            sector=sector, skew=skew,
        )  # fmt: skip

    def bounds(self, which: NDArray[np.int64], shapes: FloatArray) -> FloatArray:
        """Signed distances over sigma (n, 2) between which pixels are used: clear of clipping, and
        in the outer quarter of a ring's radius."""
        out = np.tile(self.clip_bounds(), (len(which), 1))
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
        guard = 2.5 * np.sqrt(max(self.variance))
        share = float(np.clip((self.clip - guard - self.ground) / self.contrast, 0.02, 0.98))
        at = -float(ndtri(share))
        bright = max(self.ground, self.ground + self.contrast)
        if bright < self.clip - guard:
            return EVERYWHERE
        return (at, 9.0) if self.contrast > 0 else (-9.0, at)


def clip_level(image: Picture, full_scale: int) -> float:
    """Grey value at and above which pixels say nothing; 0 when the picture does not clip.

    The largest value seen, where a pile of pixels stands on it: at least 0.1 % of a sample and
    three times as many as in the eight values below.
    """
    step = max(1, int(np.sqrt(image.size / 60000)))
    sample = image[::step, ::step].ravel()
    top = int(sample.max())
    if top < 0.5 * full_scale:
        return 0.0
    pile = int((sample == top).sum())
    below = int(((sample < top) & (sample >= top - 8 * max(1, full_scale // 4096))).sum())
    if pile > 0.001 * len(sample) and pile > 3 * below:
        return float(top)
    return float(top) if top >= full_scale else 0.0
