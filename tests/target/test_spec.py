"""A target in words: what parses, what is refused and how it is told."""

import pytest

from holdstill.errors import BadInput
from holdstill.records import Mark, MarkKind, PlateKind
from holdstill.target import parse, words

GOOD = [
    "chessboard 9x6 25mm",
    "dots 14x10 12mm",
    "dots 14x10 12mm d5.5mm",
    "dots 14x10 12mm d5.5mm bright ring@3,4 larger@9,2 smaller@0,0",
    "dots 14x10 11.987mm±0.004mm dark",
    "staggered-dots 4x11 20mm",
    "charuco 8x6 20mm 15mm",
    "charuco 8x6 20mm 15mm DICT_5X5_100 legacy",
    "coded-dots 14x10 14mm",
    "coded-dots id7",
    "coded-dots 30x22 5mm id50",
]


@pytest.mark.parametrize("spec", GOOD)
def test_words_parse_to_the_same_plate(spec):
    plate = parse(spec)
    assert parse(words(plate)) == plate


def test_a_chessboard_counts_inner_corners_and_a_charuco_board_squares():
    assert (parse("chessboard 9x6 25mm").columns, parse("chessboard 9x6 25mm").rows) == (9, 6)
    board = parse("charuco 8x6 20mm 15mm")
    assert (board.columns, board.rows, board.pitch_mm, board.markers[0].side_mm) == (7, 5, 20.0, 15.0)
    assert len(board.markers) == 24


def test_units_diameter_polarity_and_marks():
    plate = parse("dots 14x10 1.2cm d5500um inverted ring@3,4")
    assert plate.pitch_mm == pytest.approx(12.0)
    assert plate.dot_diameter_mm == pytest.approx(5.5)
    assert plate.dark_dots is False
    assert plate.marks == (Mark(3, 4, MarkKind.RING),)
    assert parse("dots 14x10 0.5in").pitch_mm == pytest.approx(12.7)
    assert parse("dots 14x10 12 mm ± 0.01 mm").pitch_sigma_mm == pytest.approx(0.01)


def test_a_staggered_grids_pitch_is_the_distance_to_the_nearest_dot():
    xy = parse("staggered-dots 4x11 20mm").points_mm()[:, :2]
    gaps = ((xy[1:] - xy[0]) ** 2).sum(axis=1) ** 0.5
    assert gaps.min() == pytest.approx(20.0)


def test_a_file_holds_the_same_words(tmp_path):
    file = tmp_path / "plate.txt"
    file.write_text(
        "# measured in May\ndots 14x10\n11.987mm ± 0.004mm  # pitch\nring@3,4\nd5.5mm\n", encoding="utf-8"
    )
    assert parse(str(file)) == parse("dots 14x10 11.987mm±0.004mm ring@3,4 d5.5mm")
    assert parse(file) == parse(str(file))


@pytest.mark.parametrize(
    ("spec", "named"),
    [
        ("dots 14 12mm", '"14" has no unit'),
        ("dots 14x10", "the pitch is missing"),
        ("dots 14x10 12", '"12" has no unit'),
        ("dots 12mm", "columns x rows are missing"),
        ("dots 14x10 12mm frobs", '"frobs" can\'t be read'),
        ("dots 2x10 12mm", "2x10 is outside"),
        ("dots 14x10 0mm", "greater than zero"),
        ("dots 14x10 12mm d13mm", "dot diameter (13 mm)"),
        ("dots 14x10 12mm ring@14,2", "ring@14,2 lies outside"),
        ("chessboard 9x6 25mm d3mm", "dot diameter belongs to dots"),
        ("chessboard 9x6 25mm 20mm", "2 lengths"),
        ("charuco 8x6 20mm", "a square side and a marker side"),
        ("charuco 8x6 15mm 20mm", "must be smaller"),
        ("charuco 30x20 20mm 15mm DICT_4X4_50", "carries 300 markers"),
        ("coded-dots", "identity of a standard plate"),
        ("coded-dots 14x10 14mm id99", "id99"),
        ("polkadots 14x10 12mm", 'begins with "polkadots"'),
        ("", "is empty"),
    ],
)
def test_what_does_not_parse_is_named_with_an_example(spec, named):
    with pytest.raises(BadInput) as error:
        parse(spec)
    assert named in str(error.value)
    if "DICT" not in spec and "id99" not in spec:
        assert "xample: " in str(error.value)


def test_a_file_that_is_not_text_says_so(tmp_path):
    file = tmp_path / "picture.png"
    file.write_bytes(b"\x89PNG\xff\xfe\x00")
    with pytest.raises(BadInput, match="can't be read"):
        parse(str(file))


def test_every_standard_identity_has_its_own_size_and_markers():
    from holdstill.target.coded import FREE_IDENTITY, standard_plate

    seen: set[int] = set()
    for identity in range(FREE_IDENTITY):
        plate = standard_plate(identity)
        assert plate is not None
        assert plate.kind is PlateKind.CODED_DOTS
        ids = {m.marker_id for m in plate.markers}
        assert not ids & seen
        seen |= ids
    assert standard_plate(FREE_IDENTITY) is None
