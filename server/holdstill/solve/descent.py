"""The descent under every adjustment here: damped Gauss-Newton steps until they no longer matter.

Written against two callables, so that the same steps, the same stopping rule and the same
covariance serve the bundle adjustment (views eliminated) and any small dense problem.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from holdstill.records import FloatArray

FIRST_DAMPING = 1e-4
"""Relative damping of the first step; small because starts here are close (chosen)."""


class Normals(Protocol):
    """The normal equations at one point. `cost`: weighted sum of squares (may be ``inf``)."""

    @property
    def cost(self) -> float:
        """Weighted sum of squared residuals."""

    def step(self, damping: float) -> tuple[FloatArray, float]:
        """Step for a relative damping (0: Gauss-Newton) and the cost decrease the quadratic model
        promises. Raises ``numpy.linalg.LinAlgError`` when the equations can't be solved."""


S = TypeVar("S")
N = TypeVar("N", bound=Normals)


@dataclass(frozen=True, slots=True, eq=False)
class Descent(Generic[S, N]):
    """Where a descent ended: state, its normal equations, steps taken, whether it converged, and
    the cost after every accepted step (first entry: the start)."""

    state: S
    normals: N
    steps: int
    converged: bool
    costs: tuple[float, ...]


def descend(
    start: S,
    evaluate: Callable[[S], N],
    move: Callable[[S, FloatArray], S],
    *,
    degrees_of_freedom: int,
    max_steps: int = 60,
    tolerance: float = 1e-4,
) -> Descent[S, N]:
    """Walk downhill from `start` until the next step is below `tolerance` standard deviations.

    Levenberg-Marquardt with damping proportional to the diagonal and Nielsen's update. The
    stopping rule is in the adjustment's own units: the cost decrease promised by an undamped step
    is, over the variance factor, its squared length in standard deviations; at the default 1e-4
    nothing that is reported moves any more. Not converged when `max_steps` passes or damping
    runs away. Sources: K. Levenberg (1944), D. Marquardt, J. SIAM 11 (1963) 431-441; update: H. B.
    Nielsen, IMM-REP-1999-05 (from memory).
    """
    state, normals = start, evaluate(start)
    costs = [normals.cost]
    damping, growth = FIRST_DAMPING, 2.0
    steps = 0
    converged = False
    while steps < max_steps and damping < 1e12:
        steps += 1
        try:
            change, promised = normals.step(damping)
        except np.linalg.LinAlgError:
            damping, growth = damping * growth, growth * 2.0
            continue
        if not np.isfinite(promised):
            damping, growth = damping * growth, growth * 2.0
            continue
        variance = normals.cost / max(1, degrees_of_freedom)
        if promised <= tolerance**2 * variance or promised <= 4e-16 * normals.cost:
            converged = _undamped_agrees(normals, tolerance**2 * variance)
            if converged or damping < 1e-14:
                converged = True
                break
            damping = damping * 1e-3
            continue
        trial = move(state, change)
        trial_normals = evaluate(trial)
        gained = normals.cost - trial_normals.cost
        if np.isfinite(trial_normals.cost) and gained > 0.0:
            quality = min(1.0, gained / promised)
            damping = max(1e-15, damping * max(1e-2, 1.0 - (2.0 * quality - 1.0) ** 3))
            if quality > 0.9:
                damping = max(1e-15, damping * 1e-2)
            growth = 2.0
            state, normals = trial, trial_normals
            costs.append(normals.cost)
        else:
            if abs(gained) <= 1e-13 * normals.cost:
                converged = True
                break
            damping, growth = damping * growth, growth * 2.0
    return Descent(state, normals, steps, converged, tuple(costs))


def _undamped_agrees(normals: Normals, allowed: float) -> bool:
    try:
        _, promised = normals.step(0.0)
    except np.linalg.LinAlgError:
        return True
    return promised <= max(allowed, 4e-16 * normals.cost)


@dataclass(frozen=True, slots=True, eq=False)
class DenseNormals:
    """Normal equations of a problem without structure: `matrix` (p, p) = J'J, `gradient` (p,) =
    J'r with r observed minus computed, `cost` = r'r."""

    matrix: FloatArray
    gradient: FloatArray
    cost: float

    def step(self, damping: float) -> tuple[FloatArray, float]:
        """See ``Normals.step``."""
        return damped_step(self.matrix, self.gradient, damping)


def damped_step(
    matrix: FloatArray, gradient: FloatArray, damping: float
) -> tuple[FloatArray, float]:
    """Solve ``(N + damping diag N) x = g`` after scaling N to a unit diagonal; also the decrease
    ``2 g'x - x'N x`` that the quadratic model promises."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    unit = matrix * scale[:, None] * scale[None, :]
    right = gradient * scale
    lifted = unit + damping * np.eye(len(unit))
    try:
        lower = np.linalg.cholesky(lifted)
        half = np.linalg.solve(lower, right)
        x = np.linalg.solve(lower.T, half)
    except np.linalg.LinAlgError:
        if damping > 0.0:
            raise
        x = np.linalg.lstsq(lifted, right, rcond=1e-15)[0]
    promised = float(2.0 * right @ x - x @ unit @ x)
    return x * scale, promised


def covariance(matrix: FloatArray, variance_factor: float) -> FloatArray:
    """Covariance ``s0^2 N^-1`` (p, p) of the parameters of normal equations `matrix`.

    Inverted after scaling to a unit diagonal, so that px and rad may stand side by side. Raises
    ``numpy.linalg.LinAlgError`` when some combination of parameters is not determined. Source: any
    text on adjustment; variance factor with 2N - p degrees of freedom.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    unit = matrix * scale[:, None] * scale[None, :]
    lower = np.linalg.cholesky(unit)
    inverse_lower = np.linalg.solve(lower, np.eye(len(unit)))
    inverse = inverse_lower.T @ inverse_lower
    return np.asarray(variance_factor * inverse * scale[:, None] * scale[None, :])
