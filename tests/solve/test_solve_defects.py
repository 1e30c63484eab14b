"""One defect at a time in a good set: the rig is never called good, and the reason names the cause."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.geometry import compose
from holdstill.phrases import CATALOGUE
from holdstill.records import Estimate, Nothing, Pose, Rig
from holdstill.solve import solve
from solve.sighting_rigs import DOTS, LENSES, Truth, camera_poses, plate_poses, views_of
from solve.spoilt_sets import COUNT, DEFECTS, glare_biases_dots, good


def test_a_good_set_fails_no_check_and_meets_its_goals() -> None:
    for seed in range(3):
        views, rig = good(np.random.default_rng(seed))
        found = solve(DOTS, rig, views, cameras=("left", "right"))
        assert isinstance(found, Estimate)
        assert [c.name for c in found.checks if not c.ok] == []
        assert all(q.value <= q.goal for q in found.quantities)
        assert not found.set_aside
        assert len(found.used_view_ids) == COUNT
        assert found.scale_verified


@pytest.mark.parametrize("name", sorted(DEFECTS))
def test_a_defect_is_named(name: str) -> None:
    make, causes = DEFECTS[name]
    views, rig = make(np.random.default_rng(42))
    found = solve(DOTS, rig, views, cameras=("left", "right"))
    if isinstance(found, Nothing):
        assert found.why in causes
        assert f"solve.{found.why}" in CATALOGUE
        return
    failed = [c for c in found.checks if not c.ok]
    assert failed
    assert failed[0].name in causes or set(causes) <= {c.name for c in failed}
    assert all(c.remedy in CATALOGUE and f"check.{c.name}" in CATALOGUE for c in failed)


@pytest.mark.parametrize(
    ("sharp_px", "soft_px", "told"), [(0.36, 0.57, False), (0.6, 0.95, True), (1.0, 1.6, True)]
)
def test_pictures_sharper_than_a_pixel_are_not_called_blurred(
    sharp_px: float, soft_px: float, told: bool
) -> None:
    """Distance and lean take a good lens from 0.35 to 0.6 px: no third of the views is blurred for that."""
    views, rig = good(np.random.default_rng(1))
    views = [
        replace(v, sightings={
            n: replace(s, blur_px=soft_px if index % 3 == 2 else sharp_px) for n, s in v.sightings.items()})
        for index, v in enumerate(views)
    ]  # fmt: skip
    found = solve(DOTS, rig, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    assert [c.name for c in found.checks if not c.ok] == (["blur"] if told else [])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("one pair unsynchronised", "moved between cameras: view 9"),
        ("swapped in two views", "cameras swapped: views 5, 10"),
        ("two views with wrong indices", "wrong index: views 4, 11"),
    ],
)
def test_odd_views_are_told_by_their_numbers(name: str, words: str) -> None:
    views, rig = DEFECTS[name][0](np.random.default_rng(42))
    found = solve(DOTS, rig, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    assert next(c.value for c in found.checks if c.name == "odd views") == words


def test_each_reason_for_odd_views_is_told_with_its_own() -> None:
    rng = np.random.default_rng(42)
    views, rig = DEFECTS["two views with wrong indices"][0](rng)
    crossed = views[6].sightings
    views[6] = replace(views[6], sightings={
        "left": replace(crossed["right"], camera="left"), "right": replace(crossed["left"], camera="right")})
    found = solve(DOTS, rig, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    told = next(c for c in found.checks if c.name == "odd views")
    assert not told.ok
    assert told.value == "wrong index: views 4, 11; cameras swapped: view 7"


def test_dots_under_glare_are_set_aside_as_glare_and_cost_nothing() -> None:
    views, rig = glare_biases_dots(np.random.default_rng(0))
    found = solve(DOTS, rig, views, cameras=("left", "right"))
    assert isinstance(found, Estimate)
    assert {a.reason for a in found.set_aside} == {"glare"}
    assert len(found.used_view_ids) == COUNT
    assert not [c for c in found.checks if not c.ok]


def test_a_view_brought_back_is_used_whatever_it_says() -> None:
    make, _ = DEFECTS["two views with wrong indices"]
    views, rig = make(np.random.default_rng(1))
    without = solve(DOTS, rig, views, cameras=("left", "right"))
    forced = solve(DOTS, rig, views, cameras=("left", "right"), forced=(4,))
    assert isinstance(without, Estimate)
    assert isinstance(forced, Estimate)
    assert 4 not in without.used_view_ids
    assert 4 in forced.used_view_ids
    assert 4 not in {a.view_id for a in forced.set_aside if not a.point_ids}


def test_one_percent_wrong_points_cost_what_leaving_them_out_costs() -> None:
    rng = np.random.default_rng(3)
    views, rig = good(rng)
    spoilt, cleared = [], []
    for view in views:
        wrong = {n: rng.random(len(s.point_ids)) < 0.01 for n, s in view.sightings.items()}
        off = {n: s.points_px + w[:, None] * rng.normal(0.0, 3.0, s.points_px.shape)
               for (n, s), w in zip(view.sightings.items(), wrong.values(), strict=True)}
        spoilt.append(replace(view, sightings={
            n: replace(s, points_px=off[n]) for n, s in view.sightings.items()}))
        cleared.append(replace(view, sightings={
            n: replace(s, point_ids=s.point_ids[~wrong[n]], points_px=s.points_px[~wrong[n]],
                       sigmas_px=s.sigmas_px[~wrong[n]], flags=s.flags[~wrong[n]])
            for n, s in view.sightings.items()}))
    clean, found, by_hand = (
        solve(DOTS, rig, some, cameras=("left", "right")) for some in (views, spoilt, cleared)
    )
    assert isinstance(clean, Estimate)
    assert isinstance(found, Estimate)
    assert isinstance(by_hand, Estimate)
    for a, b, c in zip(clean.cameras, found.cameras, by_hand.cameras, strict=True):
        assert abs(b.lens.fx - c.lens.fx) < 0.02
        assert abs(a.lens.fx - b.lens.fx) < 0.35 * a.sigmas[0]


@pytest.mark.parametrize("degrees", [0.003, 0.03])
@pytest.mark.parametrize("which", [0, 1, 2])
def test_of_three_cameras_the_one_that_was_knocked_is_named(which: int, degrees: float) -> None:
    names, rng = ("left", "middle", "right"), np.random.default_rng(4)
    truth = Truth(lenses=(LENSES * 2)[:3], poses=camera_poses(3, 12.0), names=names)
    poses = list(truth.poses)
    turn = np.radians(degrees)
    poses[which] = compose(Pose((turn, turn / 3, 0.0), (0.0, 0.0, 0.0)), poses[which])
    at = plate_poses(rng, 16)
    views = views_of(truth, at[:9], rng) + views_of(replace(truth, poses=poses), at[9:], rng, first_id=10)
    found = solve(DOTS, Rig(), views, cameras=names)
    assert isinstance(found, Estimate)
    told = next(c for c in found.checks if c.name == "cameras steady")
    assert not told.ok
    assert told.value == f"{names[which]} moved before view 10"
