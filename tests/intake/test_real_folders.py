"""Real folders of real photographs fall into the shots they are."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from holdstill.intake.decode import decode
from holdstill.intake.folder import read_folder
from intake.folder_watch import Watch, told

ROOT = Path(__file__).parents[2]
PAIRS = ROOT / "tests" / "data" / "opencv_doc_stereo"
BOARDS = ROOT.parent / "shared" / "data" / "stereo_board_photos"
NUMBERS = ["01", "02", "03", "04", "05", "06", "07", "08", "09", "11", "12", "13", "14"]


def test_the_committed_photographs_are_those_of_the_package():
    sums = dict(reversed(line.split("  ")) for line in (PAIRS / "SHA256SUMS").read_text().splitlines())
    assert len(sums) == 26
    for name, digest in sums.items():
        assert hashlib.sha256((PAIRS / name).read_bytes()).hexdigest() == digest


def test_thirteen_pairs_of_the_opencv_doc_package():
    complaints: list[tuple[str, str | None, str]] = []
    shots = read_folder(PAIRS, complain=lambda *c: complaints.append(c))
    assert complaints == []
    assert [s.name for s in shots] == NUMBERS
    for shot in shots:
        assert list(shot.originals) == ["left", "right"]
        for original in shot.originals.values():
            frame = decode(original)
            assert frame.image.shape == (480, 640)
            assert frame.full_scale == 255


def test_dropped_into_a_watched_folder_they_are_the_same(tmp_path):
    with Watch(tmp_path) as watch:
        for number in NUMBERS:
            for camera in ("left", "right"):
                shutil.copyfile(PAIRS / f"{camera}{number}.jpg", tmp_path / f"{camera}{number}.jpg")
        assert watch.until_shots(13)
    assert [told(s) for s in watch.shots] == [told(s) for s in read_folder(PAIRS)]
    assert watch.complaints == []


def test_six_pairs_of_the_ambiguous_board():
    if not BOARDS.is_dir():
        pytest.skip(f"no outside data at {BOARDS}")
    shots = read_folder(BOARDS)
    assert [list(s.originals) for s in shots] == [["L", "R"]] * 6
    assert [s.name for s in shots] == [f"BoardStereo{n}" for n in range(1, 7)]
