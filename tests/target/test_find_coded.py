"""Coded plates and marked dots: identity, size and absolute numbering from a part of the plate."""

import numpy as np
import pytest

from holdstill.records import Nothing, Plate, Sighting
from holdstill.target import find, identify, parse
from holdstill.target.coded import marker_places
from target.paint import paint
from target.scenes import HALF

CODED = parse("coded-dots 14x10 14mm")


@pytest.mark.parametrize("dark", [True, False])
def test_a_part_of_a_coded_plate_reads_absolutely(dark):
    levels = {} if dark else {"dark": False, "ground": 35.0, "dots": 190.0}
    view = paint(
        CODED, **HALF, distance_mm=480, centre_px=(350, 250), turn_deg=140, tilt_deg=(20, -15), **levels
    )
    seen = find(view.image, CODED, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    assert seen.absolute
    assert 30 < len(seen.point_ids) < 110
    assert np.abs(seen.points_px - view.points_px[seen.point_ids]).max() < 0.05
    assert not set(seen.point_ids.tolist()) & set(CODED.absent)


def test_its_identity_size_and_pitch_are_read_from_the_picture():
    view = paint(CODED, **HALF, distance_mm=520, centre_px=(350, 250), turn_deg=-70)
    plate = identify(view.image, full_scale=255)
    assert isinstance(plate, Plate)
    assert plate == CODED


def test_another_plate_of_the_same_size_is_told_by_its_markers():
    view = paint(CODED, **HALF, distance_mm=760)
    seen = find(view.image, parse("coded-dots 14x10 14mm id35"), camera="left", full_scale=255)
    assert isinstance(seen, Nothing)
    assert seen.why == "wrong identity"
    assert seen.numbers["identity_seen"] == 32


@pytest.mark.parametrize(("columns", "rows", "window"), [(14, 10, 4), (10, 14, 5), (20, 14, 6), (8, 6, 4)])
def test_every_window_of_the_grid_holds_a_whole_marker(columns, rows, window):
    places = marker_places(columns, rows)
    assert len(set(places)) == len(places) <= 16
    for left in range(columns - window + 1):
        for top in range(rows - window + 1):
            assert any(left <= c < left + window and top <= r < top + window for c, r in places)


def test_marked_dots_fix_the_turn():
    plate = parse("dots 14x10 14mm d6mm ring@3,4 larger@8,2 smaller@5,7")
    for turn in (0, 90, 180, 270):
        view = paint(plate, **HALF, distance_mm=800, turn_deg=turn + 5, tilt_deg=(15, 10))
        seen = find(view.image, plate, camera="left", full_scale=255)
        assert isinstance(seen, Sighting)
        assert seen.absolute
        assert len(seen.point_ids) >= 137
        assert np.abs(seen.points_px - view.points_px[seen.point_ids]).max() < 0.1


def test_tracking_gives_the_same_as_a_search():
    pose = {**HALF, "distance_mm": 800, "tilt_deg": (10, 10), "turn_deg": 20}
    first = find(paint(CODED, **pose).image, CODED, camera="left", full_scale=255)
    assert isinstance(first, Sighting)
    moved = paint(CODED, **{**pose, "turn_deg": 21, "centre_px": (620, 500), "seed": 4})
    tracked = find(moved.image, CODED, camera="left", full_scale=255, hint=first)
    searched = find(moved.image, CODED, camera="left", full_scale=255)
    assert isinstance(tracked, Sighting)
    assert isinstance(searched, Sighting)
    assert np.array_equal(tracked.point_ids, searched.point_ids)
    assert np.abs(tracked.points_px - searched.points_px).max() < 0.003


def test_a_plate_that_slipped_by_one_pitch_keeps_its_numbers_right():
    pose = {**HALF, "distance_mm": 800}
    first = find(paint(CODED, **pose).image, CODED, camera="left", full_scale=255)
    assert isinstance(first, Sighting)
    pitch_px = 3623.0 * 14 / 800
    moved = paint(CODED, **{**pose, "centre_px": (611.5 + pitch_px, 511.5)})
    seen = find(moved.image, CODED, camera="left", full_scale=255, hint=first)
    assert isinstance(seen, Sighting)
    assert np.abs(seen.points_px - moved.points_px[seen.point_ids]).max() < 0.05
