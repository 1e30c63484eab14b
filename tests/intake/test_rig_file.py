"""A rig file says what stands on the bench; what can't be meant is refused with its line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.errors import BadInput
from holdstill.intake.rig_file import _CAMERA_KEYS, _RIG_KEYS, read_rig, rig_text, write_rig
from holdstill.records import CameraDescription, Rig

WHOLE = """
name = "fork bench"
stand_off_mm = 700
stereo_angle_deg = 20.5
volume_mm = [120, 100, 60]
target = "dots 14x10 12mm"
tape_baseline_mm = 247
tape_sigma_mm = 0.5
goal_displacement_um = 5

[[cameras]]
name = "left"
width_px = 2448
height_px = 2048
pixel_um = 3.45
focal_mm = 25
f_number = 8
exposure_ms = 10

[[cameras]]
name = "right"
width_px = 2448.0
height_px = 2048
"""


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "rig.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_every_line_is_read(tmp_path):
    rig, spec = read_rig(written(tmp_path, WHOLE))
    assert spec == "dots 14x10 12mm"
    assert rig == Rig(
        name="fork bench",
        cameras=(
            CameraDescription("left", 2448, 2048, 3.45, 25.0, 8.0, 10.0),
            CameraDescription("right", 2448, 2048),
        ),
        stand_off_mm=700.0,
        stereo_angle_deg=20.5,
        volume_mm=(120.0, 100.0, 60.0),
        tape_baseline_mm=247.0,
        tape_sigma_mm=0.5,
        goal_displacement_um=5.0,
    )


def test_nothing_need_be_said(tmp_path):
    assert read_rig(written(tmp_path, "")) == (Rig(), None)
    rig, _ = read_rig(written(tmp_path, b"\xef\xbb\xbf[[cameras]]\n[[cameras]]\nfocal_mm = 8\n"))
    assert [c.name for c in rig.cameras] == ["camera 1", "camera 2"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("standoff_mm = 700", r"line 1: standoff_mm is not known; the rig has these: name, target, "),
        ("\n[[cameras]]\nname = 'a'\nfocal = 25", r"line 4: focal is not known; a camera has these"),
        ("stand_off_mm = '700'", r'line 1: stand_off_mm is the text "700"; a number is wanted'),
        ("stand_off_mm = true", r"stand_off_mm is true"),
        ("stand_off_mm = 0.7", r"stand_off_mm = 0.7 is outside 10 to 100000 mm"),
        ("stand_off_mm = nan", r"stand_off_mm = nan is outside"),
        ("stereo_angle_deg = -20", r"outside 0 to 120 degrees"),
        ("volume_mm = [120, 100]", r"a list of three numbers"),
        ("volume_mm = [120, 100, -3]", r"volume_mm = \[120, 100, -3\] is outside"),
        ("name = ''", r"name is empty text"),
        ("tape_sigma_mm = 0.5", r"tape_sigma_mm stands without tape_baseline_mm"),
        ("cameras = 2", r"cameras is 2; one \[\[cameras\]\] block per camera"),
        ("[[cameras]]\npixel_um = 0.00345", r"line 2: pixel_um = 0.00345 is outside 0.5 to 50 um"),
        ("[[cameras]]\nfocal_mm=8\n[[cameras]]\nfocal_mm = 'x'", r"line 4: focal_mm"),
        ("[[cameras]]\nwidth_px = 2448", r"line 1: camera 1 has only one of width_px and height_px"),
        ("[[cameras]]\nwidth_px = 24.5\nheight_px = 3", r"width_px is 24.5; a whole number"),
        ("[[cameras]]\nname='a'\n[[cameras]]\nname='a'", r"line 3: two cameras are called a"),
        ("name = ", r"not valid TOML: Invalid value"),
        (b"name = '\xff'", r"not valid TOML: not UTF-8 at byte 8"),
    ],
)
def test_what_can_not_be_meant_is_refused_with_its_line(tmp_path, text, words):
    with pytest.raises(BadInput, match=words) as told:
        read_rig(written(tmp_path, text))
    assert "rig.toml" in str(told.value)


def test_files_that_can_not_be_read(tmp_path):
    with pytest.raises(BadInput, match="no rig file"):
        read_rig(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="can't be read"):
        read_rig(tmp_path)
    with pytest.raises(BadInput, match="at most 1048576 bytes"):
        read_rig(written(tmp_path, "# x\n" * 300_000))
    if os.name != "nt" and os.geteuid() != 0:
        closed = written(tmp_path, "")
        closed.chmod(0)
        with pytest.raises(BadInput, match="can't be read"):
            read_rig(closed)


NAMES = st.text(min_size=1, max_size=20).map(str.strip).filter(bool)
CAMERAS = st.builds(
    CameraDescription,
    name=NAMES,
    width_px=st.just(640),
    height_px=st.integers(16, 32767),
    pixel_um=st.none() | st.floats(0.5, 50),
    focal_mm=st.none() | st.floats(1, 2000),
    f_number=st.none() | st.floats(0.7, 64),
    exposure_ms=st.none() | st.floats(0.001, 60000),
)
RIGS = st.builds(
    Rig,
    name=NAMES,
    cameras=st.lists(CAMERAS, max_size=4, unique_by=lambda c: c.name).map(tuple),
    stand_off_mm=st.none() | st.floats(10, 100000),
    stereo_angle_deg=st.none() | st.floats(0, 120),
    volume_mm=st.none() | st.tuples(*[st.floats(0.1, 50000)] * 3),
    plate=st.none(),
    tape_baseline_mm=st.floats(1, 50000),
    tape_sigma_mm=st.none() | st.floats(0.001, 1000),
    goal_displacement_um=st.none() | st.floats(0.001, 100000),
)


@settings(max_examples=60, deadline=None, database=None)
@given(RIGS, st.none() | NAMES)
def test_what_is_written_is_read_back(tmp_path_factory, rig, spec):
    path = tmp_path_factory.getbasetemp() / "written_rig.toml"
    write_rig(path, rig, spec)
    assert read_rig(path) == (rig, spec)
    assert rig_text(*read_rig(path)) == rig_text(rig, spec)


DOCS = Path(__file__).parents[2] / "server" / "holdstill" / "docs" / "rig_file.md"


def test_the_example_in_the_help_is_a_rig_file(tmp_path):
    block = DOCS.read_text("utf-8").split("\n## ")[0]
    example = "\n".join(line[4:] for line in block.splitlines() if line.startswith("    "))
    rig, spec = read_rig(written(tmp_path, example))
    assert spec == "dots 14x10 12mm"
    assert [c.name for c in rig.cameras] == ["left", "right"]
    assert rig.goal_displacement_um == 5.0


def test_the_help_tells_the_range_of_every_line():
    from holdstill.limits import limit

    text = DOCS.read_text("utf-8")
    rig_part, camera_part = text.split("## A camera")
    for room, part, keys in (("rig", rig_part, _RIG_KEYS), ("camera", camera_part, _CAMERA_KEYS)):
        for key, row in keys.items():
            (line,) = [x for x in part.splitlines() if x.startswith("|") and f"`{key}`" in x]
            if row.kind != "text":
                assert f"{limit(f'{room}_{key}_min'):g} - {limit(f'{room}_{key}_max'):.10g}" in line
