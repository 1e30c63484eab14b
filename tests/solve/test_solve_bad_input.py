"""Views that are wrong in every way the bench or a text editor can make them: refused or set aside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.errors import BadInput
from holdstill.records import Estimate, Nothing, ProofResult, Rig, Sighting, View
from holdstill.solve import agree, live_pose, prove, recheck, solve
from solve.sighting_rigs import DOTS, LENSES, REFERENCE, Truth, plate_poses, views_of


def spoil(rng: np.random.Generator, view: View, kind: int) -> View:
    """One camera's picture gone, thinned, scattered, shaken, collapsed, shuffled or cut to one row."""
    seen = dict(view.sightings)
    name = sorted(seen)[int(rng.integers(len(seen)))]
    s = seen[name]
    some = np.ones(len(s.point_ids), dtype=bool)
    at = s.points_px
    if kind == 0:
        del seen[name]
        return replace(view, sightings=seen)
    if kind == 1:
        some = rng.random(len(some)) < 0.1
    elif kind == 2:
        at = rng.uniform(0, 2000, at.shape)
    elif kind == 3:
        at = at + rng.normal(0, 30, at.shape)
    elif kind == 4:
        at = 500.0 + rng.normal(0, 1e-3, at.shape)
    elif kind == 5:
        at = at[rng.permutation(len(at))]
    else:
        some = s.point_ids < DOTS.columns
    if some.any():
        seen[name] = replace(
            s, point_ids=s.point_ids[some], points_px=at[some], sigmas_px=s.sigmas_px[some],
            flags=s.flags[some])
    return replace(view, sightings=seen)


@pytest.mark.parametrize("kind", range(7))
def test_two_spoilt_pictures_in_a_set_cost_nothing(kind: int) -> None:
    rng = np.random.default_rng(kind)
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12), rng)
    for index in (2, 7):
        views[index] = spoil(rng, views[index], kind)
    found = solve(DOTS, REFERENCE, views, cameras=truth.names)
    assert isinstance(found, Estimate)
    assert found.rms_px < 0.075
    for camera, lens in zip(found.cameras, LENSES, strict=True):
        assert abs(camera.lens.fx - lens.fx) < 4.5 * camera.sigmas[0]
    if kind in (2, 3, 4, 5):
        reasons = {(a.view_id, a.reason) for a in found.set_aside}
        assert reasons >= {(3, "not the plate"), (8, "not the plate")}
        assert not next(c for c in found.checks if c.name == "odd views").ok


def test_nothing_that_is_only_wrong_raises() -> None:
    """Random sets, mostly spoilt: every door answers with a record."""
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        views = views_of(
            Truth(), plate_poses(rng, int(rng.integers(1, 10)), tilt_deg=float(rng.choice([0.0, 3.0, 40.0]))),
            rng, absolute=bool(rng.random() < 0.5))
        views = [
            spoil(rng, v, int(rng.integers(7))) if v.sightings and rng.random() < 0.6 else v for v in views
        ]
        rig = REFERENCE if rng.random() < 0.5 else Rig()
        found = solve(DOTS, rig, views, cameras=("left", "right"))
        assert isinstance(found, Estimate | Nothing)
        known = found if isinstance(found, Estimate) else rig
        for view in views[:2]:
            live_pose(DOTS, view.sightings, known)
            assert set(agree(view.sightings, DOTS, known)) == set(view.sightings)
        if isinstance(found, Estimate):
            assert isinstance(prove(DOTS, rig, found, views), ProofResult | Nothing)
            recheck(DOTS, rig, found, views[:2])


def test_contradictions_edited_in_by_hand_are_told() -> None:
    rng = np.random.default_rng(1)
    views = views_of(Truth(), plate_poses(rng, 6), rng)

    def with_left(change: Sighting) -> list[View]:
        return [replace(views[0], sightings={**views[0].sightings, "left": change}), *views[1:]]

    left = views[0].sightings["left"]
    with pytest.raises(BadInput, match="point number"):
        solve(DOTS, REFERENCE, with_left(replace(left, point_ids=left.point_ids + 100)),
              cameras=("left", "right"))
    with pytest.raises(BadInput, match="positive sigma"):
        solve(DOTS, REFERENCE, with_left(replace(left, sigmas_px=0.0 * left.sigmas_px)),
              cameras=("left", "right"))
    with pytest.raises(BadInput, match="finite place"):
        solve(DOTS, REFERENCE, with_left(replace(left, points_px=np.nan * left.points_px)),
              cameras=("left", "right"))
    with pytest.raises(BadInput, match="lens order"):
        solve(DOTS, REFERENCE, views, cameras=("left", "right"), lens_order="k9")


def test_a_poor_start_is_left_behind() -> None:
    """A last estimate that is far off (lens changed since) does not spoil the next solve."""
    rng = np.random.default_rng(6)
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12), rng)
    found = solve(DOTS, REFERENCE, views, cameras=truth.names)
    assert isinstance(found, Estimate)
    poor = replace(found, cameras=tuple(
        replace(c, lens=replace(c.lens, fx=2.5 * c.lens.fx, fy=2.5 * c.lens.fy, k1=-2.0))
        for c in found.cameras))
    again = solve(DOTS, REFERENCE, views, cameras=truth.names, start=poor)
    assert isinstance(again, Estimate)
    assert again.rms_px == pytest.approx(found.rms_px, rel=1e-6)
