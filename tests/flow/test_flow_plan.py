"""``holdstill plan`` from the command line to the rig file, the drawing and the refusals."""

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from holdstill import cli
from holdstill.errors import BadInput
from holdstill.intake.rig_file import read_rig

SVG = "{http://www.w3.org/2000/svg}"


def run(*words: str) -> int:
    args = cli.parser().parse_args(["plan", *words])
    status: int = args.run(args)
    return status


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    assert run(*words, "--json") == 0
    result: dict = json.loads(capsys.readouterr().out)
    return result


def test_depth_of_field_from_the_command_line(capsys):
    """Greenleaf, Photographic Optics (1950) pp. 25-27: f 35, f/8, .0069 mm, 800 mm (computed)."""
    got = told(capsys, "--pixel-um", "6.9", "--focal-mm", "35", "--f-number", "8", "--stand-off-mm", "800")[
        "cameras"
    ][0]["depth_of_field"]
    assert got["near_mm"] == pytest.approx(773.34, abs=0.06)
    assert got["far_mm"] == pytest.approx(828.56, abs=0.06)


def test_baseline_and_ratio_from_the_command_line(capsys):
    """2 tan(theta/2) and 1/tan(theta/2) at 25 degrees (geometry)."""
    pair = told(capsys, "--stereo-angle-deg", "25")["pair"]
    assert pair["baseline_over_square_stand_off"] == pytest.approx(0.4434, abs=5e-5)
    assert pair["out_of_plane_over_in_plane"] == pytest.approx(4.51, abs=5e-3)


def test_in_words_with_nothing_said(capsys):
    assert run() == 0
    text = capsys.readouterr().out
    for piece in ("228.0 x 190.8 mm", "93.15 µm per px", "5.67 : 1", "Not said", "coded-dots 14x10"):
        assert piece in text
    assert "Look at this" not in text


def test_rig_file_written_reads_back_as_the_same_rig(tmp_path: Path, capsys):
    file = tmp_path / "rig.toml"
    first = told(
        capsys, "--field-mm", "180", "--focal-mm", "35", "--target", "dots 14x10 10mm", "-o", str(file)
    )
    rig, spec = read_rig(file)
    assert spec == "dots 14x10 10mm"
    assert rig.stand_off_mm == first["stand_off_mm"]
    again = told(capsys, "--rig", str(file))
    assert again["assumed"] == []
    for part in ("cameras", "pair", "target", "common_volume", "stand_off_mm"):
        assert again[part] == first[part]


def test_options_go_before_the_rig_file(tmp_path: Path, capsys):
    file = tmp_path / "rig.toml"
    file.write_text(
        'name = "fork bench"\nstand_off_mm = 500\nvolume_mm = [80, 80, 40]\ntarget = "dots 14x10 8mm"\n'
        '[[cameras]]\nname = "a"\nfocal_mm = 16\nexposure_ms = 1\n[[cameras]]\nname = "b"\nfocal_mm = 16\n'
    )
    got = told(
        capsys, "--rig", str(file), "--focal-mm", "25", "--sensor", "1280x1024", "--pixel-um", "4,8",
        "-o", str(tmp_path / "new.toml"),
    )  # fmt: skip
    assert [c["focal_mm"] for c in got["cameras"]] == [25, 25]
    assert (got["cameras"][1]["width_px"], got["cameras"][1]["pixel_um"]) == (1280, 4.8)
    rig, spec = read_rig(tmp_path / "new.toml")
    assert (rig.name, rig.stand_off_mm, rig.volume_mm, spec) == (
        "fork bench", 500, (80, 80, 40), "dots 14x10 8mm",
    )  # fmt: skip
    assert [c.exposure_ms for c in rig.cameras] == [1, None]


def test_drawing_is_to_scale_and_says_what_it_shows(tmp_path: Path, capsys):
    file = tmp_path / "rig.svg"
    assert run("--draw", str(file), "--target", "dots 14x10 12mm", "--stand-off-mm", "700") == 0
    assert str(file) in capsys.readouterr().out
    root = ET.fromstring(file.read_text("utf-8"))
    assert root.get("role") == "img"
    named = root.get("aria-labelledby", "").split()
    assert {e.get("id") for e in root if e.tag in (SVG + "title", SVG + "desc")} == set(named)
    bodies = [e.get("transform", "") for e in root.iter(SVG + "g") if e.get("transform")]
    (x1, y1), (x2, y2) = (
        tuple(float(v) for v in b.split("translate(")[1].split(")")[0].split()) for b in bodies
    )
    plate = next(e for e in root.iter(SVG + "path") if e.get("stroke-width") == "6")
    start, end = plate.get("d", "")[1:].split("L")
    span = abs(float(end.split()[0]) - float(start.split()[0]))
    assert abs(x1 - x2) / span == pytest.approx(243.107 / 156.0, rel=0.003)
    assert y1 == pytest.approx(y2)
    assert x1 > x2, "the left camera is on the right of who faces it"
    assert plate.get("stroke-dasharray") is None


def test_a_target_not_said_is_dashed_and_a_name_can_not_break_the_drawing(tmp_path: Path):
    rig = tmp_path / "rig.toml"
    rig.write_text('name = "<script>&"\n[[cameras]]\nname = "<b>"\n[[cameras]]\nname = "c&d"\n')
    assert run("--rig", str(rig), "--draw", str(tmp_path / "a.svg")) == 0
    text = (tmp_path / "a.svg").read_text("utf-8")
    assert "<script" not in text
    root = ET.fromstring(text)
    assert any(e.get("stroke-dasharray") for e in root.iter(SVG + "path"))


@pytest.mark.parametrize(
    ("words", "pieces"),
    [
        (("--focal-mm", "long"), ("--focal-mm", '"long"', "1 to 2000", "such as 25")),
        (("--focal-mm", "nan"), ("--focal-mm", "number of mm")),
        (("--focal-mm", "-25"), ("--focal-mm", "1 to 2000")),
        (("--pixel-um", "0"), ("--pixel-um", "0.5 to 50")),
        (("--f-number", "inf"), ("--f-number", "0.7 to 64")),
        (("--stand-off-mm", "70 cm"), ("--stand-off-mm", '"70 cm"', "such as 700")),
        (("--stereo-angle-deg", "190"), ("--stereo-angle-deg", "0 to 120")),
        (("--stereo-angle-deg", "0"), ("stereo angle is 0", "15 to 30")),
        (("--field-mm", ""), ("--field-mm", "such as 250")),
        (("--sensor", "2448"), ("--sensor", "2448x2048")),
        (("--sensor", "4x4"), ("--sensor", "16 to 32767")),
        (("--stand-off-mm", "20"), ("20 mm", "focal length of 25 mm", "farther")),
        (("--field-mm", "50000", "--focal-mm", "2000"), ("stand-off of", "--field-mm")),
        (("--target", "dots fourteen"), ("An example",)),
        (("--rig", "nowhere.toml"), ("nowhere.toml",)),
        (("-o", "rig.yaml"), ("rig.yaml", ".toml", "-o")),
        (("--draw", "rig.png"), ("rig.png", ".svg", "--draw")),
        (("-o", "no/such/folder/rig.toml"), ("rig.toml", "another folder")),
        (("--draw", "no/such/folder/rig.svg"), ("rig.svg", "another folder")),
    ],
)
def test_bad_input_is_refused_with_the_next_step(words, pieces, capsys):
    with pytest.raises(BadInput) as trouble:
        run(*words)
    for piece in pieces:
        assert piece in str(trouble.value)
    assert capsys.readouterr().out == ""
