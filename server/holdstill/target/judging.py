"""Which dots look like the view's others, and what the others say about each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import compiled, median
from .smooth import ROUNDS, smooth, smoothed
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
    return _told_apart(
        steps.table, np.ascontiguousarray(centres), known.expected(which), known.contrast, known.sigma,
        known.usual_px(which), known.pitch / known.radius,
    )  # fmt: skip


@compiled
def _told_apart(
    table: FloatArray,
    centres: FloatArray,
    expected: FloatArray,
    contrast: float,
    sigma: float,
    radius: float,
    pitch: float,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """See `plausible`. table: as of `Steps`; radius, px; pitch: over the radius."""
    n = len(table)
    ok, dot, odd = np.zeros(n, np.bool_), np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    some, count = np.empty(n), 0
    for k in range(n):
        ok[k] = table[k, 12] > 0 and table[k, 1] * contrast > 0
        if ok[k]:
            some[count] = table[k, 1]
            count += 1
    if count < 6:
        return ok, odd
    usual, before = median(some[:count]), 0
    numbers = np.empty((n, 6))
    for k in range(n):
        ratio, shift = table[k, 1] / usual, np.hypot(table[k, 2], table[k, 3])
        ok[k] = ok[k] and ratio > 0.4 and ratio < 1.8 and shift < sigma + 1.0
        dot[k] = ok[k]
        before += 1 if ok[k] else 0
        numbers[k, 0] = np.log(max(abs(table[k, 1]), 1e-9))
        numbers[k, 1] = np.log(max(table[k, 10], 1e-9))
        for q in range(2):
            numbers[k, 2 + q] = table[k, 4 + q]
            numbers[k, 4 + q] = centres[k, q] + table[k, 2 + q] - expected[k, q]
    if before < 6:
        return ok, odd
    for _ in range(2):
        surface, scatter, _ = smoothed(centres, numbers, ok, 2, ROUNDS)
        paler, larger = max(8 * scatter[0], 0.1), max(7 * scatter[2], 0.015)
        softer, reach = max(7 * scatter[3], 0.025), max(8 * np.hypot(scatter[4], scatter[5]), 0.01)
        now = 0
        for k in range(n):
            off = np.abs(numbers[k] - surface[k])
            far = np.hypot(off[4], off[5])
            misfit = numbers[k, 1] - surface[k, 1]
            fits = misfit < max(7 * scatter[1], 6 * np.sqrt(2 / table[k, 11]))
            ok[k] = ok[k] and fits and off[0] < paler and off[2] < larger and off[3] < softer and far < reach
            odd[k] = dot[k] and fits and max(off[2], off[3]) < max(0.06 * radius, larger, softer)
            odd[k] = odd[k] and far < max(reach, 0.03 * pitch * radius) and not ok[k]
            now += 1 if ok[k] else 0
        if now < 6 or now == before:
            break
        before = now
    return ok, odd


def light_slopes(steps: Steps, centres: FloatArray, good: NDArray[np.bool_], of_dots: bool) -> FloatArray:
    """Relative slope of the light at every dot, 1/px: a quadratic surface over the view through the
    logarithm of the level of the dots, or of the ground."""
    level = steps.ground + steps.contrast if of_dots else steps.ground
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
