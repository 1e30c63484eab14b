"""The sample frames kept with the project: what the simulator draws, and as told beside them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from holdstill import target
from holdstill.commands.samples import SEED
from holdstill.intake.rig_file import read_rig
from holdstill.records import FloatArray, Nothing, Pose, Sighting
from holdstill.simulate import Setting, body, pose_of, true_points_px
from holdstill.simulate.backdrop import backdrop
from holdstill.simulate.optics import moved
from holdstill.simulate.samples import (
    GOOD,
    TROUBLE,
    frame,
    good_shots,
    png,
    sample_plate,
    sample_rig,
    trouble_shots,
)

FOLDER = Path(__file__).resolve().parents[2] / "sample_frames"
RIG = sample_rig()
THING = body(sample_plate())


def seen(folder: str, camera: str, number: int) -> Any:
    picture = cv2.imread(str(FOLDER / folder / f"fork_{camera}_{number:03d}.png"), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    return picture


def test_the_folder_is_small_and_says_where_it_comes_from() -> None:
    size = sum(f.stat().st_size for f in FOLDER.rglob("*") if f.is_file())
    assert size < 8_000_000
    page = (FOLDER / "ORIGIN.md").read_text(encoding="utf-8")
    assert str(SEED) in page
    assert "holdstill samples" in page


@pytest.mark.parametrize(("folder", "number"), [(GOOD, 6), (TROUBLE, 4)])
def test_a_frame_drawn_afresh_is_the_frame_kept(folder: str, number: int) -> None:
    shots = (*good_shots(RIG, THING), *trouble_shots(RIG, THING))
    shot = next(s for s in shots if (s.folder, s.number) == (folder, number))
    camera = RIG.cameras[1]
    drawn = frame(SEED, shot, camera, RIG, backdrop(camera, RIG.pose_rig_from_bench)).picture
    kept = seen(folder, "right", number)
    assert kept.shape == (512, 640)
    assert kept.dtype == np.uint8
    # equal to the byte with the versions told in ORIGIN.md; others may round a blur differently
    assert np.mean(np.abs(drawn.astype(int) - kept)) < 0.1


def test_every_good_shot_shows_the_whole_plate_to_both_cameras_within_focus() -> None:
    tilts, places, depths, turns = [], [], [], []
    for shot in good_shots(RIG, THING):
        setting = Setting(RIG, THING, pose_of(shot.held, THING, RIG))
        for camera in RIG.cameras:
            px = true_points_px(setting, camera)
            assert np.minimum(px, np.array([639, 511]) - px).min() > 17
            depth = moved(
                moved(THING.plate.points_mm(), setting.pose_rig_from_plate), camera.pose_cam_from_rig
            )
            assert camera.disc_px(depth[:, 2]).max() < 2.0
            places.append(px.mean(axis=0))
        tilts.append(np.hypot(shot.held.tilt_x_deg, shot.held.tilt_y_deg))
        depths.append(shot.held.z_mm)
        turns.append(shot.held.turn_deg)
    assert np.count_nonzero(np.array(tilts) > 19) >= 9
    assert np.ptp(depths) > 70
    assert sum(t > 60 for t in turns) >= 3
    assert np.ptp(np.array(places), axis=0).min() > 60


def test_the_eye_reads_the_good_shots_where_the_truth_file_says() -> None:
    told = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    plate = sample_plate()
    turned = plate.turned_ids()
    assert turned is not None
    for number in (1, 5, 12):
        shot = next(s for s in told["shots"] if (s["folder"], s["number"]) == (GOOD, number))
        pose = Pose.of(*(np.array(v) for v in shot["pose_rig_from_plate"].values()))
        points = moved(plate.points_mm(), pose)
        for camera in told["cameras"]:
            truth = _projected(points, camera)
            sighting = target.find(
                seen(GOOD, camera["name"], number), plate, camera=camera["name"], full_scale=255
            )
            assert isinstance(sighting, Sighting)
            assert len(sighting.point_ids) > 125
            ways = (sighting.point_ids, turned[sighting.point_ids])
            off = min(np.sqrt(np.mean((sighting.points_px - truth[ids]) ** 2)) for ids in ways)
            assert off < 0.04


def _projected(points_rig_mm: FloatArray, camera: dict[str, Any]) -> FloatArray:
    """By cv2, from the numbers of the truth file alone."""
    pose = Pose.of(*(np.array(v) for v in camera["pose_cam_from_rig"].values()))
    k = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    d = camera["distortion"]
    lens = np.array([d["k1"], d["k2"], d["p1"], d["p2"], d["k3"]])
    px, _ = cv2.projectPoints(points_rig_mm, *pose.arrays(), k, lens)
    return np.asarray(px.reshape(-1, 2))


def test_troubles_are_what_they_say() -> None:
    kinds = {s.spoil.kind: s.number for s in trouble_shots(RIG, THING)}
    assert seen(TROUBLE, "left", kinds["too dark"]).max() < 40
    assert np.mean(seen(TROUBLE, "left", kinds["too bright"]) == 255) > 0.25
    assert np.mean(seen(TROUBLE, "left", kinds["glare"]) == 255) > np.mean(seen(GOOD, "left", 1) == 255)
    assert not (FOLDER / TROUBLE / f"fork_right_{kinds['no right file']:03d}.png").exists()
    cut = (FOLDER / TROUBLE / f"fork_left_{kinds['left file cut off']:03d}.png").read_bytes()
    assert not cut.endswith(b"IEND\xaeB`\x82")
    out = next(s for s in trouble_shots(RIG, THING) if s.spoil.kind == "half out of the right picture")
    setting = Setting(RIG, THING, pose_of(out.held, THING, RIG))
    inside = [
        np.mean(np.all((p > 10) & (p < [629, 501]), axis=1))
        for p in (true_points_px(setting, c) for c in RIG.cameras)
    ]
    assert inside[0] == 1.0
    assert inside[1] < 0.86
    wrong = target.find(
        seen(TROUBLE, "left", kinds["wrong plate"]), sample_plate(), camera="left", full_scale=255
    )
    assert isinstance(wrong, Nothing)


def test_the_rig_file_reads_as_the_rig_drawn() -> None:
    for folder in (GOOD, TROUBLE):
        rig, spec = read_rig(FOLDER / folder / "rig.toml")
        assert spec is not None
        assert target.parse(spec) == sample_plate()
        assert [c.name for c in rig.cameras] == [c.name for c in RIG.cameras]
        assert rig.stand_off_mm == RIG.stand_off_mm


def test_png_round_trip_and_cut() -> None:
    picture = np.arange(64, dtype=np.uint8).reshape(8, 8)
    assert np.array_equal(cv2.imdecode(np.frombuffer(png(picture), np.uint8), cv2.IMREAD_UNCHANGED), picture)
    assert len(png(picture, cut=True)) == len(png(picture)) // 2
