"""``holdstill review`` from end to end, on real photographs and on bad input.

Outside values: 13 real stereo pairs of Debian's ``opencv-doc`` (9x6 inner corners; see
``tests/data/opencv_doc_stereo/ORIGIN.md``), computed with OpenCV 5.0 and 4.10 at a corner window of
half-size 5 and k1, k2, p1, p2, k3 free: mono rms 0.19543 / 0.20703 px, stereo rms 0.21506 px (all
refined) to 0.21682 px (lenses fixed), T (-3.32798, 0.03725, 0.01445) squares, R vector
(0.006835, 0.003888, -0.003755) rad.
"""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from holdstill.cli import main

DATA = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"
SHARED = Path(__file__).parents[3] / "shared" / "data"
BOARD = "chessboard 9x6 25mm"


def review(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = main(["review", *words, "--json"])
    outcome: dict[str, Any] = json.loads(capsys.readouterr().out)
    return status, outcome


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    from holdstill import target
    from holdstill.commands.review import as_json, review_folder
    from holdstill.records import Rig

    return as_json(review_folder(DATA, target.parse(BOARD), Rig()))


def test_every_real_pair_is_found_and_kept(real: dict[str, Any]) -> None:
    assert real["views"]["found"] == 13
    assert real["views"]["kept"] == 13
    assert real["views"]["set_aside"] == []


def test_real_pairs_solve_as_published(real: dict[str, Any]) -> None:
    cameras = {c["name"]: c for c in real["solve"]["cameras"]}
    assert cameras["left"]["rms_px"] == pytest.approx(0.19543, abs=0.004)
    assert cameras["right"]["rms_px"] == pytest.approx(0.20703, abs=0.004)
    assert 0.212 < real["solve"]["rms_px"] < 0.219
    pair = real["solve"]["pairs"][0]
    assert pair["cameras"] == ["left", "right"]
    assert pair["baseline_mm"] == pytest.approx(83.2, abs=0.2)
    assert pair["epipolar_rms_px"] == pytest.approx(0.177, abs=0.012)
    assert pair["translation_mm"] == pytest.approx([-83.2, 0.931, 0.361], abs=0.6)
    assert pair["rotation_vector_rad"] == pytest.approx([0.006835, 0.003888, -0.003755], abs=0.002)


def test_a_verdict_on_real_pairs_is_not_ready(real: dict[str, Any]) -> None:
    assert real["verdict"]["state"] == "not yet"
    assert any("stereo angle" in reason for reason in real["verdict"]["reasons"])


def test_the_half_turn_is_resolved_over_real_pairs(capsys: pytest.CaptureFixture[str]) -> None:
    """6 real pairs of a 7x5 board, which looks the same turned by 180 degrees: 45.8 px when paired
    naively, 0.39975 px (OpenCV) when pair 3 is turned."""
    folder = SHARED / "stereo_board_photos"
    if not folder.is_dir():
        pytest.skip(f"the shared photographs are not at {folder}")
    status, outcome = review(capsys, str(folder), "--target", "chessboard 7x5 25mm")
    assert status == 1
    assert outcome["views"]["kept"] == 6
    assert outcome["solve"]["rms_px"] < 0.42


def test_a_missing_folder_is_bad_input(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["review", str(tmp_path / "nowhere"), "--target", BOARD]) == 2
    told = capsys.readouterr().err
    assert "nowhere" in told
    assert "Traceback" not in told


def test_an_unreadable_spec_is_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(DATA), "--target", "chessbord 9 by 6"]) == 2
    assert "chessbord" in capsys.readouterr().err


def test_no_spec_is_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(DATA)]) == 2
    assert "--target" in capsys.readouterr().err


def test_a_spec_that_does_not_match_keeps_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    status, outcome = review(capsys, str(DATA), "--target", "chessboard 11x8 25mm")
    assert status == 1
    assert outcome["views"]["kept"] == 0
    assert len(outcome["views"]["not_kept"]) == 13
    assert outcome["solve"] is None


def test_broken_and_odd_files_are_told_and_lose_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "shots"
    shutil.copytree(DATA, folder, ignore=shutil.ignore_patterns("*.md", "*LICEN*", "*.txt"))
    whole = (folder / "left05.jpg").read_bytes()
    (folder / "left05.jpg").write_bytes(whole[: len(whole) // 2])
    (folder / "right07.jpg").unlink()
    (folder / "left09.jpg").write_bytes(b"")
    (folder / "left11.jpg").write_bytes(bytes(len(whole)))
    (folder / "notes.txt").write_text("not a picture")
    status, outcome = review(capsys, str(folder), "--target", BOARD)
    assert status == 1
    assert outcome["views"]["kept"] == 9
    told = " ".join(outcome["files"]) + " ".join(r["reason"] for r in outcome["views"]["not_kept"])
    for name in ("left05.jpg", "left09.jpg", "left11.jpg"):
        assert name in told
    assert outcome["solve"]["rms_px"] < 0.25
