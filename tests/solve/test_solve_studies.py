"""Long studies of the solve; their tables are committed in the docs. Run by hand:

    python -m pytest tests/solve/test_solve_studies.py -m long -s
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from solve.monte_carlo import names_at, study
from solve.sighting_rigs import LENSES, Truth
from solve.test_solve_uncertainty import bend

pytestmark = pytest.mark.long


def test_intervals_over_many_sets() -> None:
    """95 % intervals of every parameter, white noise, within binomial limits (99.7 %)."""
    found = study(400, 12, 3, lens_order="k1 k2 p1 p2")
    held = []
    for estimate, error in zip(found.estimates, found.rig_errors, strict=True):
        sigma = np.sqrt(np.diag(estimate.covariance))
        held.append(np.abs(error[names_at(estimate, ("left", "right"))]) < 1.96 * sigma)
    share = np.mean(held, axis=0)
    print("\n95 % intervals, 400 sets of 12 views")
    for name, value in zip(found.estimates[0].parameter_names, share, strict=True):
        print(f"| {name} | {100 * value:.1f} % |")
    assert share.min() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)
    assert share.max() < 0.95 + 3 * np.sqrt(0.95 * 0.05 / 400)


def test_displayed_uncertainty_over_the_truth() -> None:
    print("\n| views | correlated | quantity | covariance/true | jackknife/true | shown/true | scatter |")
    for views in (8, 10, 12, 16, 24):
        for correlated in (0.0, 0.3, 0.6):
            pooled: dict[str, list[tuple[float, float, float, float]]] = {}
            for seed in range(6):
                found = study(20, views, 1000 * views + seed, correlated=correlated)
                for name in found.errors:
                    true = found.truth(name)
                    pooled.setdefault(name, []).append((
                        float(np.median(found.by_covariance[name])) / true,
                        float(np.nanmedian(found.by_jackknife[name])) / true, *found.ratio(name)))
            for name, rows in pooled.items():
                middle = np.median(rows, axis=0)
                numbers = " | ".join(f"{v:.2f}" for v in middle)
                print(f"| {views} | {correlated:g} | {name} | {numbers} |")
                assert abs(middle[2] - 1.0) < 0.25, (views, correlated, name)


def test_bows_and_flat_plates() -> None:
    print("\n| views | bow, um | taken | bow found, um | its sigma | shape error, um | flat plate's, um |")
    for views in (8, 12, 20):
        flat = study(40, views, 70 + views)
        assert sum(e.plate_shape is not None for e in flat.estimates) <= 2
        for bow in (20.0, 50.0, 150.0):
            found = study(20, views, 70 + views, truth=Truth(bend=bend(bow)))
            shapes = [e.plate_shape for e in found.estimates if e.plate_shape is not None]
            bows = [s.bow_um for s in shapes]
            print(f"| {views} | {bow:g} | {len(shapes)} of 20 | {np.mean(bows):.1f} +- {np.std(bows):.1f} | "
                  f"{np.median([s.bow_sigma_um for s in shapes]):.1f} | {found.truth('shape_um'):.2f} | "
                  f"{flat.truth('shape_um'):.2f} |")
            if bow == 50.0 and views >= 12:
                assert found.truth("shape_um") < 2.5
                assert abs(np.mean(bows) - 50.0) < 5.0


def test_third_radial_term() -> None:
    print("\n| views | correlated | true k3 | moves the corner by, px | sets | chosen |")
    right = total = 0
    for views in (10, 16, 24):
        for correlated in (0.0, 0.5):
            for k3 in (0.0, 6.0, 10.0):
                truth = Truth(lenses=tuple(replace(lens, k3=k3) for lens in LENSES))
                found = study(60, views, 500 + views, truth=truth, fixed_poses=False,
                              correlated=correlated, spread_mm=55.0)
                orders = Counter(e.lens_order for e in found.estimates)
                corner = k3 * LENSES[0].fx * (np.hypot(1224, 1024) / LENSES[0].fx) ** 7
                print(f"| {views} | {correlated:g} | {k3:g} | {corner:.2f} | 60 | "
                      + ", ".join(f"{n} x {o}" for o, n in orders.most_common()) + " |")
                right += orders["k1 k2 k3 p1 p2" if k3 else "k1 k2 p1 p2"]
                total += 60
    print(f"right in {right} of {total}")
    assert right / total >= 0.95
