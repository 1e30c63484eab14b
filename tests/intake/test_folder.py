"""A folder of shots, watched live and read when finished: the same shots either way."""

from __future__ import annotations

import os
import shutil
import threading
import time

import pytest

from holdstill.errors import BadFrame, BadInput
from holdstill.intake.decode import decode
from holdstill.intake.folder import FolderSource, read_folder
from holdstill.records import FrameBytes, FrameFile
from intake.folder_watch import Watch, picture, told
from intake.patience import patience

SCHEMES = {
    "joined": ["{c}{n:02d}.png", ["left", "right"]],
    "letters": ["BoardStereo{c}{n}.png", ["L", "R"]],
    "numbered": ["cam{c}_{n:04d}.png", ["0", "1"]],
    "number last": ["{n:04d}_{c}.png", ["0", "1"]],
    "folders": ["{c}/{n:03d}.png", ["left", "right"]],
    "three": ["rig_{c}_{n}.png", ["a", "b", "c"]],
    "one": ["img_{n:04d}.png", ["x"]],
}


def names_of(scheme: str, count: int) -> list[list[str]]:
    form, cameras = SCHEMES[scheme]
    return [[form.format(c=c, n=n) for c in cameras] for n in range(1, count + 1)]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_dropped_one_by_one_gives_the_same_shots_as_the_finished_folder(tmp_path, scheme):
    shots = names_of(scheme, 12)
    with Watch(tmp_path) as watch:
        for number, shot in enumerate(shots):
            for camera, name in enumerate(shot):
                (tmp_path / name).parent.mkdir(exist_ok=True)
                (tmp_path / name).write_bytes(picture(10 * number + camera))
            time.sleep(0.02)
        assert watch.until_shots(12)
        time.sleep(0.05)
    assert watch.complaints == []
    finished = read_folder(tmp_path)
    assert [told(s) for s in watch.shots] == [told(s) for s in finished]
    assert len(finished) == 12
    assert all(s.single for s in finished)
    assert watch.source.cameras == tuple(finished[0].originals)


def test_frames_hold_the_files_that_were_written(tmp_path):
    with Watch(tmp_path) as watch:
        for name in ("left01.png", "right01.png"):
            (tmp_path / name).write_bytes(picture(len(name)))
        assert watch.until_shots(1)
    (shot,) = watch.shots
    assert list(shot.originals) == ["left", "right"]
    for camera, original in shot.originals.items():
        assert isinstance(original, FrameFile)
        frame = decode(original)
        assert frame.camera == camera
        assert frame.image.shape == (24, 32)
        assert abs(frame.taken_at_ms - 1000 * time.time()) < 60_000


def test_left_and_right_are_delivered_without_waiting(tmp_path):
    """From the last file's close to the shot in hand: the best of twelve, for other work may hold one up."""
    with Watch(tmp_path) as watch:
        taken = []
        for number in range(1, 13):
            (tmp_path / f"left{number}.png").write_bytes(picture(number, size=(1024, 1280)))
            (tmp_path / f"right{number}.png").write_bytes(picture(number, size=(1024, 1280)))
            closed = time.perf_counter()
            assert watch.until_shots(number)
            taken.append(watch.times[-1] - closed)
    assert sorted(taken)[2] < 0.1, taken


def test_files_there_at_the_start_come_first_and_in_order(tmp_path):
    for n in (10, 2, 1):
        for camera in ("cam0", "cam1"):
            path = tmp_path / f"{camera}_{n}.png"
            path.write_bytes(picture(n))
            os.utime(path, (1e9 + n, 1e9 + n))
    with Watch(tmp_path) as watch:
        assert watch.until_shots(3)
        for camera in ("cam0", "cam1"):
            (tmp_path / f"{camera}_11.png").write_bytes(picture(11))
        assert watch.until_shots(4)
    assert [s.name for s in watch.shots] == ["1", "2", "10", "11"]
    assert [s.number for s in watch.shots] == [1, 2, 3, 4]


def test_files_there_at_the_start_can_be_left_alone(tmp_path):
    for camera in ("left", "right"):
        (tmp_path / f"{camera}1.png").write_bytes(picture(1))
    with Watch(tmp_path, existing=False) as watch:
        time.sleep(0.15)
        for camera in ("left", "right"):
            (tmp_path / f"{camera}2.png").write_bytes(picture(2))
        assert watch.until_shots(1)
    assert [s.name for s in watch.shots] == ["2"]
    assert watch.complaints == []


@pytest.mark.parametrize("poll", [False, True])
def test_slow_writers_are_waited_for(tmp_path, poll, monkeypatch):
    patience(monkeypatch, "intake_settle_s", 60.0)
    data = picture(5, ".bmp", (300, 400))
    rest = threading.Event()

    def write_slowly() -> None:
        with (tmp_path / "right1.bmp").open("wb") as file:
            for part in range(0, len(data), len(data) // 6):
                file.write(data[part : part + len(data) // 6])
                file.flush()
                time.sleep(0.08)
                if part >= len(data) // 2:
                    rest.wait(60)

    with Watch(tmp_path, poll=poll) as watch:
        (tmp_path / "left1.bmp").write_bytes(data)
        writer = threading.Thread(target=write_slowly)
        writer.start()
        time.sleep(0.5)
        assert watch.shots == []
        rest.set()
        writer.join()
        assert watch.until_shots(1)
    for original in watch.shots[0].originals.values():
        assert decode(original).image.shape == (300, 400)


def test_a_file_closed_half_written_and_finished_later_is_waited_for(tmp_path, monkeypatch):
    patience(monkeypatch, "intake_settle_s", 60.0)
    data = picture(6, ".png", (200, 300))
    with Watch(tmp_path) as watch:
        (tmp_path / "left1.png").write_bytes(data)
        (tmp_path / "right1.png").write_bytes(data[:2000])
        time.sleep(0.3)
        assert watch.shots == []
        with (tmp_path / "right1.png").open("ab") as file:
            file.write(data[2000:])
        assert watch.until_shots(1)
    assert decode(watch.shots[0].originals["right"]).image.shape == (200, 300)
    assert watch.complaints == []


def test_a_file_never_finished_is_delivered_to_be_refused_in_words(tmp_path, monkeypatch):
    patience(monkeypatch, "intake_settle_s", 0.6)
    with Watch(tmp_path) as watch:
        (tmp_path / "left1.png").write_bytes(picture(1))
        (tmp_path / "right1.png").write_bytes(picture(2)[:60])
        assert watch.until_shots(1)
    with pytest.raises(BadFrame, match="cut short"):
        decode(watch.shots[0].originals["right"])


def test_renamed_into_place_and_moved_in_from_outside(tmp_path):
    watched, outside = tmp_path / "in", tmp_path / "out"
    watched.mkdir()
    outside.mkdir()
    with Watch(watched) as watch:
        for name in ("left1.png", "right1.png"):
            (watched / f"{name}.part").write_bytes(picture(3))
            (watched / f"{name}.part").rename(watched / name)
        assert watch.until_shots(1)
        for name in ("left2.png", "right2.png"):
            (outside / name).write_bytes(picture(4))
            shutil.move(outside / name, watched / name)
        assert watch.until_shots(2)
    assert [s.name for s in watch.shots] == ["1", "2"]


def test_a_folder_made_later_is_watched_too(tmp_path):
    with Watch(tmp_path) as watch:
        for n in (1, 2):
            for camera in ("left", "right"):
                (tmp_path / camera).mkdir(exist_ok=True)
                (tmp_path / camera / f"{n}.png").write_bytes(picture(n))
        assert watch.until_shots(2)
    assert [told(s)[2] for s in watch.shots][1] == {"left": "left/2.png", "right": "right/2.png"}


def test_polling_sees_what_a_network_folder_does_not_tell(tmp_path):
    with Watch(tmp_path, poll=True) as watch:
        for n in (1, 2, 3):
            for camera in ("left", "right"):
                (tmp_path / f"{camera}{n}.png").write_bytes(picture(n))
            assert watch.until_shots(n)
    assert [s.name for s in watch.shots] == ["1", "2", "3"]


def test_odd_frames_are_told_live_and_completed_when_late(tmp_path, monkeypatch):
    patience(monkeypatch, "intake_partner_wait_s", 1.0)
    with Watch(tmp_path) as watch:
        for name in ("left1.png", "right1.png", "left2.png"):
            (tmp_path / name).write_bytes(picture(len(name)))
        assert watch.until(lambda: bool(watch.complaints))
        assert watch.complaints[0][:2] == ("left2.png", "left")
        assert "right of shot 2 did not come" in watch.complaints[0][2]
        (tmp_path / "right2.png").write_bytes(picture(9))
        assert watch.until_shots(2)
        time.sleep(1.2)
    assert len(watch.complaints) == 1


def test_odd_frames_are_told_at_once_in_a_finished_folder(tmp_path):
    for name in (
        "left1.png",
        "right1.png",
        "left2.png",
        "left3.png",
        "right3.png",
        "right4.png",
        "notes.png",
    ):
        (tmp_path / name).write_bytes(picture(len(name)))
    (tmp_path / "notes.txt").write_text("not a picture")
    complaints = []
    shots = read_folder(tmp_path, complain=lambda *c: complaints.append(c))
    assert [s.name for s in shots] == ["1", "3"]
    assert [(name, camera) for name, camera, _ in complaints] == [
        ("notes.png", None), ("left2.png", "left"), ("right4.png", "right"),
    ]  # fmt: skip


def test_a_file_written_again_is_told_and_the_first_stays(tmp_path):
    with Watch(tmp_path) as watch:
        for name in ("left1.png", "right1.png"):
            (tmp_path / name).write_bytes(picture(1))
        assert watch.until_shots(1)
        time.sleep(2.1)
        (tmp_path / "left1.png").write_bytes(picture(77))
        assert watch.until(lambda: bool(watch.complaints))
    assert "was written again" in watch.complaints[0][2]
    assert len(watch.shots) == 1


def test_files_that_each_shot_overwrites_are_shots_of_their_own(tmp_path):
    with Watch(tmp_path) as watch:
        for number in range(3):
            for camera in ("left", "right"):
                (tmp_path / f"{camera}.png").write_bytes(picture(2 * number + (camera == "right")))
            assert watch.until_shots(number + 1)
            time.sleep(0.02)
    assert watch.complaints == []
    for number, shot in enumerate(watch.shots):
        for camera, original in shot.originals.items():
            assert isinstance(original, FrameBytes)
            assert original.data == picture(2 * number + (camera == "right"))
    assert len({s.name for s in watch.shots}) == 3


def test_a_link_out_of_the_folder_is_never_followed(tmp_path):
    watched, secret = tmp_path / "in", tmp_path / "secret.png"
    watched.mkdir()
    secret.write_bytes(picture(1))
    (watched / "left1.png").symlink_to(secret)
    (watched / "right1.png").write_bytes(picture(1))
    (watched / "loop").symlink_to(watched)
    complaints = []
    assert read_folder(watched, complain=lambda *c: complaints.append(c)) == [] or all(
        "left1.png" not in told(s)[2].values() for s in read_folder(watched)
    )
    assert any(name == "left1.png" and "leads out of" in message for name, _, message in complaints)


def test_names_with_newlines_and_scripts_do_no_harm(tmp_path):
    for name in ("left\n<script>1.png", "right\n<script>1.png", "left\n<script>2.png"):
        (tmp_path / name).write_bytes(picture(1))
    complaints = []
    shots = read_folder(tmp_path, complain=lambda *c: complaints.append(c))
    assert len(shots) == 1
    assert len(complaints) == 1
    assert "\n" not in complaints[0][2]


def test_mixed_suffixes_and_hidden_files(tmp_path):
    for name in ("left1.PNG", "right1.tif", ".left2.png", "~right2.png"):
        (tmp_path / name).write_bytes(picture(1))
    (tmp_path / ".cache").mkdir()
    (tmp_path / ".cache" / "left3.png").write_bytes(picture(1))
    (shot,) = read_folder(tmp_path)
    assert told(shot)[2] == {"left": "left1.PNG", "right": "right1.tif"}


def test_a_folder_that_goes_away_is_told_and_watched_again_when_back(tmp_path):
    watched = tmp_path / "in"
    watched.mkdir()
    with Watch(watched) as watch:
        for camera in ("left", "right"):
            (watched / f"{camera}1.png").write_bytes(picture(1))
        assert watch.until_shots(1)
        shutil.rmtree(watched)
        assert watch.until(lambda: any("can't be read any more" in m for _, _, m in watch.complaints))
        watched.mkdir()
        for camera in ("left", "right"):
            (watched / f"{camera}2.png").write_bytes(picture(2))
        assert watch.until_shots(2)
    assert sum("can't be read any more" in m for _, _, m in watch.complaints) == 1


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: p / "none", "no folder"),
        (lambda p: (p / "file").write_text("x") and p / "file", "is a file"),
    ],
)
def test_a_folder_that_can_not_be_used_is_refused(tmp_path, make, words):
    path = make(tmp_path)
    for way in (FolderSource, read_folder):
        with pytest.raises(BadInput, match=words):
            way(path)


def test_a_finished_folder_without_pictures_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(BadInput, match="holds no picture"):
        read_folder(tmp_path)
    (tmp_path / "left1.png").write_bytes(picture(1))
    with pytest.raises(BadInput, match="fits none"):
        read_folder(tmp_path, "{camera}-{shot}.png")


def test_nothing_comes_after_stop(tmp_path):
    with Watch(tmp_path) as watch:
        pass
    for camera in ("left", "right"):
        (tmp_path / f"{camera}1.png").write_bytes(picture(1))
    time.sleep(0.1)
    assert watch.shots == []


def test_a_folder_can_not_be_told_what_to_do(tmp_path):
    source = FolderSource(tmp_path)
    assert "camera program" in source.control({"exposure_ms": "3"})
    assert source.sim_state() is None
    assert source.single
    source.stop()


def test_a_given_pattern_is_used_live(tmp_path):
    with Watch(tmp_path, pattern="{shot}-{camera}.png") as watch:
        for n in (1, 2):
            for camera in ("left", "right"):
                (tmp_path / f"{n}-{camera}.png").write_bytes(picture(n))
        (tmp_path / "other.png").write_bytes(picture(3))
        assert watch.until_shots(2)
        assert watch.until(lambda: bool(watch.complaints))
    assert "does not fit" in watch.complaints[0][2]


def test_the_number_of_cameras_may_be_told(tmp_path, monkeypatch):
    """Then nothing is waited for: whoever waited for more cameras would do so for longer than this test."""
    patience(monkeypatch, "intake_first_shot_wait_s", 600.0)
    patience(monkeypatch, "intake_lone_file_wait_s", 600.0)
    with Watch(tmp_path, cameras=3) as watch:
        for camera in "abc":
            (tmp_path / f"x_{camera}_1.png").write_bytes(picture(ord(camera)))
        assert watch.until_shots(1)
    assert list(watch.shots[0].originals) == ["a", "b", "c"]


def test_shots_dealt_with_before_are_not_delivered_again(tmp_path):
    for n in (1, 2, 3):
        for camera in ("left", "right"):
            (tmp_path / f"{camera}{n}.png").write_bytes(picture(n))
    watch = Watch(tmp_path)
    watch.source.already(["1", "2"])
    with watch:
        assert watch.until_shots(1)
        time.sleep(0.1)
    assert [(s.name, s.number) for s in watch.shots] == [("3", 3)]


def test_a_callback_that_fails_does_not_end_the_watch(tmp_path, caplog):
    source = FolderSource(tmp_path)
    seen = threading.Semaphore(0)

    def deliver(shot) -> None:
        seen.release()
        if shot.number == 1:
            raise RuntimeError("a bug elsewhere")

    source.start(deliver, lambda *_: None)
    try:
        for n in (1, 2):
            for camera in ("left", "right"):
                (tmp_path / f"{camera}{n}.png").write_bytes(picture(n))
            assert seen.acquire(timeout=40)
    finally:
        source.stop()
    assert "could not be dealt with" in caplog.text
