"""A lopsided blur (coma, a jerk of the camera): told, measured and taken into the edge's model.

Such a blur moves every dot of the view alike: the place of an edge fitted with an even profile is not
the centroid of the light.  Its odd moments (`score`: q3, q5) are the view's own, so all dots speak for
them, and with them in the model the fitted centre is the centroid's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .score import BENDS
from .steps import Beliefs, Steps
from .view import View

_STANDS_OUT = 4.5
_DOTS = 60
_ROUNDS = 5
_MOST_SHARE = 0.45
_UNSURE_SHARE = 0.015
"""Standard deviation of the common shift over the shift: what two moments leave out (coma of the study)."""


def lopsided(skewed: Steps, good: NDArray[np.bool_]) -> bool:
    """True when the dots of a SKEWS step, its skew left free, agree on a third moment 4.5 times above its own
    uncertainty."""
    ok = skewed.ok & good
    if ok.sum() < 8:
        return False
    weight = (skewed.contrast[ok] / skewed.ramp_sigma[ok]) ** 2
    middle = (skewed.last[ok] * weight[:, None]).sum(axis=0) / weight.sum()
    scatter = np.sqrt(
        ((skewed.last[ok] - middle) ** 2 * weight[:, None]).sum() / (2 * weight.sum()) / ok.sum()
    )
    sigma = max(1.0 / float(np.sqrt(weight.sum())), float(scatter))
    return bool(np.hypot(*middle) > _STANDS_OUT * sigma)


def straighten(
    known: View, which: NDArray[np.int64], centres: FloatArray, slopes: FloatArray, good: NDArray[np.bool_]
) -> tuple[FloatArray, float]:
    """Fit the odd moments of the view's blur on up to 60 clean dots and keep them in `known.bent`.

    Returns all centres moved by the shift that the dots have in common, and that shift's standard
    deviation per coordinate, px.
    """
    some = np.flatnonzero(good)
    some = some[:: max(1, len(some) // _DOTS)]
    beliefs = Beliefs.loose(len(some), ramp=1e6 * abs(known.contrast))
    moved, sigma = np.zeros(2), 0.0
    for _ in range(_ROUNDS):
        gathered = known.scores(which[some], centres[some] + moved, slopes[some], kind=BENDS)
        steps = known.solved(gathered, beliefs, 0.9)
        ok = steps.ok
        if ok.sum() < 8:
            break
        change = steps.table[ok, 2:8].mean(axis=0)
        sigma = float(np.sqrt(steps.variance[ok].mean() / ok.sum()))
        moved += change[:2]
        known.bent = known.bent + np.concatenate([np.zeros(2), change[4:6], change[2:4]])
        most = _MOST_SHARE * known.sigma
        known.bent[2:] = np.clip(known.bent[2:], -most, most)
        if np.hypot(*change[:2]) < 0.0005:
            break
    return centres + moved, float(np.hypot(sigma, _UNSURE_SHARE * np.hypot(*moved)))
