"""The hand-over: whole, consistently named, and untouched."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

from archive.solved_session import originals_in, solved, with_pictures
from holdstill import session, solve, target
from holdstill.archive.handover import hand_over
from holdstill.archive.load import load_calibration
from holdstill.errors import BadInput, StorageTrouble
from holdstill.geometry import project, transform
from holdstill.records import events as ev
from solve.sighting_rigs import DOTS, REFERENCE
from solve.test_solve_fitted import ambiguous_set

AT = 1.7641e12


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def handed(tmp_path):
    originals = originals_in(tmp_path)
    state = with_pictures(solved()[1], originals)
    folder = tmp_path / "hand-over"
    return hand_over(state, originals, folder, AT, report=False), folder, state, originals


def test_every_file_is_listed_with_its_size(handed):
    files, folder, _, _ = handed
    assert {n for n, _ in files} == {p.name for p in folder.iterdir() if p.is_file()}
    assert all((folder / name).stat().st_size == size > 0 for name, size in files)
    names = [n for n, _ in files]
    for wanted in ("summary.txt", "calibration.json", "calibration_opencv.yml", "calibration_opencv.json",
                   "camera_info_left.yaml", "camera_info_right.yaml", "observations.csv", "target.txt",
                   "target_points.csv", "pairs.csv", "everything.zip"):  # fmt: skip
        assert wanted in names


def test_the_kept_pairs_are_untouched_and_consistently_named(handed):
    _, folder, state, originals = handed
    rows = table(folder / "pairs.csv")
    assert len(rows) == 22
    assert {p.name for p in (folder / "pairs").iterdir()} == {r["file"] for r in rows}
    for row in rows:
        assert row["file"] == f"{row['camera']}_{int(row['view']):03d}.tif"
        data = (folder / "pairs" / row["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == row["sha256"]
        assert originals.path(row["sha256"]).read_bytes() == data
    assert [r["use"] for r in rows if r["camera"] == "left"] == ["solve"] * 10 + ["proof"]
    dropped = next(e.view for e in state.entries if e.dropped)
    assert f"left_{dropped.view_id}.tif" not in {r["original_name"] for r in rows}


def test_what_analysis_programs_link_to_can_not_change_the_original(handed):
    if os.name == "nt":
        pytest.skip("no such permissions")
    _, folder, _, _ = handed
    assert all(p.stat().st_mode & 0o222 == 0 for p in (folder / "pairs").iterdir())


def test_the_zip_holds_everything(handed):
    files, folder, _, _ = handed
    with zipfile.ZipFile(folder / "everything.zip") as archive:
        assert archive.testzip() is None
        names = set(archive.namelist())
        assert {n for n, _ in files} - {"everything.zip"} <= names
        assert sum(n.startswith("pairs/") for n in names) == 22


def test_observations_give_the_residuals_and_the_rms_again(handed):
    _, folder, state, _ = handed
    rows = table(folder / "observations.csv")
    estimate = state.estimate
    cameras = {c.name: c for c in estimate.cameras}
    poses = {v.view_id: v.pose_rig_from_plate for v in estimate.views}
    ids = {n: e.view.view_id for n, e in enumerate((e for e in state.entries if not e.dropped), 1)}
    squares = []
    for row in rows:
        if row["used"] != "1":
            continue
        camera = cameras[row["camera"]]
        on_plate = np.array([[float(row[k]) for k in ("x_mm", "y_mm", "z_mm")]])
        in_cam = transform(camera.pose_cam_from_rig, transform(poses[ids[int(row["view"])]], on_plate))
        gap = np.array([float(row["x_px"]), float(row["y_px"])]) - project(camera.lens, in_cam)[0]
        told = np.array([float(row["residual_x_px"]), float(row["residual_y_px"])])
        if estimate.plate_shape is None:
            assert np.abs(gap - told).max() < 2e-6
        squares.append(told @ told)
    assert len(squares) == sum(c.points for c in estimate.cameras)
    assert np.sqrt(np.mean(squares)) == pytest.approx(estimate.rms_px, rel=1e-4)
    assert {r["view"] for r in rows if r["used"] == "0"} == {"11"}


def test_the_target_is_told_as_it_is(handed):
    _, folder, state, _ = handed
    text = (folder / "target.txt").read_text()
    spec = text.splitlines()[0].removeprefix("Target: ")
    assert target.parse(spec) == state.plate
    points = [[float(r["x_mm"]), float(r["y_mm"])] for r in table(folder / "target_points.csv")]
    assert np.array_equal(points, state.plate.points_mm()[:, :2])


def test_the_summary_says_what_matters(handed):
    _, folder, state, _ = handed
    text = (folder / "summary.txt").read_text()
    assert "Verdict: Provisional" in text or "Verdict: Not yet" in text
    assert f"{state.estimate.rms_px:.4f} px rms" in text
    assert f"stereo angle {state.estimate.pairs[0].stereo_angle_deg:.3f}" in text
    assert "Proof on 1 views (unused views): held" in text
    assert max(len(line) for line in text.splitlines()) < 260


def test_the_plain_json_is_strict_and_loads_back_exactly(handed):
    _, folder, state, _ = handed
    path = folder / "calibration.json"
    json.loads(path.read_text(), parse_constant=lambda c: pytest.fail(f"{c} is not JSON"))
    back, estimate = load_calibration(path), state.estimate
    for a, b in zip(back.cameras, estimate.cameras, strict=True):
        assert (a.name, a.lens, a.pose_cam_from_rig, a.rms_px) == (
            b.name,
            b.lens,
            b.pose_cam_from_rig,
            b.rms_px,
        )
        assert dict(zip(a.sigma_names, a.sigmas, strict=True)) == dict(
            zip(b.sigma_names, b.sigmas, strict=True)
        )
    assert [p.pose_b_from_a for p in back.pairs] == [p.pose_b_from_a for p in estimate.pairs]
    assert back.parameter_names == estimate.parameter_names
    assert np.array_equal(back.covariance, estimate.covariance)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c["cameras"][0].update(fx="wide"), "fx of left is 'wide'"),
        (lambda c: c["cameras"][0].update(fx=-3), "focal length of left"),
        (lambda c: c["cameras"][0]["pose_cam_from_rig"].update(rotation_vector_rad=[0, 1, 0]), "disagree"),
        (lambda c: c["cameras"][1].update(name="left"), "cameras"),
        (lambda c: c["covariance"].pop(), "covariance of shape"),
        (lambda c: c.pop("pairs"), "pairs"),
        (lambda c: c["pairs"][0].update(cameras=["left", "nobody"]), "nobody"),
        (lambda c: c.update(form="else"), "not a calibration written by"),
        (lambda c: c.update(form_version=99), "form 99"),
    ],
)
def test_a_calibration_changed_by_hand_is_refused_with_the_reason(handed, change, words):
    _, folder, _, _ = handed
    path = folder / "calibration.json"
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))
    with pytest.raises(BadInput, match=words):
        load_calibration(path)


def test_files_that_are_no_calibration_are_refused(tmp_path):
    with pytest.raises(BadInput, match="no file"):
        load_calibration(tmp_path / "none.json")
    (tmp_path / "a.json").write_text("{")
    with pytest.raises(BadInput, match="not valid JSON"):
        load_calibration(tmp_path / "a.json")
    (tmp_path / "b.json").write_text("[" * 100_000)
    with pytest.raises(BadInput, match="not valid JSON"):
        load_calibration(tmp_path / "b.json")


def test_a_second_hand_over_replaces_the_first(handed, tmp_path):
    files, folder, state, originals = handed
    (folder / "left over.txt").write_text("from an older version")
    again = hand_over(state, originals, folder, AT, report=False)
    assert [n for n, _ in again] == [n for n, _ in files]
    assert not (folder / "left over.txt").exists()
    assert not list(folder.rglob(".*"))


def test_a_folder_that_can_not_be_written_is_told(handed, tmp_path):
    _, _, state, originals = handed
    (tmp_path / "file").write_text("x")
    with pytest.raises(StorageTrouble, match=r"can.t be reached|could not be written"):
        hand_over(state, originals, tmp_path / "file" / "x", AT, report=False)


def test_one_camera_and_three(tmp_path):
    for cameras in (1, 3):
        originals = originals_in(tmp_path / str(cameras))
        state = with_pictures(solved(cameras)[1], originals)
        files = hand_over(state, originals, tmp_path / str(cameras) / "out", AT, report=False)
        assert sum(n.startswith("camera_info") for n, _ in files) == cameras
        back = load_calibration(tmp_path / str(cameras) / "out" / "calibration.json")
        assert len(back.cameras) == cameras
        assert len(back.pairs) == len(state.estimate.pairs)


def test_pictures_that_were_lost_are_left_out_and_the_rest_is_handed_over(tmp_path):
    originals = originals_in(tmp_path)
    state = solved()[1]
    files = hand_over(state, originals, tmp_path / "out", AT, report=False)
    assert list((tmp_path / "out" / "pairs").iterdir()) == []
    assert ("summary.txt", (tmp_path / "out" / "summary.txt").stat().st_size) in files
    assert len(list(csv.reader(io.StringIO(Path(tmp_path / "out" / "pairs.csv").read_text())))) == 1


def test_observations_carry_the_numbers_the_solve_gave(tmp_path):
    """Pictures numbered upside down or off by a row by the finder come out numbered alike, and the
    calibration gives their residuals again."""
    views, plate = ambiguous_set(), DOTS
    opened = ev.SessionOpened(1.7e12, "fork", "", plate, REFERENCE, ("left", "right"), True)
    estimate = solve.solve(plate, REFERENCE, views, cameras=("left", "right"))
    assert estimate
    assert estimate.lattice_shifts
    events = [opened, *(ev.ViewKept(1.7e12, v, None) for v in views)]
    bare = solve.without_residuals(estimate)
    state = session.replay([*events, ev.Solved(1.7e12, bare, tuple(v.view_id for v in views))])
    hand_over(state, originals_in(tmp_path), tmp_path / "out", AT, report=False)
    rows = table(tmp_path / "out" / "observations.csv")
    cameras = {c.name: c for c in estimate.cameras}
    poses = {v.view_id: v.pose_rig_from_plate for v in estimate.views}
    seen = set()
    for row in rows:
        if row["view"] not in ("2", "4", "7", "10") or row["camera"] != "right":
            continue
        seen.add(row["view"])
        camera = cameras["right"]
        at = np.array([float(row[k]) for k in ("x_mm", "y_mm", "z_mm")])
        in_rig = transform(poses[int(row["view"])], at[None])
        gap = np.array([float(row["x_px"]), float(row["y_px"])]) - project(
            camera.lens, transform(camera.pose_cam_from_rig, in_rig))[0]
        assert np.abs(gap - [float(row["residual_x_px"]), float(row["residual_y_px"])]).max() < 1e-5
        assert np.hypot(*gap) < 0.5
    assert seen == {"2", "4", "7", "10"}
