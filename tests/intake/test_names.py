# ruff: noqa: E501  (a table reads better in whole rows)
"""Which camera and which shot a file name tells, for the ways camera programs name files."""

from __future__ import annotations

import random

import pytest

from holdstill.errors import BadInput
from holdstill.intake.names import camera_order, given_pattern, work_out


def series(form: str, cameras, count: int, first: int = 1) -> list[str]:
    return [form.format(c=c, n=n) for n in range(first, first + count) for c in cameras]


SCHEMES = {
    "joined": (series("{c}{n:02d}.jpg", ["left", "right"], 13), ("left", "right"), "{camera}{shot}.jpg"),
    "prefix": (series("fork_{c}_{n:03d}.png", ["left", "right"], 3), ("left", "right"), "fork_{camera}_{shot}.png"),
    "letter": (series("BoardStereo{c}{n}.png", "LR", 6), ("L", "R"), "BoardStereo{camera}{shot}.png"),
    "numbered": (series("cam{c}_{n:04d}.tif", "01", 4), ("cam0", "cam1"), "{camera}_{shot}.tif"),
    "spaced": (series("cam_{c}_{n:04d}.tif", "012", 4), ("cam0", "cam1", "cam2"), "{camera}_{shot}.tif"),
    "number last": (series("{n:04d}_{c}.tif", "01", 4), ("cam0", "cam1"), "{shot}_{camera}.tif"),
    "letter last": (series("Image-{n:04d}-{c}.bmp", "AB", 3), ("A", "B"), "Image-{shot}-{camera}.bmp"),
    "folders": (series("{c}/{n:03d}.png", ["left", "right"], 3), ("left", "right"), "{camera}/{shot}.png"),
    "told twice": (series("{c}/img{n}_{c}.png", ["left", "right"], 3), ("left", "right"), "*/img{shot}_{camera}.png"),
    "numbered folders": (series("cam{c}/{n:03d}.png", "12", 3), ("cam1", "cam2"), "{camera}/{shot}.png"),
    "four": (series("rig_{c}_{n:03d}.png", ["front", "left", "right", "top"], 3),
             ("left", "right", "front", "top"), "rig_{camera}_{shot}.png"),
    "eight": (series("cam{c}_{n}.png", range(8), 5), tuple(f"cam{c}" for c in range(8)), "{camera}_{shot}.png"),
    "ten": (series("cam{c}_{n}.png", range(1, 11), 3), tuple(f"cam{c}" for c in range(1, 11)), "{camera}_{shot}.png"),
    "one": (series("img_{n:04d}.png", "x", 5), ("camera",), "img_{shot}.png"),
    "one, many": (series("img_{n:04d}.png", "x", 60), ("camera",), "img_{shot}.png"),
    "dated": (series("20261125_1049_{c}_{n:03d}.png", "LR", 4), ("L", "R"), "*_{camera}_{shot}.png"),
    "serials": (series("SN{c}_{n:03d}.png", ["12345", "67890"], 4), ("cam12345", "cam67890"), "SN{camera}_{shot}.png"),
    "bare": (series("{n}_{c}.png", "12", 2), ("cam1", "cam2"), "{shot}_{camera}.png"),
    "one shot": (["left1.png", "right1.png"], ("left", "right"), "{camera}{shot}.png"),
    "German": (series("{c}_{n}.png", ["links", "rechts"], 4), ("links", "rechts"), "{camera}_{shot}.png"),
    "glued": (series("img{c}{n:02d}.png", "lr", 4), ("imgl", "imgr"), "{camera}{shot}.png"),
    "unpadded": (series("left{n}.png", "x", 11) + series("right{n}.png", "x", 11), ("left", "right"), None),
}  # fmt: skip


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pattern_is_worked_out(scheme):
    names, cameras, template = SCHEMES[scheme]
    for shuffled in (names, random.Random(4).sample(names, len(names))):
        pattern = work_out(shuffled)
        assert pattern.cameras == cameras
        assert not pattern.by_time
        assert template is None or pattern.template == template
        read = [pattern.read(name) for name in names]
        keys = {r.key for r in read}
        assert len(keys) == len(names) // len(cameras)
        assert len({(r.camera, r.key) for r in read}) == len(names)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_template_shown_reads_the_same_when_given(scheme):
    names, cameras, _ = SCHEMES[scheme]
    found = work_out(names)
    given = given_pattern(found.template, names, "folder")
    assert len(given.cameras) == len(cameras) or "{camera}" not in found.template
    groups = {n: found.read(n).key for n in names}
    again = {n: given.read(n).key for n in names}
    assert all((groups[a] == groups[b]) == (again[a] == again[b]) for a in names for b in names[:6])


def test_lost_frames_do_not_hide_the_pattern():
    names = series("{c}_{n:03d}.png", ["a", "b"], 40)
    for seed in range(20):
        kept = random.Random(seed).sample(names, int(0.85 * len(names)))
        assert work_out(kept).cameras == ("a", "b")


def test_labels_are_what_people_call_the_shots():
    for name, label in {
        "left01.jpg": "01", "fork_left_001.png": "fork_001", "BoardStereoL1.png": "BoardStereo1",
        "cam0_0001.tif": "0001", "0001_0.tif": "0001", "left/001.png": "001",
    }.items():  # fmt: skip
        scheme = next(names for names, _, _ in SCHEMES.values() if name in names)
        assert work_out(scheme).read(name).label == label


def test_counters_are_found_beside_times_that_differ():
    names = [
        f"{c}_{104900 + 7 * n + (c == 'right')}_{n:03d}.png" for n in range(1, 6) for c in ("left", "right")
    ]
    pattern = work_out(names)
    assert pattern.template == "{camera}_*_{shot}.png"
    assert pattern.read(names[0]) == pattern.read(names[0])
    assert pattern.read(names[0]).key == pattern.read(names[1]).key
    assert pattern.read(names[0]).label == "001"


def test_names_that_share_nothing_are_paired_by_time():
    names = [f"{c}_{104900 + 7 * n + (c == 'right')}.png" for n in range(1, 6) for c in ("left", "right")]
    pattern = work_out(names)
    assert pattern.by_time
    assert pattern.cameras == ("left", "right")


def test_names_without_numbers_are_overwritten_each_time():
    assert work_out(["left.png", "right.png"]).overwritten
    assert work_out(["cam0.png", "cam1.png"], {"cam0.png": 5.0, "cam1.png": 5.1}).overwritten
    assert not work_out(["left1.png", "right1.png"]).overwritten
    assert given_pattern("{camera}.png", ["a.png", "b.png"], "x").overwritten


def test_times_decide_where_names_do_not():
    names = series("{n}_{c}.png", "12", 6)
    series_of_one = {n: float(i) * 3 for i, n in enumerate(sorted(names, key=lambda n: (n[-5], n)))}
    cameras_together = {n: 3.0 * int(n[0]) + 0.1 * int(n[2]) for n in names}
    assert work_out(names, cameras_together).cameras == ("cam1", "cam2")
    assert work_out(names, series_of_one).cameras == ("camera",)


def test_with_one_camera_another_word_is_another_camera():
    pattern = work_out(series("img_{n}.png", "x", 5))
    assert pattern.read("img_9.png").camera == "camera"
    assert pattern.read("dark_9.png") is None


def test_cameras_stand_left_before_right_and_then_in_natural_order():
    names = ["top", "cam10", "right", "cam2", "rig_left"]
    assert sorted(names, key=camera_order) == ["rig_left", "right", "cam2", "cam10", "top"]


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("{kamera}_{shot}.png", "has the field {kamera}"),
        ("{shot}_{shot}.png", "{shot} twice"),
        ("{camera_{shot}.png", "has the field"),
        ("{camera}_{shot.png", "open or empty brace"),
        ("{camera}-{shot}.png", "fits none of the 2 pictures"),
    ],
)
def test_a_pattern_that_can_not_be_used_is_refused(pattern, words):
    with pytest.raises(BadInput) as told:
        given_pattern(pattern, ["left_1.png", "right_1.png"], "here")
    assert words in str(told.value)
    assert '"{camera}_{shot}.png"' in str(told.value)


def test_a_given_pattern_reads_names_and_folders():
    given = given_pattern("*_{camera}-{shot}.TIF", ["run1/x_A-0007.tif", "run1/x_B-0007.tif"], "here")
    assert given.cameras == ("A", "B")
    assert given.read("run1/x_B-0012.tif").label == "0012"
    words = given_pattern("{camera}/{shot}", ["a/first.png", "b/first.png"], "here")
    assert words.read("a/first.png").key == words.read("b/first.png").key
    assert words.cameras == ("a", "b")


def test_fifty_thousand_names_are_worked_out_quickly():
    import time

    names = series("cam{c}_{n:06d}.tif", "01", 25000)
    began = time.process_time()
    assert work_out(names).cameras == ("cam0", "cam1")
    assert time.process_time() - began < 2.0
