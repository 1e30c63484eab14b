"""``holdstill target``: draw a target to scale."""

from __future__ import annotations

import argparse
from pathlib import Path

from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Say

_FORMATS = (".svg", ".pdf", ".dxf")


HELP = "draw a target to scale"
DESCRIPTION = "Draw a target to scale as SVG, PDF or DXF."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("spec", metavar="SPEC", nargs="+", help='target, e.g. "dots 14x10 12mm", or a file')
    p.add_argument("-o", "--output", required=True, type=Path, help="FILE.svg, FILE.pdf or FILE.dxf")


def run(args: argparse.Namespace) -> int:
    """Write the drawing; 0 when done. Raises BadInput for a SPEC or file name that can't be used."""
    from holdstill.target import draw_dxf, draw_pdf, draw_svg, drawn_size_mm, parse, words

    plate = parse(" ".join(args.spec))
    path: Path = args.output
    kind = path.suffix.lower()
    if kind not in _FORMATS:
        raise BadInput(f'The drawing\'s name {path.name} ends in "{kind}"; wanted {", ".join(_FORMATS)}.')
    data = {".svg": lambda: draw_svg(plate).encode(), ".pdf": lambda: draw_pdf(plate),
            ".dxf": lambda: draw_dxf(plate).encode()}[kind]()  # fmt: skip
    try:
        path.write_bytes(data)
    except OSError as error:
        raise BadInput(
            f"The drawing can't be written to {path} ({error.strerror}). Choose another folder with -o."
        ) from error
    wide, high = drawn_size_mm(plate)
    print(
        say(Say("target-drawn", {"words": words(plate), "wide_mm": wide, "high_mm": high, "file": str(path)}))
    )
    print(say(Say("target-print")))
    return 0
