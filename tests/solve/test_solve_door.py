"""The solving door: what comes back from sightings whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.geometry import compose, invert, matrices, turn_deg
from holdstill.records import Estimate, Nothing, Plate, Pose, Rig, Sighting, View
from holdstill.solve import agree, live_pose, solve
from holdstill.solve.live import half_turn
from solve.sighting_rigs import DOTS, LENSES, REFERENCE, Truth, camera_poses, plate_poses, views_of


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def solved(views: list[View], cameras: tuple[str, ...], rig: Rig = REFERENCE, **more: object) -> Estimate:
    found = solve(DOTS, rig, views, cameras=cameras, **more)  # type: ignore[arg-type]
    assert isinstance(found, Estimate), found
    return found


def gap_of(a: Pose, b: Pose) -> tuple[float, float]:
    """Degrees and mm between two poses."""
    r, t = matrices(compose(a, invert(b)))
    return float(turn_deg(r)), float(np.linalg.norm(t))


def test_without_noise_the_truth_comes_out_exactly(rng: np.random.Generator) -> None:
    truth = Truth()
    found = solved(views_of(truth, plate_poses(rng, 12), rng, 0.0), truth.names, lens_order="k1 k2 p1 p2")
    assert found.rms_px < 1e-7
    for camera, lens in zip(found.cameras, LENSES, strict=True):
        assert camera.lens.fx == pytest.approx(lens.fx, abs=1e-4)
        assert camera.lens.k2 == pytest.approx(lens.k2, abs=1e-5)
    degrees, mm = gap_of(found.cameras[1].pose_cam_from_rig, truth.poses[1])
    assert degrees < 1e-7
    assert mm < 1e-5


@pytest.mark.parametrize("count", [1, 2, 3])
def test_any_number_of_cameras_with_some_missing(count: int, rng: np.random.Generator) -> None:
    names = ("a", "b", "c")[:count]
    truth = Truth(lenses=(LENSES * 2)[:count], poses=camera_poses(count, 15.0), names=names)
    views = views_of(truth, plate_poses(rng, 14), rng)
    for index, view in enumerate(views):
        if count > 1 and index % 3 == 0:
            gone = names[index % count]
            rest = {n: s for n, s in view.sightings.items() if n != gone}
            views[index] = replace(view, sightings=rest)
    found = solved(views, names, Rig())
    assert [c.name for c in found.cameras] == list(names)
    assert found.rms_px == pytest.approx(0.05 * np.sqrt(2), rel=0.05)
    assert found.sigma0 == pytest.approx(1.0, abs=0.06)
    assert len(found.pairs) == count - 1
    for pair in found.pairs:
        assert pair.stereo_angle_deg == pytest.approx(15.0, abs=0.05)
    assert not found.set_aside
    p = len(found.parameter_names)
    assert found.covariance.shape == found.information.shape == (p, p)
    assert found.weights is not None
    assert found.weights.shape == (p, p)


def test_a_warm_start_ends_where_a_cold_one_does(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 13), rng)
    before = solved(views[:12], truth.names)
    warm, cold = solved(views, truth.names, start=before), solved(views, truth.names)
    assert warm.rms_px == pytest.approx(cold.rms_px, rel=1e-6)
    sigma = np.sqrt(np.diag(cold.covariance))
    names = cold.parameter_names
    for a, b in zip(warm.cameras, cold.cameras, strict=True):
        assert abs(a.lens.fx - b.lens.fx) < 1e-3 * sigma[names.index(f"{a.name}.fx")]
    assert warm.iterations < cold.iterations


def test_residuals_stand_in_the_order_of_the_points(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 10), rng)
    sighting = views[3].sightings["right"]
    moved = sighting.points_px.copy()
    moved[7] += [3.0, -4.0]
    spoilt = replace(sighting, points_px=moved)
    views[3] = replace(views[3], sightings={**views[3].sightings, "right": spoilt})
    found = solved(views, truth.names)
    residual = next(v for v in found.views if v.view_id == views[3].view_id).residuals_px["right"]
    assert residual.shape == sighting.points_px.shape
    assert residual[7] == pytest.approx([3.0, -4.0], abs=0.25)
    aside = [a for a in found.set_aside if a.view_id == views[3].view_id]
    assert [a.point_ids for a in aside] == [(int(sighting.point_ids[7]),)]


def turned_view(view: View, camera: str, plate: Plate) -> View:
    ids = plate.turned_ids()
    assert ids is not None
    return replace(view, sightings={**view.sightings, camera: half_turn(view.sightings[camera], ids)})


def test_half_turns_are_found_and_change_nothing(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12), rng, absolute=False)
    straight = solved(views, truth.names)
    crossed = [turned_view(v, "right", DOTS) if i in (2, 5, 6) else v for i, v in enumerate(views)]
    found = solved(crossed, truth.names)
    assert found.turned_view_ids == {"right": (3, 6, 7)}
    assert found.rms_px == pytest.approx(straight.rms_px, rel=1e-9)
    for a, b in zip(found.views, straight.views, strict=True):
        ids = DOTS.turned_ids()
        assert ids is not None
        same = a.residuals_px["right"]
        if a.view_id in (3, 6, 7):
            same = same[::-1] if len(same) == DOTS.point_count else same
        if len(same) == len(b.residuals_px["right"]) == DOTS.point_count:
            assert np.abs(same - b.residuals_px["right"]).max() < 1e-5


def test_agree_renumbers_the_camera_that_differs(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12), rng, absolute=False)
    estimate = solved(views, truth.names)
    for known in (estimate, REFERENCE, None):
        for view in views[:6]:
            both = agree(turned_view(view, "right", DOTS).sightings, DOTS, known)
            plain = agree(view.sightings, DOTS, known)
            for name in truth.names:
                assert np.array_equal(both[name].point_ids, plain[name].point_ids)
                assert np.allclose(both[name].points_px, plain[name].points_px)


def test_live_pose_is_the_pose(rng: np.random.Generator) -> None:
    truth = Truth()
    poses = plate_poses(rng, 12)
    views = views_of(truth, poses, rng)
    estimate = solved(views, truth.names)
    for pose, view in zip(poses, views, strict=True):
        for sightings in (view.sightings, {"right": view.sightings["right"]}):
            live = live_pose(DOTS, sightings, estimate)
            assert isinstance(live, Pose)
            degrees, _ = gap_of(live, pose)
            assert degrees < 0.3
            rough = live_pose(DOTS, sightings, REFERENCE)
            assert isinstance(rough, Pose)
            assert gap_of(rough, pose)[0] < 6.0
    empty = live_pose(DOTS, {}, estimate)
    assert isinstance(empty, Nothing)
    assert empty.why == "too few points"


def test_refusals_name_the_next_step(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 8), rng)
    few = solve(DOTS, REFERENCE, views[:2], cameras=truth.names)
    assert isinstance(few, Nothing)
    assert (few.why, few.numbers["found"], few.numbers["needed"]) == ("too few views", 2, 3)
    none = solve(DOTS, REFERENCE, [], cameras=truth.names)
    assert isinstance(none, Nothing)
    unseen = solve(DOTS, REFERENCE, views, cameras=("left", "right", "third"))
    assert isinstance(unseen, Nothing)
    assert unseen.numbers["camera"] == "third"
    one = Truth(lenses=LENSES[:1], poses=camera_poses(1), names=("left",))
    facing = [Pose((0.0, 0.0, 0.01 * i), (-90.0 + i, -60.0, 700.0)) for i in range(8)]
    alike = solve(DOTS, Rig(), views_of(one, facing, rng), cameras=("left",))
    assert isinstance(alike, Nothing)
    assert alike.why == "views too alike"
    odd: Sighting = replace(views[0].sightings["left"], image_size_px=(640, 480))
    mixed = [replace(views[0], sightings={**views[0].sightings, "left": odd}), *views[1:]]
    sizes = solve(DOTS, REFERENCE, mixed, cameras=truth.names)
    assert isinstance(sizes, Nothing)
    assert sizes.why == "contradictory sizes"
    assert not few


def off_by(view: View, camera: str, columns: int, rows: int, keep: float = 0.7) -> View:
    """A plain grid of which one camera saw a part only, numbered from the wrong corner."""
    seen = view.sightings[camera]
    row, column = np.divmod(seen.point_ids, DOTS.columns)
    part = (column >= columns) & (row >= rows) & (column < columns + keep * DOTS.columns)
    ids = seen.point_ids[part] - np.int32(rows * DOTS.columns + columns)
    cut = replace(seen, point_ids=ids, points_px=seen.points_px[part], sigmas_px=seen.sigmas_px[part],
                  flags=seen.flags[part])
    return replace(view, sightings={**view.sightings, camera: cut})


def test_a_lattice_seen_in_part_is_numbered_by_the_other_camera(rng: np.random.Generator) -> None:
    truth = Truth()
    views = views_of(truth, plate_poses(rng, 12, spread_mm=15.0, depth_mm=20.0), rng, absolute=False)
    straight = solved(views, truth.names)
    spoilt = [
        off_by(v, "right", 2, 1) if i == 4 else off_by(v, "left", 1, 2) if i == 9 else v
        for i, v in enumerate(views)
    ]
    found = solved(spoilt, truth.names)
    assert {i for ids in found.shifted_view_ids.values() for i in ids} == {5, 10}
    assert found.used_view_ids == straight.used_view_ids
    assert not found.set_aside
    assert found.rms_px == pytest.approx(straight.rms_px, rel=0.02)
    both = agree(spoilt[4].sightings, DOTS, straight)
    ids = views[4].sightings["right"].point_ids
    assert set(both["right"].point_ids) <= set(ids)
    assert both["right"].point_ids[0] % DOTS.columns == 2 + spoilt[4].sightings["right"].point_ids[0] % 14
    residuals = next(v for v in found.views if v.view_id == 5).residuals_px["right"]
    assert residuals.shape == spoilt[4].sightings["right"].points_px.shape
    assert np.sqrt((residuals**2).sum(axis=1).mean()) < 0.09
