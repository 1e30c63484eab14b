"""A target in words of the trade: reading a SPEC and writing one.

A SPEC is one line of words (or a small text file with the same words on as many lines as you like,
``#`` starting a comment)::

    chessboard 9x6 25mm
    dots 14x10 12mm d5.5mm bright ring@3,4 larger@9,2
    staggered-dots 4x11 20mm
    charuco 8x6 20mm 15mm DICT_4X4_50
    coded-dots 14x10 14mm id36

First the kind, then columns x rows, then the pitch with its unit; the rest may follow in any order.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from holdstill.errors import BadInput
from holdstill.records import Mark, MarkKind, Plate, PlateKind

from .charuco import charuco_plate, is_dictionary
from .coded import coded_plate, standard_plate

_UNITS_MM = {"um": 1e-3, "µm": 1e-3, "μm": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4}
_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_UNIT = r"um|µm|μm|mm|cm|m|in|\""
_COUNTS = re.compile(r"(\d+)[x×*](\d+)")
_LENGTH = re.compile(rf"({_NUMBER})({_UNIT})")
_PITCH = re.compile(rf"({_NUMBER})({_UNIT})?(?:(?:±|\+-|\+/-)({_NUMBER})({_UNIT})?)?")
_DIAMETER = re.compile(rf"(?:d|ø|Ø)({_NUMBER})({_UNIT})")
_MARK = re.compile(r"(ring|larger|smaller)@(\d+),(\d+)")
_IDENTITY = re.compile(r"id(\d+)")
_KIND_NAMES = {
    "chessboard": PlateKind.CHESSBOARD, "checkerboard": PlateKind.CHESSBOARD,
    "dots": PlateKind.DOTS, "dot-grid": PlateKind.DOTS, "circles": PlateKind.DOTS,
    "staggered-dots": PlateKind.STAGGERED_DOTS, "staggered": PlateKind.STAGGERED_DOTS,
    "asymmetric-dots": PlateKind.STAGGERED_DOTS,
    "charuco": PlateKind.CHARUCO,
    "coded-dots": PlateKind.CODED_DOTS,
}  # fmt: skip
EXAMPLES = {
    PlateKind.CHESSBOARD: "chessboard 9x6 25mm",
    PlateKind.DOTS: "dots 14x10 12mm d5.5mm",
    PlateKind.STAGGERED_DOTS: "staggered-dots 4x11 20mm",
    PlateKind.CHARUCO: "charuco 8x6 20mm 15mm",
    PlateKind.CODED_DOTS: "coded-dots 14x10 14mm id36",
}
_MOST_POINTS_A_SIDE = 400


@dataclass
class _Words:
    """What the words said so far."""

    kind: PlateKind
    example: str
    spec: str
    where: str
    counts: tuple[int, int] | None = None
    lengths_mm: list[float] = field(default_factory=list)
    pitch_sigma_mm: float | None = None
    diameter_mm: float | None = None
    dark: bool | None = None
    marks: list[Mark] = field(default_factory=list)
    identity: int | None = None
    dictionary: str | None = None
    legacy: bool = False

    def bad(self, what: str) -> BadInput:
        return BadInput(f'The target "{self.spec}"{self.where}: {what}. An example: {self.example}')


def parse(spec: str | Path) -> Plate:
    """Plate described by a SPEC, or by a text file that holds one.

    spec
        The words, or the path of a file. A text that begins with the name of a kind is words; any
        other text that names an existing file is read as UTF-8.

    Returns the `Plate`, lengths in mm. Raises BadInput naming the part that can't be read, with an
    example. Two plates of the same words are equal.

    >>> parse("dots 14x10 12mm d5.5mm").dot_diameter_mm
    5.5
    """
    text, where = _text_of(spec)
    text = re.sub(r"\s*(±|\+-|\+/-)\s*", r"\1", text)
    parts = re.sub(rf"(?<![\w.])({_NUMBER})\s+({_UNIT})(?=\s|$|±|\+)", r"\1\2", text).split()
    if not parts:
        raise BadInput(f"The target{where} is empty. An example: {EXAMPLES[PlateKind.DOTS]}")
    kind = _KIND_NAMES.get(parts[0].lower())
    if kind is None:
        raise BadInput(
            f'The target "{text}"{where} begins with "{parts[0]}", which is no kind of target and no '
            f"file here. Kinds: {', '.join(k.value for k in PlateKind)}. An example: "
            f"{EXAMPLES[PlateKind.DOTS]}"
        )
    words = _Words(kind, EXAMPLES[kind], " ".join(parts), where)
    for part in parts[1:]:
        _take(words, part)
    return _plate(words)


def _text_of(spec: str | Path) -> tuple[str, str]:
    """The words of a SPEC and, for a file, where they came from."""
    text = str(spec).strip()
    first = text.split(maxsplit=1)[0].lower() if text else ""
    if isinstance(spec, str) and (first in _KIND_NAMES or not text):
        return text, ""
    path = Path(text)
    try:
        is_file = path.is_file()
    except OSError:
        is_file = False
    if not is_file:
        return text, ""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(
            f"The target file {path} can't be read ({error}). It should be a text file with a target in "
            f"words, for example: {EXAMPLES[PlateKind.DOTS]}"
        ) from error
    return " ".join(line.split("#", 1)[0] for line in lines).strip(), f" in {path}"


def _millimetres(number: str, unit: str) -> float:
    return float(number.replace(",", ".")) * _UNITS_MM[unit]


def _take(words: _Words, part: str) -> None:
    """Read one word after the kind into `words`."""
    low = part.lower()
    if match := _COUNTS.fullmatch(low):
        if words.counts is not None:
            raise words.bad(f'"{part}" is a second size')
        words.counts = (int(match[1]), int(match[2]))
    elif match := _DIAMETER.fullmatch(part) or _DIAMETER.fullmatch(low):
        words.diameter_mm = _millimetres(match[1], match[2])
    elif match := _MARK.fullmatch(low):
        words.marks.append(Mark(int(match[2]), int(match[3]), MarkKind(match[1])))
    elif match := _IDENTITY.fullmatch(low):
        words.identity = int(match[1])
    elif low in ("dark", "bright"):
        words.dark = low == "dark"
    elif low == "inverted":
        words.dark = False
    elif low == "legacy":
        words.legacy = True
    elif is_dictionary(part.upper()):
        words.dictionary = part.upper()
    elif match := _PITCH.fullmatch(low):
        _take_length(words, part, match)
    else:
        raise words.bad(f'"{part}" can\'t be read')


def _take_length(words: _Words, part: str, match: re.Match[str]) -> None:
    unit = match[2] or match[4]
    if unit is None:
        raise words.bad(f'"{part}" has no unit (write {part}mm)')
    words.lengths_mm.append(_millimetres(match[1], unit))
    if match[3] is not None:
        words.pitch_sigma_mm = _millimetres(match[3], match[4] or unit)


def _plate(words: _Words) -> Plate:
    """The plate that the words describe, or BadInput."""
    kind = words.kind
    if kind is PlateKind.CODED_DOTS and words.counts is None and not words.lengths_mm:
        return _standard(words)
    if words.counts is None:
        raise words.bad("columns x rows are missing")
    if not words.lengths_mm:
        raise words.bad(
            "the pitch is missing" if kind is not PlateKind.CHESSBOARD else "the square side is missing"
        )
    columns, rows = words.counts
    wanted = 2 if kind is PlateKind.CHARUCO else 1
    if len(words.lengths_mm) != wanted:
        what = "a square side and a marker side" if wanted == 2 else "one length, the pitch"
        raise words.bad(f"it gives {len(words.lengths_mm)} lengths, wanted {what}")
    pitch = words.lengths_mm[0]
    _check_numbers(words, columns, rows, pitch)
    _check_extras(words)
    if kind is PlateKind.CHARUCO:
        side = words.lengths_mm[1]
        if not 0 < side < pitch:
            raise words.bad(
                f"the marker side ({side:g} mm) must be smaller than the square side ({pitch:g} mm)"
            )
        return charuco_plate(
            columns,
            rows,
            pitch,
            side,
            dictionary=words.dictionary,
            legacy=words.legacy,
            pitch_sigma_mm=words.pitch_sigma_mm,
        )
    if kind is PlateKind.CODED_DOTS:
        return coded_plate(
            columns,
            rows,
            pitch,
            plate_id=words.identity,
            dot_diameter_mm=words.diameter_mm,
            dark_dots=words.dark,
            pitch_sigma_mm=words.pitch_sigma_mm,
        )
    return Plate(
        kind,
        columns,
        rows,
        pitch,
        dot_diameter_mm=words.diameter_mm,
        marks=tuple(sorted(words.marks, key=lambda m: (m.row, m.column))),
        pitch_sigma_mm=words.pitch_sigma_mm,
        dark_dots=words.dark,
    )


def _standard(words: _Words) -> Plate:
    """A coded plate named by its identity alone."""
    if words.identity is None:
        raise words.bad(
            "columns x rows and pitch are missing (or the identity of a standard plate: coded-dots id36)"
        )
    plate = standard_plate(words.identity)
    if plate is None:
        raise words.bad(
            f"id{words.identity} is not the identity of a standard plate, so its size must be given"
        )
    return plate


def _check_numbers(words: _Words, columns: int, rows: int, pitch: float) -> None:
    least = 2 if words.kind is PlateKind.CHARUCO else 3
    if words.kind is PlateKind.CODED_DOTS:
        least = 4
    if min(columns, rows) < least or max(columns, rows) > _MOST_POINTS_A_SIDE:
        raise words.bad(
            f"{columns}x{rows} is outside {least}x{least} to {_MOST_POINTS_A_SIDE}x{_MOST_POINTS_A_SIDE}"
        )
    if not pitch > 0:
        raise words.bad("the pitch must be greater than zero")
    if words.diameter_mm is not None and not 0 < words.diameter_mm < pitch:
        raise words.bad(
            f"the dot diameter ({words.diameter_mm:g} mm) must lie between 0 and the pitch ({pitch:g} mm)"
        )
    for mark in words.marks:
        if mark.column >= columns or mark.row >= rows:
            raise words.bad(
                f"{mark.kind.value}@{mark.column},{mark.row} lies outside {columns}x{rows} "
                "(column and row count from 0)"
            )
    if len({(m.column, m.row) for m in words.marks}) != len(words.marks):
        raise words.bad("a dot is marked twice")


def _check_extras(words: _Words) -> None:
    """Words that don't belong to this kind of target."""
    kind, dots = words.kind, (PlateKind.DOTS, PlateKind.STAGGERED_DOTS, PlateKind.CODED_DOTS)
    if words.diameter_mm is not None and kind not in dots:
        raise words.bad("a dot diameter belongs to dots only")
    if words.dark is not None and kind not in dots:
        raise words.bad("dark or bright belongs to dots only")
    if words.marks and kind not in dots[:2]:
        raise words.bad("marked dots belong to dots and staggered-dots only")
    if words.identity is not None and kind is not PlateKind.CODED_DOTS:
        raise words.bad("an identity belongs to coded-dots only")
    if (words.dictionary or words.legacy) and kind is not PlateKind.CHARUCO:
        raise words.bad("a marker dictionary belongs to charuco only")


def words(plate: Plate) -> str:
    """A SPEC that parses to `plate` again: ``parse(words(plate)) == plate`` for every parsed plate."""
    columns, rows = plate.columns, plate.rows
    if plate.kind is PlateKind.CHARUCO:
        columns, rows = columns + 1, rows + 1
    sigma = "" if plate.pitch_sigma_mm is None else f"±{_decimal(plate.pitch_sigma_mm)}mm"
    parts = [plate.kind.value, f"{columns}x{rows}", f"{_decimal(plate.pitch_mm)}mm{sigma}"]
    if plate.kind is PlateKind.CHARUCO:
        parts += [f"{_decimal(plate.markers[0].side_mm)}mm", str(plate.marker_dictionary)]
        if (
            charuco_plate(
                columns,
                rows,
                plate.pitch_mm,
                plate.markers[0].side_mm,
                dictionary=plate.marker_dictionary,
                pitch_sigma_mm=plate.pitch_sigma_mm,
            )
            != plate
        ):
            parts.append("legacy")
    if plate.dot_diameter_mm is not None:
        parts.append(f"d{_decimal(plate.dot_diameter_mm)}mm")
    if plate.dark_dots is not None:
        parts.append("dark" if plate.dark_dots else "bright")
    parts += [f"{m.kind.value}@{m.column},{m.row}" for m in plate.marks]
    if plate.plate_id is not None:
        parts.append(f"id{plate.plate_id}")
    return " ".join(parts)


def _decimal(value: float) -> str:
    """Shortest decimal (no exponent) that reads back to the same float."""
    text = repr(float(value))
    if "e" in text:
        text = f"{value:.17f}".rstrip("0")
    return text.removesuffix(".0")
