"""Compiling before the first shot: a small made-up job makes the worker processes ready.

Inner loops of ``target`` and ``solve`` are compiled on first use and cached on disk; on a new machine
that takes some seconds, which are better spent before an operator waits for a cue.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill import measure, solve, target
from holdstill.geometry import project
from holdstill.records import Lens, Plate, PlateKind, Pose, Rig, Sighting, View

_PLATE = Plate(PlateKind.DOTS, 12, 9, 10.0, dot_diameter_mm=5.0, dark_dots=False)
_LENS = Lens(900.0, 900.0, 319.5, 239.5, size_px=(640, 480))


def warm_eye() -> None:
    """Look once at made-up dots, bright on dark, so that everything the eye needs is compiled."""
    image = _dots()
    first = target.find(image, _PLATE, camera="warm", full_scale=255)
    seen = first if isinstance(first, Sighting) else None
    for picture in (image, image.astype(np.uint16)):
        scale = int(np.iinfo(picture.dtype).max)
        measure.frame_measures(picture, camera="warm", full_scale=scale, plate=_PLATE, sighting=seen)
    if isinstance(first, Sighting):
        target.find(image, _PLATE, camera="warm", full_scale=255, hint=first)


def _dots() -> NDArray[np.uint8]:
    y, x = np.mgrid[0:480, 0:640].astype(np.float64)
    u, v = (x - 70.3) / 44.0, (y - 60.7) / 44.0
    inside = (u > -0.5) & (u < 11.5) & (v > -0.5) & (v < 8.5)
    distance_px = 44.0 * np.hypot(u - np.round(u), v - np.round(v))
    level = np.where(inside, 1.0 / (1.0 + np.exp((distance_px - 11.0) / 0.6)), 0.0)
    grain = np.random.default_rng(1).normal(0.0, 1.0, level.shape)
    return np.clip(20.0 + 180.0 * level + grain, 0, 255).astype(np.uint8)


def warm_mind() -> None:
    """Solve a small made-up set, so that everything the solve needs is compiled."""
    generator = np.random.default_rng(1)
    turns = ((0.0, 0.0, 0.0), (0.4, 0.0, 0.1), (-0.4, 0.1, 0.0), (0.0, 0.4, 0.0), (0.1, -0.4, 0.2))
    views = [View(n, str(n), 0.0, {"warm": _seen(turn, generator)}) for n, turn in enumerate(turns, 1)]
    solve.solve(_PLATE, Rig(), views, cameras=("warm",))


def _seen(turn: tuple[float, float, float], generator: np.random.Generator) -> Sighting:
    from holdstill.geometry import transform

    points = transform(Pose(turn, (-55.0, -40.0, 300.0)), _PLATE.points_mm())
    pixels = project(_LENS, points) + generator.normal(0.0, 0.02, (len(points), 2))
    count, none = len(points), np.zeros(0, dtype=np.int32)
    ids = np.arange(count, dtype=np.int32)
    sigmas, flags = np.full(count, 0.02), np.zeros(count, dtype=np.int32)
    return Sighting("warm", (640, 480), ids, pixels, sigmas, flags, none, np.zeros((0, 2)), absolute=True)
