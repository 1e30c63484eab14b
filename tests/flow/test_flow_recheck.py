"""``holdstill recheck`` over a stored session: the same rig, and a camera that was knocked."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from holdstill import target
from holdstill.archive import Journal
from holdstill.cli import main
from holdstill.commands.review import review_folder
from holdstill.intake.rig_file import read_rig

GOOD = Path(__file__).parents[2] / "sample_frames" / "good"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of the sample frames, as a journal on disk."""
    home = tmp_path_factory.mktemp("home")
    rig, spec = read_rig(GOOD / "rig.toml")
    assert spec is not None
    review = review_folder(GOOD, target.parse(spec), rig)
    with Journal.create(home / "fork") as journal:
        for event in review.events:
            journal.append(event)
    return home


def later(folder: Path, shift_px: int) -> Path:
    """Two later shots of the same rig; the right camera's pictures shifted as a turn of it would."""
    folder.mkdir()
    for number in (3, 8):
        for camera in ("left", "right"):
            image = cv2.imread(str(GOOD / f"fork_{camera}_{number:03d}.png"), cv2.IMREAD_UNCHANGED)
            assert image is not None
            if camera == "right" and shift_px:
                image = np.roll(image, shift_px, axis=0)
            assert cv2.imwrite(str(folder / f"fork_{camera}_{number + 100:03d}.png"), image)
    return folder


def test_an_untouched_rig_still_holds(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = later(tmp_path / "later", 0)
    assert main(["recheck", "fork", str(folder), "--home", str(home), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["moved"] is False
    assert len(told["views"]) == 2


def test_a_knocked_camera_is_found(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = later(tmp_path / "later", 2)
    assert main(["recheck", "fork", str(folder), "--home", str(home), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["moved"] is True
    assert told["matters"] is True
    assert told["significance"] > 10
    assert told["shift_px"] == pytest.approx(2.0, abs=0.8)


def test_an_unknown_session_is_told_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recheck", "nothing", str(GOOD), "--home", str(tmp_path)]) == 2
    assert "holdstill sessions" in capsys.readouterr().err
