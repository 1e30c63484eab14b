"""Solving one scoring step: from gathered normal equations to shifts, sigmas and misfits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .score import COLUMNS, Scores


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Solution of one step, per dot.

    ground, contrast (n,): B and A in grey values. shift (n, 2), px. radius, blur (n,): changes of
    radius and blur, px. ramp (n, 2): h in grey values per px. covariance (n, 2, 2): of the centre,
    px^2. ramp_sigma (n,): standard deviation of the ramp. misfit (n,): weighted squared residual per
    degree of freedom (1 = noise alone). ok (n,): solvable, contrast not zero.
    """

    ground: FloatArray
    contrast: FloatArray
    shift: FloatArray
    radius: FloatArray
    blur: FloatArray
    ramp: FloatArray
    ramp_sigma: FloatArray
    covariance: FloatArray
    misfit: FloatArray
    dof: FloatArray
    ok: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """What is believed of each dot before its own pixels speak, as mean and standard deviation.

    radius, blur (n, 2): change of radius and blur, px. ramp (n,): standard deviation of the extra
    ramp about 0, grey values per px.
    """

    radius: FloatArray
    blur: FloatArray
    ramp: FloatArray

    @classmethod
    def loose(cls, n: int, *, spread_px: float = 1.0, ramp: float = 0.0) -> Beliefs:
        """Nearly nothing: no change of radius and blur within `spread_px`."""
        wide = np.tile([0.0, spread_px], (n, 1))
        return cls(wide, wide, np.full(n, ramp))

    def of(self, some: NDArray[np.bool_] | NDArray[np.int64]) -> Beliefs:
        """The beliefs about some of the dots."""
        return Beliefs(self.radius[some], self.blur[some], self.ramp[some])


def solve_steps(
    scores: Scores, beliefs: Beliefs, *, contrast: float, held: float = 0.0, least_used: float = 0.6
) -> Steps:
    """Solve the normal equations of every dot.

    contrast: typical contrast, the scale in which radius and blur are believed.  held: level (grey
    values) at which a plateau that is clipped away is held; 0 for none.  least_used: share of the
    edge's directions that must carry pixels.
    """
    n = len(scores.square)
    normal, right = scores.normal.copy(), scores.right.copy()
    scale = contrast if abs(contrast) > 1e-9 else 1e-9
    for column, belief in ((4, beliefs.radius), (5, beliefs.blur)):
        weight = 1.0 / (scale * np.maximum(belief[:, 1], 1e-4)) ** 2
        normal[:, column, column] += weight
        right[:, column] += weight * belief[:, 0] * scale
    pull = np.zeros((n, COLUMNS))
    pull[:, 6] = pull[:, 7] = 1.0 / np.maximum(beliefs.ramp, 1e-12 * abs(scale)) ** 2
    index = np.arange(COLUMNS)
    normal[:, index, index] += pull + 1e-12 * normal[:, index, index] + 1e-30
    if held > 0:
        _hold_clipped_levels(normal, right, scores, held, dots=scale > 0)
    ok = (scores.pixels > 24) & (scores.used > least_used) & np.isfinite(normal).all(axis=(1, 2))
    normal[~ok] = np.eye(COLUMNS)
    diagonal = np.sqrt(np.maximum(normal[:, index, index], 1e-300))
    scaled = normal / diagonal[:, :, None] / diagonal[:, None, :]
    inverse = np.linalg.inv(scaled) / diagonal[:, :, None] / diagonal[:, None, :]
    theta = (inverse @ right[:, :, None])[:, :, 0]
    amplitude = theta[:, 1]
    ok &= np.isfinite(theta).all(axis=1) & (np.abs(amplitude) > 0.05 * abs(scale))
    safe = np.where(np.abs(amplitude) > 1e-12, amplitude, 1.0)
    left = scores.square - 2 * (theta * scores.right).sum(axis=1) + (
        theta[:, None, :] @ scores.normal @ theta[:, :, None]
    )[:, 0, 0]  # fmt: skip
    dof = np.maximum(scores.pixels - COLUMNS, 1.0)
    return Steps(
        theta[:, 0] + scores.bases, amplitude, theta[:, 2:4] / safe[:, None], theta[:, 4] / safe,
        theta[:, 5] / safe,
        theta[:, 6:8], np.sqrt(np.maximum(inverse[:, 6, 6], inverse[:, 7, 7])),
        inverse[:, 2:4, 2:4] / (safe**2)[:, None, None], left / dof, dof, ok.astype(np.float64),
    )  # fmt: skip


def _hold_clipped_levels(
    normal: FloatArray, right: FloatArray, scores: Scores, held: float, *, dots: bool
) -> None:
    """Hold a clipped plateau's level (the dots' or the ground's), in the normal equations in place.

    The flanks alone hardly tell level, blur and radius apart; a wrong level bends the fitted edge
    evenly all around and leaves the centre where it is.
    """
    believed = held - scores.bases
    weight = 100 * np.maximum(normal[:, 1, 1], 1e-9)
    columns = (0, 1) if dots else (0,)
    gone = np.flatnonzero(scores.plateau[:, 3 if dots else 0] < 0.02 * scores.pixels)
    for q in columns:
        right[gone, q] += weight[gone] * believed[gone]
        for r in columns:
            normal[gone, q, r] += weight[gone]
