"""``holdstill find`` and ``holdstill target``: what they print, write and return."""

import json

import cv2
import numpy as np
import pytest

from holdstill import cli
from holdstill.commands import find as find_command
from holdstill.commands import target as target_command
from holdstill.errors import BadFrame, BadInput
from target.paint import paint
from target.scenes import HALF, PLATE


def run(command, *words):
    args = cli.parser().parse_args([command.__name__.rsplit(".", 1)[1], *map(str, words)])
    return args.run(args)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    view = paint(PLATE, **HALF, distance_mm=800, tilt_deg=(15, 5))
    cv2.imwrite(str(folder / "plate.png"), view.image)
    cv2.imwrite(str(folder / "wall.png"), np.full((480, 640), 120, np.uint8))
    return folder, view


def test_json_tells_every_dot(files, capsys):
    folder, view = files
    status = run(
        find_command, folder / "plate.png", folder / "wall.png", "--target", "dots 14x10 14mm d6mm", "--json"
    )
    assert status == 1
    told = json.loads(capsys.readouterr().out)
    plate, wall = told["images"]
    assert plate["found"] is True
    assert len(plate["dots"]) == 140
    assert set(plate["dots"][0]) == {"col", "row", "x_px", "y_px", "sigma_px", "flags"}
    first = np.array([plate["dots"][0]["x_px"], plate["dots"][0]["y_px"]])
    assert min(np.abs(first - view.points_px[0]).max(), np.abs(first - view.points_px[-1]).max()) < 0.05
    assert plate["blur_px"] == pytest.approx(1.0, abs=0.1)
    assert plate["dot_growth"] == pytest.approx(1.0, abs=0.02)
    assert wall["found"] is False
    assert "no plate found" in wall["reason"]
    assert wall["dots"] == []


def test_words_and_drawing(files, capsys, tmp_path):
    folder, _ = files
    out = tmp_path / "seen.png"
    assert run(find_command, folder / "plate.png", "--target", "dots 14x10 14mm", "--draw", out) == 0
    told = capsys.readouterr()
    assert "140 of 140 points" in told.out
    assert str(out) in told.err
    assert str(out) not in told.out
    drawn = cv2.imread(str(out))
    assert drawn.shape[1] >= 1224
    assert (drawn[..., 0] != drawn[..., 2]).any()


def test_the_json_is_as_documented_and_alone_on_standard_output(files, capsys, tmp_path):
    folder, _ = files
    find_words = (
        folder / "plate.png",
        "--target",
        "dots 14x10 14mm",
        "--json",
        "--draw",
        tmp_path / "seen.png",
    )
    assert run(find_command, *find_words) == 0
    told = capsys.readouterr()
    (entry,) = json.loads(told.out)["images"]
    assert {"image", "found", "reason", "blur_px", "dots", "missing", "dot_growth"} <= set(entry)
    assert (entry["image"], entry["reason"]) == (str(folder / "plate.png"), None)
    assert entry["missing"] == []
    dot = entry["dots"][17]
    assert (dot["col"], dot["row"]) == (3, 1)
    assert dot["flags"] == []
    assert 0 < dot["sigma_px"] < 0.02
    assert "seen.png" in told.err


def test_any_picture_gets_an_answer(files, capsys, tmp_path):
    folder, _ = files
    grey = cv2.imread(str(folder / "plate.png"), cv2.IMREAD_GRAYSCALE)
    kinds = {
        "grey.bmp": (grey, 0), "colour.png": (np.dstack([grey] * 3), 0),
        "alpha.png": (np.dstack([grey] * 3 + [np.full_like(grey, 255)]), 0),
        "sixteen.png": (grey.astype(np.uint16) * 257, 0), "odd.png": (grey[:1017, :1211], 0),
        "pixel.png": (grey[:1, :1], 1), "strip.png": (grey[:40], 1), "black.png": (grey * 0, 1),
        "white.png": (grey * 0 + 255, 1),
    }  # fmt: skip
    for name, (image, status) in kinds.items():
        cv2.imwrite(str(tmp_path / name), image)
        assert run(find_command, tmp_path / name, "--target", "dots 14x10 14mm") == status, name
    capsys.readouterr()
    for spec in ("dots 14x10 14mm", "coded-dots"):
        run(find_command, tmp_path / "strip.png", "--target", spec)
        assert "1224 x 40 px" in capsys.readouterr().out


def test_a_file_that_is_no_picture_is_told_and_the_others_go_on(files, capsys, tmp_path):
    folder, _ = files
    (tmp_path / "notes.png").write_bytes(b"not a picture")
    words = ("--target", "dots 14x10 14mm", "--json")
    assert run(find_command, tmp_path / "notes.png", folder / "plate.png", *words) == 2
    told = capsys.readouterr()
    first, second = json.loads(told.out)["images"]
    assert (first["found"], second["found"]) == (False, True)
    assert "notes.png" in first["reason"]
    assert "notes.png" in told.err
    with pytest.raises(BadFrame):
        run(find_command, tmp_path / "notes.png", *words)


def test_a_name_that_is_no_file_is_told_as_such(tmp_path):
    with pytest.raises(BadFrame, match=r"no file .*plat\.png"):
        run(find_command, tmp_path / "plat.png", "--target", "dots 14x10 14mm d6mm")


@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".dxf"])
def test_target_writes_each_format(tmp_path, capsys, suffix):
    out = tmp_path / f"plate{suffix}"
    assert run(target_command, "coded-dots", "14x10", "14mm", "-o", out) == 0
    assert out.stat().st_size > 2000
    assert "coded-dots 14x10 14mm id32" in capsys.readouterr().out


def test_target_refuses_other_endings(tmp_path):
    with pytest.raises(BadInput, match=r"\.svg, \.pdf, \.dxf"):
        run(target_command, "dots 14x10 12mm", "-o", tmp_path / "plate.png")
