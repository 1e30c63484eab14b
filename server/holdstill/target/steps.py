"""Solving one scoring step: from gathered normal equations to shifts, sigmas and misfits."""
# ruff: noqa: PLR0912 - a compiled loop is one piece

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import compiled_plain, factored
from .score import COLUMNS, Scores

_OUT = 16


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Solution of one step, per dot: `table` (n, 16) and its columns by name.

    ground, contrast (n,): B and A in grey values. shift (n, 2), px. radius, blur (n,): changes of
    radius and blur, px. last (n, 2): the step's last two unknowns over A (its ramp is `ramp`, in grey
    values per px). ramp_sigma (n,): standard deviation of the ramp. variance (n,): mean variance of the
    centre's two coordinates, px^2. misfit (n,): weighted squared residual per degree of freedom (1 = noise
    alone). ok (n,): solvable, contrast not zero.
    """

    table: FloatArray
    ground: FloatArray
    contrast: FloatArray
    shift: FloatArray
    radius: FloatArray
    blur: FloatArray
    last: FloatArray
    ramp: FloatArray
    ramp_sigma: FloatArray
    variance: FloatArray
    misfit: FloatArray
    dof: FloatArray
    ok: NDArray[np.bool_]

    @classmethod
    def of(cls, table: FloatArray) -> Steps:
        """The columns of a table as `_solved` returns it."""
        return cls(
            table, table[:, 0], table[:, 1], table[:, 2:4], table[:, 4], table[:, 5], table[:, 6:8],
            table[:, 6:8] * table[:, 1:2], table[:, 8], table[:, 9], table[:, 10], table[:, 11],
            np.asarray(table[:, 12] > 0),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """What is believed of each dot before its own pixels speak.

    table (n, 5): mean and standard deviation of the change of radius and of the change of blur, px; and
    the standard deviation of the extra ramp about 0, grey values per px.
    """

    table: FloatArray

    @classmethod
    def loose(cls, n: int, *, spread_px: float = 1.0, ramp: float = 0.0) -> Beliefs:
        """Nearly nothing: no change of radius and blur within `spread_px`."""
        table = np.empty((n, 5))
        table[:] = (0.0, spread_px, 0.0, spread_px, ramp)
        return cls(table)

    def of(self, some: NDArray[np.bool_] | NDArray[np.int64]) -> Beliefs:
        """The beliefs about some of the dots."""
        return Beliefs(self.table[some])


def solve_steps(
    scores: Scores, beliefs: Beliefs, *, contrast: float, held: float = 0.0, least_used: float = 0.6
) -> Steps:
    """Solve the normal equations of every dot.

    contrast: typical contrast, the scale in which radius and blur are believed.  held: level (grey
    values) at which a plateau that is clipped away is held; 0 for none.  least_used: share of the
    edge's directions that must carry pixels.
    """
    scale = contrast if abs(contrast) > 1e-9 else 1e-9
    return Steps.of(_solved(scores.sums, scores.tally, beliefs.table, scale, held, least_used))


@compiled_plain
def _solved(
    sums: FloatArray, tally: FloatArray, beliefs: FloatArray, scale: float, held: float, least_used: float
) -> FloatArray:
    n = len(sums)
    out = np.zeros((n, _OUT))
    normal, inverse = np.zeros((COLUMNS, COLUMNS)), np.zeros((COLUMNS, COLUMNS))
    right, theta, unit = np.zeros(COLUMNS), np.zeros(COLUMNS), np.zeros(COLUMNS)
    for k in range(n):
        out[k, 1], out[k, 10], out[k, 11] = scale, 1e9, max(tally[k, 0] - COLUMNS, 1.0)
        if not (tally[k, 0] > 24 and tally[k, 1] > least_used):
            continue
        for q in range(COLUMNS):
            right[q] = sums[k, q, 8]
            for r in range(q, COLUMNS):
                normal[q, r] = normal[r, q] = sums[k, q, r]
        for side in range(2):
            weight = 1.0 / (scale * max(beliefs[k, 2 * side + 1], 1e-4)) ** 2
            normal[4 + side, 4 + side] += weight
            right[4 + side] += weight * beliefs[k, 2 * side] * scale
        pull = 1.0 / max(beliefs[k, 4], 1e-12 * abs(scale)) ** 2
        normal[6, 6] += pull
        normal[7, 7] += pull
        _hold(normal, right, tally[k], held, scale > 0)
        for q in range(COLUMNS):
            normal[q, q] += 1e-12 * normal[q, q] + 1e-30
            unit[q] = 1.0 / np.sqrt(max(normal[q, q], 1e-300))
        for q in range(COLUMNS):
            for r in range(COLUMNS):
                normal[q, r] *= unit[q] * unit[r]
        if not _inverted(normal, inverse):
            continue
        for q in range(COLUMNS):
            total = 0.0
            for r in range(COLUMNS):
                inverse[q, r] *= unit[q] * unit[r]
                total += inverse[q, r] * right[r]
            theta[q] = total
        contrast = theta[1]
        if not (abs(contrast) > 0.05 * abs(scale) and abs(contrast) < 1e9):
            continue
        left = sums[k, 8, 8]
        for q in range(COLUMNS):
            left -= 2.0 * theta[q] * sums[k, q, 8]
            for r in range(COLUMNS):
                left += theta[q] * theta[r] * (sums[k, q, r] if r >= q else sums[k, r, q])
        out[k, 0], out[k, 1] = theta[0] + tally[k, 6], contrast
        for q in range(2, COLUMNS):
            out[k, q] = theta[q] / contrast
        out[k, 8] = np.sqrt(max(inverse[6, 6], inverse[7, 7]))
        out[k, 9] = 0.5 * (inverse[2, 2] + inverse[3, 3]) / contrast**2
        out[k, 10] = max(left, 0.0) / out[k, 11]
        out[k, 12] = 1.0
    return out


@compiled_plain
def _hold(normal: FloatArray, right: FloatArray, tally: FloatArray, held: float, dots: bool) -> None:
    """Hold a clipped plateau's level (the dots' or the ground's), in the normal equations in place.

    The flanks alone hardly tell level, blur and radius apart; a wrong level bends the fitted edge
    evenly all around and leaves the centre where it is.
    """
    if held <= 0.0 or tally[4 if dots else 2] >= 0.02 * tally[0]:
        return
    weight, believed = 100.0 * max(normal[1, 1], 1e-9), held - tally[6]
    last = 2 if dots else 1
    for q in range(last):
        right[q] += weight * believed
        for r in range(last):
            normal[q, r] += weight


@compiled_plain
def _inverted(a: FloatArray, inverse: FloatArray) -> bool:
    """Inverse of a symmetric positive matrix by Cholesky's factor, into `inverse`; `a` becomes the factor."""
    n = len(a)
    if not factored(a, 1e-14):
        return False
    for j in range(n):  # the factor's inverse into the lower part of `inverse`
        inverse[j, j] = 1.0 / a[j, j]
        for i in range(j + 1, n):
            total = 0.0
            for k in range(j, i):
                total -= a[i, k] * inverse[k, j]
            inverse[i, j] = total / a[i, i]
    for i in range(n):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, n):
                total += inverse[k, i] * inverse[k, j]
            a[j, i] = total
    for i in range(n):
        for j in range(i + 1):
            inverse[i, j] = inverse[j, i] = a[j, i]
    return True
