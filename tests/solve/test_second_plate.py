"""A second plate through a finished calibration: right and wrong pitches, told or not told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from holdstill.records import Estimate, Nothing, Plate, PlateKind, Pose, View
from holdstill.records.second import SecondPlate
from holdstill.solve import measure_second, solve
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of

OWN = Plate(PlateKind.DOTS, 11, 9, 12.0, dot_diameter_mm=5.0, pitch_sigma_mm=0.003)


@pytest.fixture(scope="module")
def calibrated() -> Estimate:
    rng = np.random.default_rng(31)
    views = views_of(Truth(), plate_poses(rng, 16), rng)
    found = solve(DOTS, REFERENCE, views, cameras=Truth().names)
    assert isinstance(found, Estimate)
    return found


def shots(
    seed: int, pitch_mm: float = 12.0, count: int = 3, *, tilt_deg: float = 20.0, correlated: float = 0.0
) -> list[View]:
    """Shots of a plate that really is of `pitch_mm`."""
    rng = np.random.default_rng(seed)
    truth = Truth(plate=replace(OWN, pitch_mm=pitch_mm))
    poses = plate_poses(rng, count, truth.plate, tilt_deg=tilt_deg, spread_mm=20.0)
    return views_of(truth, poses, rng, correlated=correlated)


def measured(estimate: Estimate, views: list[View], second: Plate = OWN, first: Plate = DOTS) -> SecondPlate:
    found = measure_second(second, first, estimate, views)
    assert isinstance(found, SecondPlate)
    return found


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 35.0])
def test_a_right_pitch_bears_the_scale_out(calibrated: Estimate, tilt_deg: float) -> None:
    found = measured(calibrated, shots(1, tilt_deg=tilt_deg))
    assert found.check.ok
    assert abs(found.share) < 3 * found.share_sigma
    assert found.share_sigma < 0.0008
    assert found.measured_mm == pytest.approx(12.0, abs=3 * found.measured_sigma_mm)
    assert found.length_count > 50
    assert found.length_rms_um < found.length_max_um < 120.0
    assert len(found.shots) == 3


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("pitch_mm", [11.88, 12.12])
def test_a_pitch_wrong_by_one_per_cent_is_told(calibrated: Estimate, pitch_mm: float, count: int) -> None:
    found = measured(calibrated, shots(2, pitch_mm, count))
    assert not found.check.ok
    assert found.check.stops
    assert found.check.name == "second plate"
    assert found.check.remedy == "remedy.second plate"
    assert found.share == pytest.approx(pitch_mm / 12.0 - 1.0, abs=3 * found.share_sigma)
    assert found.length_max_um > 900.0


def test_a_wrong_first_plate_shows_the_same_way() -> None:
    """The calibration's own plate is one per cent smaller than told: everything comes out too large."""
    rng = np.random.default_rng(32)
    small = Truth(plate=replace(DOTS, pitch_mm=13.86))
    found = solve(DOTS, REFERENCE, views_of(small, plate_poses(rng, 14), rng), cameras=small.names)
    assert isinstance(found, Estimate)
    assert found.rms_px < 0.08
    seen = measured(found, shots(3))
    assert not seen.check.ok
    assert seen.share == pytest.approx(14.0 / 13.86 - 1.0, abs=3 * seen.share_sigma)


def test_what_is_known_of_both_pitches_counts(calibrated: Estimate) -> None:
    views = shots(4, 12.12)
    vague = measured(calibrated, views, replace(OWN, pitch_sigma_mm=0.1))
    assert vague.check.ok
    assert vague.share_sigma == pytest.approx(0.1 / 12.0, rel=0.02)
    assert not measured(calibrated, views).check.ok
    assert measured(calibrated, views, first=replace(DOTS, pitch_sigma_mm=0.1)).check.ok


def test_the_uncertainty_of_one_shot_holds_with_noise_that_goes_together(calibrated: Estimate) -> None:
    """60 single shots, half of the noise smooth over the plate: the shown sigma against the scatter."""
    shares, shown = [], []
    for seed in range(60):
        found = measured(calibrated, shots(100 + seed, count=1, correlated=0.5))
        shares.append(found.share)
        shown.append(found.measured_sigma_mm / 12.0)
    true = float(np.std(shares))
    assert 0.7 * true < np.median(shown) < 2.0 * true
    within = np.abs(shares) < 3 * np.array(shown)
    assert within.mean() > 0.93


def test_misread_dots_do_not_decide(calibrated: Estimate) -> None:
    views = shots(5)
    for view in views:
        for seen in view.sightings.values():
            seen.points_px[[3, 40]] += 4.0
    found = measured(calibrated, views)
    assert found.check.ok
    assert found.points <= 3 * (11 * 9 - 2)


def test_what_is_not_the_plate_is_not_measured(calibrated: Estimate) -> None:
    views = shots(6)
    for view in views:
        for seen in view.sightings.values():
            rng = np.random.default_rng(7)
            seen.points_px[:] = seen.points_px[rng.permutation(len(seen.points_px))]
    assert measure_second(OWN, DOTS, calibrated, views) == Nothing("not this plate")


def test_refusals(calibrated: Estimate) -> None:
    views = shots(8)
    alone = [replace(v, sightings={"left": v.sightings["left"]}) for v in views]
    assert measure_second(OWN, DOTS, calibrated, alone) == Nothing("no shared shot")
    assert measure_second(OWN, DOTS, calibrated, []) == Nothing("no shared shot")
    one = replace(calibrated, cameras=calibrated.cameras[:1])
    assert measure_second(OWN, DOTS, one, views) == Nothing("one camera")
    with pytest.raises(ValueError, match="uncertainty"):
        measure_second(replace(OWN, pitch_sigma_mm=None), DOTS, calibrated, views)


def test_where_the_plate_stood_does_not_matter(calibrated: Estimate) -> None:
    """Seen from its back corner, a half turn: the same pitch."""
    views = views_of(
        Truth(plate=OWN), [Pose((0.0, 0.1, np.pi), (60.0, 48.0, 700.0))], np.random.default_rng(9)
    )
    assert measured(calibrated, views).check.ok
