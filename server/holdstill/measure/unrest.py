"""What hands do while they hold still: drift and tremor, from a run of sightings of one camera."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import IntArray, Nothing, Sighting

_FEWEST_POINTS = 4


@dataclass(frozen=True, slots=True)
class Unrest:
    """Unrest of a plate over some frames, in one camera's picture.

    drift_px_per_s
        rms speed (>= 0) of the points' even motion over the run.
    tremor_px
        rms distance (>= 0) of the points from that even motion, their own noise taken off; None with
        fewer than three frames.
    frames
        How many frames were looked at.
    """

    drift_px_per_s: float
    tremor_px: float | None
    frames: int


def unrest(run: Sequence[Sighting], times_s: Sequence[float]) -> Unrest | Nothing:
    """Drift and tremor over sightings of one camera at ascending times (s).

    A straight line in time is fitted to each coordinate of the points common to all (least squares);
    its slope is the drift, what it leaves over n - 2 degrees of freedom is the tremor. A tremor that
    keeps step with the frames can't be seen. Nothing ("too few frames", "too few common points").
    """
    if len(run) < 2 or len(run) != len(times_s):
        return Nothing("too few frames", {"found": len(run), "needed": 2})
    ids = run[0].point_ids
    for sighting in run[1:]:
        ids = np.intersect1d(ids, sighting.point_ids)
    if len(ids) < _FEWEST_POINTS:
        return Nothing("too few common points", {"found": len(ids), "needed": _FEWEST_POINTS})
    at = [np.searchsorted(s.point_ids, ids) if _ascending(s) else _places(s, ids) for s in run]
    points = np.stack([s.points_px[i] for s, i in zip(run, at, strict=True)])
    noise2 = np.mean([np.mean(s.sigmas_px[i] ** 2) for s, i in zip(run, at, strict=True)])
    time = np.asarray(times_s, dtype=np.float64) - float(np.mean(times_s))
    spread = float(time @ time)
    slope = np.einsum("n,npi->pi", time, points) / spread
    drift2 = float((slope**2).sum(axis=1).mean()) - 2.0 * float(noise2) / spread
    drift = math.sqrt(max(drift2, 0.0))
    if len(run) == 2:
        return Unrest(drift, None, 2)
    left = points - points.mean(axis=0) - time[:, None, None] * slope
    tremor2 = float((left**2).sum(axis=(0, 2)).mean()) / (len(run) - 2) - 2.0 * float(noise2)
    return Unrest(drift, math.sqrt(max(tremor2, 0.0)), len(run))


def _ascending(sighting: Sighting) -> bool:
    return bool((np.diff(sighting.point_ids) > 0).all())


def _places(sighting: Sighting, ids: IntArray) -> NDArray[np.intp]:
    where = {int(i): n for n, i in enumerate(sighting.point_ids)}
    return np.array([where[int(i)] for i in ids], dtype=np.intp)


def travel_px(drift_px_per_s: float, tremor_px: float, *, exposure_ms: float) -> float:
    """How far (px, >= 0) the points may travel during an exposure with this drift and tremor.

    Drift goes on evenly; a tremor of rms r and frequency f swings from end to end of a time T by at
    most ``2 sqrt(2) r sin(min(pi f T, pi/2))`` (a sine's own geometry), with f = `still_tremor_hz`,
    the quick end of physiological tremor.
    """
    seconds = exposure_ms / 1000.0
    swing = math.sin(min(math.pi * limit("still_tremor_hz") * seconds, 0.5 * math.pi))
    return drift_px_per_s * seconds + 2.0 * math.sqrt(2.0) * tremor_px * swing


def longest_exposure_ms(drift_px_per_s: float, tremor_px: float, *, most_px: float) -> float:
    """Longest exposure (ms, at most 1000) at which `travel_px` stays within `most_px`."""
    low, high = 0.0, 1000.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        fits = travel_px(drift_px_per_s, tremor_px, exposure_ms=middle) <= most_px
        low, high = (middle, high) if fits else (low, middle)
    return low
