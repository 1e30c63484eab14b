import json

import cv2
import numpy as np
import pytest

from holdstill import cli
from holdstill.errors import BadInput
from measure.drawn_scenes import draw, expose, homography
from measure.focus_sweeps import Stack, shoot

KEYS = {
    "file", "sharpness", "edge_width_px", "saturated_share", "saturated_in_dots", "saturated_outside",
    "dot_fill", "glare_patches", "evenness",
}  # fmt: skip


def run(capsys, *words):
    status = (args := cli.parser().parse_args(["gauge", *map(str, words)])).run(args)
    return status, capsys.readouterr()


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    stack, rng = Stack("speckle", reach_px=7, step_px=0.5, size=192), np.random.default_rng(1)
    for k, z in enumerate(np.arange(-5, 6.1, 1.0)):
        cv2.imwrite(str(folder / f"focus_{k}.png"), shoot(stack.at(z), rng, exposure=0.7))
    return folder


def test_a_series_as_json(sweep, capsys):
    files = sorted(sweep.glob("focus_?.png"))
    status, out = run(capsys, *files, "--json")
    told = json.loads(out.out)
    assert status == 0
    assert [entry["file"] for entry in told["files"]] == [str(f) for f in files]
    assert set(told["files"][0]) >= KEYS
    assert told["sharpest"]["file"].endswith("focus_5.png")
    assert told["sharpest"]["peak_frame"] == pytest.approx(5.0, abs=0.3)
    assert 0 < told["sharpest"]["peak_sigma_frames"] < 0.5
    best = max(told["files"], key=lambda entry: entry["sharpness"])
    assert best["file"] == told["sharpest"]["file"]


def test_a_folder_is_taken_in_the_order_of_its_numbers(sweep, capsys):
    status, out = run(capsys, sweep, "--json")
    told = json.loads(out.out)
    assert status == 0
    assert len(told["files"]) == 12
    assert told["files"][-1]["file"].endswith("focus_11.png")
    assert told["sharpest"]["peak_frame"] == pytest.approx(5.0, abs=0.3)


def test_a_table_for_people(sweep, capsys):
    status, out = run(capsys, sweep)
    assert status == 0
    assert "focus_5.png" in out.out.splitlines()[-1]
    assert out.out.splitlines()[-1].startswith("Sharpest")


def test_one_picture_of_a_target(tmp_path, capsys):
    h = homography((800, 640))
    cv2.imwrite(str(tmp_path / "a.png"), expose(draw((800, 640), h, bright=300.0), np.random.default_rng(2)))
    status, out = run(capsys, tmp_path / "a.png", "--target", "dots 14x10 15mm d8mm", "--json")
    entry = json.loads(out.out)["files"][0]
    assert status == 0
    assert entry["target_found"]
    assert entry["dot_fill"] == pytest.approx(1.0, abs=0.02)
    assert entry["saturated_in_dots"] > 0.9
    assert entry["saturated_outside"] < 0.05
    assert json.loads(out.out)["sharpest"]["peak_sigma_frames"] is None


def test_a_bad_file_is_told_and_the_rest_measured(sweep, tmp_path, capsys):
    (tmp_path / "bad.png").write_bytes(b"\x89PNG not really")
    files = sorted(sweep.glob("focus_[0-7].png"))
    status, out = run(capsys, tmp_path / "bad.png", *files, "--json")
    told = json.loads(out.out)
    assert status == 2
    assert "bad.png" in out.err
    assert "error" in told["files"][0]
    assert told["sharpest"]["file"].endswith("focus_5.png")
    assert told["sharpest"]["peak_frame"] == pytest.approx(6.0, abs=0.3)


def test_missing_files_and_empty_folders_are_refused(tmp_path, capsys):
    with pytest.raises(BadInput, match="does not exist"):
        run(capsys, tmp_path / "none.png")
    with pytest.raises(BadInput, match="no pictures"):
        run(capsys, tmp_path)


def test_unrelated_pictures_are_no_series(tmp_path, capsys):
    rng = np.random.default_rng(3)
    for k in range(5):
        coarse = cv2.resize(
            rng.uniform(20, 220, (6, 8)).astype(np.float32), (256, 192), interpolation=cv2.INTER_CUBIC
        )
        fine = rng.normal(0, 12, (192, 256))
        cv2.imwrite(str(tmp_path / f"photo_{k}.jpg"), np.clip(coarse + fine, 0, 255).astype(np.uint8))
    status, out = run(capsys, tmp_path, "--json")
    told = json.loads(out.out)["sharpest"]
    assert status == 0
    assert told["file"] is None
    assert told["reason"] == "different scenes"
    _, out = run(capsys, tmp_path)
    assert "Not one series" in out.out


def test_colour_and_changing_exposure_leave_a_series_a_series(tmp_path, capsys):
    stack, rng = Stack("natural", reach_px=8, step_px=0.5, size=256), np.random.default_rng(5)
    for k, z in enumerate(np.arange(-6, 6.1, 1.0)):
        grey = shoot(stack.at(z), rng, exposure=0.7 * 2.0 ** rng.uniform(-1.5, 0.2)).astype(np.float32)
        tinted = np.stack([grey * 0.7, grey * 0.9, grey], axis=2)
        gamma = 255.0 * (np.clip(tinted, 0, 255) / 255.0) ** (1 / 2.2)
        cv2.imwrite(str(tmp_path / f"z{k:02d}.jpg"), gamma.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])
    status, out = run(capsys, tmp_path, "--json")
    told = json.loads(out.out)["sharpest"]
    assert status == 0
    assert told["file"].endswith("z06.jpg")
    assert abs(told["peak_frame"] - 6.0) <= max(3.0 * told["peak_sigma_frames"], 0.3)


def test_nothing_is_printed_above_an_error(tmp_path, capsys):
    (tmp_path / "broken.png").write_bytes(b"not a picture")
    status, out = run(capsys, tmp_path / "broken.png")
    assert status == 2
    assert out.out == ""
    assert "broken.png" in out.err
