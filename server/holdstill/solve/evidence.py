"""Which lens order, and whether the plate is bent: what the views themselves say for it.

Every candidate is judged from one linearisation: each view's information about the rig (its pose
eliminated) gives the candidate's best fit, its cost, and what each view costs when the other views
alone have fixed the parameters. So holding out every view in turn needs no refit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray

from .observations import BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class ViewTerms:
    """Per view: information (V, p, p), gradient (V, p), cost (V,); the quadratic cost of a change
    d of the rig is ``cost - 2 g'd + d'S d``."""

    information: FloatArray
    gradient: FloatArray
    cost: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A model judged: its free parameters, `change` (p,) from the linearisation, `cost`, what each
    view costs held out (V,), and the information criterion (smaller is better)."""

    name: str
    free: BoolArray
    change: FloatArray
    cost: float
    held_out: FloatArray
    criterion: float


def judge(
    name: str, terms: ViewTerms, free: BoolArray, fixed_change: FloatArray, observations: int, poses: int
) -> Candidate:
    """Judge a model whose parameters outside `free` are changed by `fixed_change` and held.

    Criterion ``n ln(cost/n) + 2 k ln ln n`` (E. J. Hannan & B. G. Quinn, J. R. Statist. Soc. B 41
    (1979) 190-195, from memory): of the consistent criteria the one that still takes a small true
    term; Schwarz's missed half of those that moved the corner by a pixel, Akaike's took an eighth of
    absent ones (simulated, docs/solve.md). Held-out cost by the delete-one step; infinite when some
    view's absence leaves the rest undetermined.
    """
    total, slope = terms.information.sum(axis=0), terms.gradient.sum(axis=0)
    change = np.where(free, 0.0, fixed_change)
    right = (slope - total @ change)[free]
    change[free] = _solve(total[np.ix_(free, free)], right)
    left = terms.gradient - terms.information @ change
    costs = terms.cost - terms.gradient @ change - left @ change
    cost = float(costs.sum())
    own = terms.information[:, free][:, :, free]
    mine = left[:, free]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(total)[free], 1e-300))
    unit = (total[np.ix_(free, free)][None] - own) * scale[:, None] * scale[None, :]
    try:
        np.linalg.cholesky(unit - 1e-12 * np.eye(len(scale)))
        step = -np.linalg.solve(unit, (mine * scale)[:, :, None])[:, :, 0] * scale
        bent = (own @ step[:, :, None])[:, :, 0]
        held_out = costs + ((bent - 2.0 * mine) * step).sum(axis=1)
    except np.linalg.LinAlgError:
        held_out = np.full(len(costs), np.inf)
    count = int(free.sum()) + poses
    penalty = 2.0 * count * np.log(np.log(observations))
    criterion = observations * np.log(max(cost, 1e-300) / observations) + penalty
    return Candidate(name, free, change, cost, held_out, float(criterion))


def _solve(matrix: FloatArray, right: FloatArray) -> FloatArray:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    unit = matrix * scale[:, None] * scale[None, :]
    return np.asarray(np.linalg.lstsq(unit, right * scale, rcond=1e-13)[0] * scale)


def gain_sigmas(simple: Candidate, rich: Candidate) -> float:
    """How surely the richer model predicts held-out views better: mean gain over its own scatter
    between the views. Positive when the richer one is better; -inf when it can't be told."""
    if not (np.isfinite(simple.held_out).all() and np.isfinite(rich.held_out).all()):
        return float("-inf") if np.isfinite(simple.held_out).all() else float("inf")
    gain = simple.held_out - rich.held_out
    scatter = float(gain.std(ddof=1)) * np.sqrt(len(gain))
    return float(gain.sum() / max(scatter, 1e-300))
