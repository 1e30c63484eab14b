"""What a solve says of its own uncertainty, against many solves of one truth (short forms; the long
tables stand in the docs)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.records import Estimate, Rig
from holdstill.solve import solve
from solve.monte_carlo import names_at, study
from solve.sighting_rigs import DOTS, LENSES, REFERENCE, Truth, camera_poses, plate_poses, views_of


def bend(bow_um: float) -> np.ndarray:
    """A bowl of this height over the lattice, mm."""
    u, v = ((DOTS.points_mm()[:, :2] / DOTS.points_mm()[:, :2].max(axis=0)) * 2 - 1).T
    height = -(u**2 + v**2)
    out = np.zeros((DOTS.point_count, 3))
    out[:, 2] = bow_um / 1000.0 * (height - height.min()) / np.ptp(height)
    return out


def test_intervals_hold_the_truth_for_white_noise() -> None:
    found = study(40, 12, 11, lens_order="k1 k2 p1 p2")
    held = []
    for estimate, error in zip(found.estimates, found.rig_errors, strict=True):
        sigma = np.sqrt(np.diag(estimate.covariance))
        held.append(np.abs(error[names_at(estimate, ("left", "right"))]) < 1.96 * sigma)
    share = np.array(held)
    # Binomial limits for one parameter in 40 sets (three sigmas), and for all together.
    assert share.mean(axis=0).min() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 40)
    assert share.mean() == pytest.approx(0.95, abs=0.03)


def test_correlated_dots_are_seen_by_the_jackknife_and_not_by_the_covariance() -> None:
    found = study(30, 12, 13, correlated=0.5)
    for name in ("shape_um", "length_um", "epipolar_px"):
        assert np.median(found.by_covariance[name]) < 0.5 * found.truth(name)
        middle, _ = found.ratio(name)
        assert middle == pytest.approx(1.0, abs=0.35)  # 0.25 over many pose sets: see the docs' table


def test_a_bow_is_absorbed_and_told() -> None:
    found = study(10, 12, 17, truth=Truth(bend=bend(50.0)))
    bows = [e.plate_shape.bow_um for e in found.estimates if e.plate_shape is not None]
    assert len(bows) == 10
    assert bows == pytest.approx([50.0] * 10, abs=5.0)
    assert found.truth("shape_um") < 2.5


def test_a_flat_plate_is_left_flat() -> None:
    found = study(15, 12, 19)
    assert all(e.plate_shape is None for e in found.estimates)


def test_third_radial_term_is_taken_when_there_and_left_when_not() -> None:
    for k3, wanted in ((0.0, "k1 k2 p1 p2"), (6.0, "k1 k2 k3 p1 p2")):
        truth = Truth(lenses=tuple(replace(lens, k3=k3) for lens in LENSES))
        found = study(15, 16, 23, truth=truth, fixed_poses=False, spread_mm=55.0)
        right = [e.lens_order == wanted for e in found.estimates]
        assert sum(right) >= 14
        assert wanted in found.estimates[0].lens_reason


@pytest.mark.parametrize(
    ("count", "words"), [(3, "k1: so few views"), (5, "k1 k2 p1 p2: so few views"), (16, "gain nothing")]
)
def test_few_views_are_no_evidence_for_every_term(count: int, words: str) -> None:
    rng = np.random.default_rng(6)
    found = solve(DOTS, REFERENCE, views_of(Truth(), plate_poses(rng, count), rng), cameras=("left", "right"))
    assert isinstance(found, Estimate)
    assert words in found.lens_reason
    assert "every term" not in found.lens_reason


def test_one_camera_has_the_edge_quantity_alone() -> None:
    rng = np.random.default_rng(2)
    truth = Truth(lenses=LENSES[:1], poses=camera_poses(1), names=("left",))
    found = solve(DOTS, Rig(), views_of(truth, plate_poses(rng, 12), rng), cameras=("left",))
    assert isinstance(found, Estimate)
    assert [q.name for q in found.quantities] == ["edge_distortion_px"]
    assert not found.pairs


def test_goals_follow_the_wanted_displacement() -> None:
    rng = np.random.default_rng(2)
    views = views_of(Truth(), plate_poses(rng, 12), rng)
    plain = solve(DOTS, REFERENCE, views, cameras=("left", "right"))
    asked = solve(DOTS, replace(REFERENCE, goal_displacement_um=1.0), views, cameras=("left", "right"))
    assert isinstance(plain, Estimate)
    assert isinstance(asked, Estimate)
    goals = {q.name: q.goal for q in asked.quantities}
    assert goals["shape_um"] == 1.0
    for q in plain.quantities:
        assert goals[q.name] / q.goal == pytest.approx(1.0 / plain.quantities[0].goal, rel=1e-6)
    assert [q.gauge_mm for q in plain.quantities if q.name == "length_um"] == [100.0]


def test_more_views_are_worth_what_their_gain_says() -> None:
    """The information gains multiply up to the final weighted uncertainty."""
    rng = np.random.default_rng(8)
    views = views_of(Truth(), plate_poses(rng, 14), rng)
    few, many = (
        solve(DOTS, REFERENCE, some, cameras=("left", "right"), lens_order="k1 k2 p1 p2")
        for some in (views[:-1], views)
    )
    assert isinstance(few, Estimate)
    assert isinstance(many, Estimate)
    assert few.weights is not None
    assert many.weights is not None
    before = np.trace(few.weights @ few.covariance) / few.sigma0**2
    after = np.trace(many.weights @ many.covariance) / many.sigma0**2
    assert many.views[-1].information_gain == pytest.approx(1 - after / before, abs=0.02)


def test_what_an_unseen_lens_term_could_hide_is_told() -> None:
    """Plates in the middle of the picture and a k3 that moves the corner by half a pixel: most sets leave
    it out, and the border's error is then larger than shown; what every term free would leave is not."""
    truth = Truth(lenses=tuple(replace(lens, k3=2.8) for lens in LENSES))
    found = study(10, 14, 5, truth=truth, spread_mm=25.0, fixed_poses=False)
    left_out = [e for e in found.estimates if e.lens_order == "k1 k2 p1 p2"]
    assert len(left_out) >= 6
    edges = [next(q for q in e.quantities if q.name == "edge_distortion_px") for e in left_out]
    true = found.truth("edge_distortion_px")
    assert np.median([q.value for q in edges]) < 0.5 * true
    assert np.median([q.by_richer_model for q in edges]) == pytest.approx(true, rel=0.4)
    shape = [next(q for q in e.quantities if q.name == "shape_um") for e in left_out]
    assert all(q.by_richer_model < 1.15 * q.value for q in shape), "inside the volume it hardly matters"
