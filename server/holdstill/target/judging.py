"""Which dots look like the view's others, and what the others say about each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import median
from .smooth import smooth
from .steps import Beliefs, Steps
from .view import View


def plausible(
    known: View, steps: Steps, which: NDArray[np.int64], centres: FloatArray
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Dots that look like the view's other dots; and those that are odd but still a dot in its place.

    Contrast, misfit, radius, blur and place of each are compared with a smooth surface over the
    view, in units of the view's own scatter about it: what is usual depends on the picture, and blur
    and light change across it.  Odd ones have the usual misfit and are a little paler, smaller, more
    blurred or off their place.
    """
    ok = steps.ok & (steps.contrast * known.contrast > 0)
    if ok.sum() < 6:
        return ok, ok & False
    ratio = steps.contrast / median(steps.contrast[ok])
    ok &= (ratio > 0.4) & (ratio < 1.8) & (np.hypot(*steps.shift.T) < known.sigma + 1.0)
    dot = ok.copy()
    if ok.sum() < 6:
        return ok, ok & False
    numbers = np.empty((len(which), 6))
    numbers[:, 0] = np.log(np.maximum(np.abs(steps.contrast), 1e-9))
    numbers[:, 1] = np.log(np.maximum(steps.misfit, 1e-9))
    numbers[:, 2:4] = steps.table[:, 4:6]
    numbers[:, 4:] = centres + steps.shift - known.expected(which)
    radius, before = known.usual_px(which), int(ok.sum())
    for _ in range(2):
        surface, scatter, _ = smooth(centres, numbers, ok, degree=2)
        off = np.abs(numbers - surface)
        far = np.hypot(off[:, 4], off[:, 5])
        fits = numbers[:, 1] - surface[:, 1] < np.maximum(7 * scatter[1], 6 * np.sqrt(2 / steps.dof))
        gates = [max(8 * scatter[0], 0.1), max(7 * scatter[2], 0.015), max(7 * scatter[3], 0.025)]
        reach = max(8 * float(np.hypot(scatter[4], scatter[5])), 0.01)
        ok &= fits & (off[:, 0] < gates[0]) & (off[:, 2] < gates[1]) & (off[:, 3] < gates[2]) & (far < reach)
        odd = dot & fits & (np.maximum(off[:, 2], off[:, 3]) < max(0.06 * radius, *gates[1:]))
        odd &= far < max(reach, 0.03 * known.pitch / known.radius * radius)
        now = int(ok.sum())
        if now < 6 or now == before:
            break
        before = now
    return np.asarray(ok), np.asarray(odd & ~ok)


def light_slopes(steps: Steps, centres: FloatArray, good: NDArray[np.bool_], bright_dots: bool) -> FloatArray:
    """Relative slope of the light at every dot, 1/px: a quadratic surface over the view through the
    logarithm of the bright part's level."""
    level = steps.ground + steps.contrast if bright_dots else steps.ground
    use = good & (level > 0)
    if use.sum() < 12:
        return np.zeros_like(centres)
    return smooth(centres, np.log(np.where(use, level, 1.0)), use)[2]


def ramps_of(
    steps: Steps, centres: FloatArray, good: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which dots carry a ramp of their own (n,); and how large a ramp is believed of each (n,), grey
    values per px: 0 where the view's ramps scatter about a smooth surface by no more than their noise."""
    ramp = steps.ramp
    surface, scatter, _ = smooth(centres, ramp, good)
    noise = median(steps.ramp_sigma[good]) ** 2 * max(median(steps.misfit[good]), 1.0)
    spread = 0.5 * float(scatter @ scatter)
    excess = (spread - 1.2 * noise) ** 0.5 if spread > 1.6 * noise else 0.0
    size = np.abs(ramp - surface).max(axis=1)
    shaded = size > 4.0 * np.hypot(steps.ramp_sigma, excess)
    return shaded, np.where(shaded, 10 * size, excess)


def beliefs_of(steps: Steps, centres: FloatArray, good: NDArray[np.bool_], ramps: FloatArray) -> Beliefs:
    """What the view's other dots say about each dot's radius and blur (a smooth surface and the scatter
    about it), with the ramps believed."""
    surface, scatter, _ = smooth(centres, steps.table[:, 4:6], good)
    table = np.empty((len(centres), 5))
    table[:, 0], table[:, 2] = surface.T
    table[:, 1], table[:, 3] = np.maximum(1.5 * scatter, 1e-3)
    table[:, 4] = ramps
    return Beliefs(table)
