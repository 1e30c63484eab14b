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
FADE = 0.98
"""How much of the damping's memory is left after a step (see `descend`; chosen on far starts)."""
LOST = 0.1
"""Share of what the data say about a parameter that a step must leave (chosen; 0.1 to 0.25 do alike)."""


class Normals(Protocol):
    """The normal equations at one point. `cost`: weighted sum of squares (may be ``inf``)."""

    @property
    def cost(self) -> float:
        """Weighted sum of squared residuals."""

    @property
    def information(self) -> FloatArray:
        """Diagonal of the normal matrix, in the order of a step."""

    def step(self, damping: float, held: FloatArray) -> tuple[FloatArray, float]:
        """Step with ``damping * held`` on the diagonal (0: Gauss-Newton) and the cost decrease the
        quadratic model promises. Raises ``numpy.linalg.LinAlgError`` when the equations can't be solved."""


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

    Levenberg-Marquardt with Nielsen's update. A parameter is damped by the largest information it had,
    in units of the variance then, fading slowly: where it falls, the step would else run away. For the
    same reason a step is refused that leaves less than a tenth of what was known of some parameter. The
    stopping rule is in the adjustment's own units: the cost decrease promised by an undamped step
    is, over the variance factor, its squared length in standard deviations; at the default 1e-4
    nothing that is reported moves any more. Not converged when `max_steps` passes or damping
    runs away. Sources: K. Levenberg (1944), D. Marquardt, J. SIAM 11 (1963) 431-441; update: H. B.
    Nielsen, IMM-REP-1999-05; largest information: J. J. More, LNM 630 (1978) 105-116 (all from memory).
    """
    state, normals = start, evaluate(start)
    costs = [normals.cost]
    damping, growth = FIRST_DAMPING, 2.0
    steps = 0
    converged = False
    known = held = normals.information
    while steps < max_steps and damping < 1e12:
        steps += 1
        try:
            change, promised = normals.step(damping, held)
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
        better = bool(np.isfinite(trial_normals.cost)) and gained > 0.0
        left = trial_normals.information if better else known
        # In units of the variance: what a better fit takes off the residuals is not lost.
        if better and not (left * normals.cost < LOST * known * trial_normals.cost).any():
            quality = min(1.0, gained / promised)
            damping = max(1e-15, damping * max(1e-2, 1.0 - (2.0 * quality - 1.0) ** 3))
            if quality > 0.9:
                damping = max(1e-15, damping * 1e-2)
            growth = 2.0
            held = np.maximum(FADE * trial_normals.cost / normals.cost * held, left)
            known = left
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
        _, promised = normals.step(0.0, normals.information)
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

    @property
    def information(self) -> FloatArray:
        """See ``Normals.information``."""
        return np.diag(self.matrix)

    def step(self, damping: float, held: FloatArray) -> tuple[FloatArray, float]:
        """See ``Normals.step``."""
        return damped_step(self.matrix, self.gradient, damping * held)


def damped_step(
    matrix: FloatArray, gradient: FloatArray, lift: FloatArray
) -> tuple[FloatArray, float]:
    """Solve ``(N + diag lift) x = g`` after scaling N to a unit diagonal; also the decrease
    ``2 g'x - x'N x`` that the quadratic model promises."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    unit = matrix * scale[:, None] * scale[None, :]
    right = gradient * scale
    lifted = unit + np.diag(lift * scale**2)
    try:
        lower = np.linalg.cholesky(lifted)
        half = np.linalg.solve(lower, right)
        x = np.linalg.solve(lower.T, half)
    except np.linalg.LinAlgError:
        if lift.any():
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
