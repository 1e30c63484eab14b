"""Brighter is better until it blooms: the same poses of the simulated rig at several exposures. Run by hand:

    pytest -m long tests/measure/test_brighter_study.py -s

SESSIONS (environment) sets how many sets of poses, seeds apart from any tuning.
"""

import os

import numpy as np
import pytest

from holdstill import solve
from holdstill.loop.worker import Eye
from holdstill.records import Shot, Sighting, View
from holdstill.simulate import Bench, BenchSettings
from holdstill.simulate.control import Change

STOPS = (0.0, -1.0, -2.0, -3.0)
"""From just saturated (the bench's usual exposure) down."""
VIEWS = 12


def poses(rng):
    """Held poses: near and far, tilted to all sides, over the field."""
    for k in range(VIEWS):
        turn = 2 * np.pi * k / VIEWS
        yield {
            "tilt_x_deg": 28 * np.cos(turn) + rng.normal(0, 4),
            "tilt_y_deg": 28 * np.sin(turn) + rng.normal(0, 4),
            "turn_deg": 90.0 * (k % 2) + rng.normal(0, 3),
            "x_mm": rng.uniform(-22, 22),
            "y_mm": rng.uniform(-16, 16),
            "distance_mm": 550 + rng.uniform(-45, 45),
        }


def seen(seed, stops):
    """The views of one set of poses at one exposure, by number, and the bench's settings."""
    settings = BenchSettings()
    bench, eye = Bench(settings, np.random.default_rng(seed + 1000)), Eye(settings.plate, previews=False)
    bench.set_exposure_stops(stops)
    views = {}
    for number, held in enumerate(poses(np.random.default_rng(seed)), 1):
        bench.set(Change(held=held))
        for _ in range(12):
            bench.advance(0.3, None)
        report = eye.look_at(Shot(number, str(number), 1000.0 * number, bench.shoot(0.0), single=True))
        found = {c: s for c, s in report.sightings.items() if isinstance(s, Sighting)}
        if len(found) == 2:
            views[number] = View(number, str(number), 1000.0 * number, found)
    return views, settings


def solved(views, settings):
    """Length error (um), reprojection rms (px), median sigma of a dot (px)."""
    rig = settings.rig.described(settings.plate, settings.volume_mm)
    estimate = solve.solve(settings.plate, rig, views, cameras=("left", "right"))
    length = next(q.value for q in estimate.quantities if q.name == "length_um")
    sigma = float(np.median(np.concatenate([s.sigmas_px for v in views for s in v.sightings.values()])))
    return length, estimate.rms_px, sigma


@pytest.mark.long
def test_just_saturated_beats_two_stops_under():
    rows, counts = {stops: [] for stops in STOPS}, []
    for k in range(int(os.environ.get("SESSIONS", "3"))):
        at = {stops: seen(int(os.environ.get("SEED", "700")) + k, stops) for stops in STOPS}
        both = sorted(set.intersection(*(set(views) for views, _ in at.values())))
        counts.append(len(both))
        for stops, (views, settings) in at.items():
            rows[stops].append(solved([views[n] for n in both], settings))
    print(f"\n{len(counts)} sessions, views found at every exposure: {counts}")
    print(
        "| exposure | sigma of a dot, px/1000 | rms, px | length error over 100 mm, um |\n|---|---|---|---|"
    )
    for stops, made in rows.items():
        name = "just saturated" if stops == 0 else f"{-stops:.0f} stops under"
        length, rms, sigma = np.mean(made, axis=0)
        print(f"| {name} | {1000 * sigma:.1f} | {rms:.4f} | {length:.3f} |")
    best, dim = np.array(rows[0.0]), np.array(rows[-2.0])
    assert (best[:, 1] < dim[:, 1]).all()
    assert (best[:, 2] < dim[:, 2]).all()
    assert best[:, 0].mean() < dim[:, 0].mean()
