"""``holdstill recheck`` by a still scene: a stored series, a folder as reference, single pictures."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from flow.test_flow_recheck import GOOD, home
from holdstill.archive import Journal, Originals
from holdstill.cli import main
from holdstill.commands.recheck import later_shots, stored
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.loop.still_eye import scene_first, scene_next
from holdstill.measure.scene import scene_floor
from holdstill.records import events as ev
from holdstill.records.scene import SceneReference
from measure.blob_scene import Blobs

__all__ = ["home"]
KNOCK_PX = 0.6


def scene(folder: Path, first: int, count: int, knock: tuple[float, float] = (0.0, 0.0)) -> Path:
    """Shots of a speckled scene as both cameras see it; the right one's picture shifted by `knock`."""
    folder.mkdir()
    for number in range(first, first + count):
        for camera, seed in (("left", 1), ("right", 2)):
            shift = knock if camera == "right" else (0.0, 0.0)
            image = Blobs(seed).picture(shift, seed=100 * number + seed)
            tall = np.vstack([image, image[-32:]])  # the session's pictures are 640 x 512
            assert cv2.imwrite(str(folder / f"fork_{camera}_{number:03d}.png"), tall)
    return folder


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, object]]:
    status = main(["recheck", "fork", *words, "--json"])
    out = capsys.readouterr().out
    return status, json.loads(out) if out else {}


def test_a_folder_of_earlier_pictures_is_reference_enough(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = scene(tmp_path / "before", 1, 4)
    same = scene(tmp_path / "same", 11, 2)
    moved = scene(tmp_path / "moved", 21, 2, (0.0, KNOCK_PX))
    more = ("--reference", str(before), "--home", str(home))
    status, told = asked(capsys, str(same), *more)
    assert (status, told["moved"], told["reasons"]) == (0, False, ["unmoved"])
    status, told = asked(capsys, str(moved), *more)
    assert (status, told["moved"], told["matters"], told["camera"]) == (1, True, True, "right")
    assert told["shift_px"] == pytest.approx(KNOCK_PX, abs=0.05)
    assert float(str(told["significance"])) > 10
    names = [str(p) for p in sorted(moved.glob("*_021.png"))]
    status, told = asked(capsys, *names, *more)
    assert (status, told["views"]) == (1, ["fork_021"])
    assert main(["recheck", "fork", str(moved), *more]) == 1
    assert "this camera moved; the others stood still" in capsys.readouterr().out


def test_the_sessions_own_series_is_used(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    moved = scene(tmp_path / "moved", 21, 1, (KNOCK_PX, 0.0))
    status = main(["recheck", "fork", str(moved), "--home", str(home)])
    assert status == 2
    assert "--reference DIR" in capsys.readouterr().err
    shots, _ = later_shots(stored("fork", home), [scene(tmp_path / "series", 1, 4)], None)
    originals = Originals(home / "fork" / "originals", preview_of=preview_of_file, png_of=png_of_file)
    digests = {c: originals.keep(o) for c, o in shots[0].originals.items()}
    marks = scene_first(shots[0])
    shifts = [scene_next(s) for s in shots[1:]]
    floors = {c: scene_floor(marks[c], [s[c] for s in shifts]) for c in marks}  # type: ignore[arg-type, misc]
    reference = SceneReference(shots[0].name, digests, marks, floors)  # type: ignore[arg-type]
    with Journal.open(home / "fork") as journal:
        journal.append(ev.SceneKept(1e12, reference))
    assert stored("fork", home).scene is not None
    status, told = asked(capsys, str(moved), "--home", str(home))
    assert (status, told["camera"]) == (1, "right")
    other = tmp_path / "other"
    other.mkdir()
    for camera in ("left", "right"):
        assert cv2.imwrite(str(other / f"fork_{camera}_031.png"), np.vstack([Blobs(9).picture()] * 2)[:512])
    assert main(["recheck", "fork", str(other), "--home", str(home)]) == 2
    assert "neither the plate nor the scene" in capsys.readouterr().err


def test_pictures_of_another_size_speak_against_the_calibration(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    later = tmp_path / "later"
    later.mkdir()
    for camera in ("left", "right"):
        image = cv2.imread(str(GOOD / f"fork_{camera}_003.png"), cv2.IMREAD_UNCHANGED)
        assert image is not None
        assert cv2.imwrite(str(later / f"fork_{camera}_103.png"), image[:, :600])
    status, told = asked(capsys, str(later), "--home", str(home))
    assert (status, told["moved"], told["matters"], told["reasons"]) == (1, True, True, ["picture size"])
    assert told["significance"] is None
    assert "600 x 512" in str(told["not_used"])
