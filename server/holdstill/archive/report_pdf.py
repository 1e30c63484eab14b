"""The report as PDF, laid out by ReportLab (no browser needed): same content as the page."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Circle, Drawing, Polygon, PolyLine, String
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Image, Paragraph, SimpleDocTemplate, Spacer, TableStyle
from reportlab.platypus import Table as Grid

from .facts import Facts, told
from .figures import GRID, INK, SOFT, Dot, Figure, Label, Line
from .originals import Originals
from .report import made_words
from .report_parts import Pictured, Section, Table, closing, head, pictured, sections

_WIDTH = A4[0] - 36 * mm
_PLAIN, _BOLD = "Vera", "VeraBd"  # ship with ReportLab; hold Latin letters, µ, °, ± and ×


def _fonts() -> None:
    for name in (_PLAIN, _BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))


def _style(size: float, *, bold: bool = False, colour: str = INK, after: float = 2.0) -> ParagraphStyle:
    return ParagraphStyle(
        f"{size}{bold}{colour}", fontName=_BOLD if bold else _PLAIN, fontSize=size, leading=size * 1.35,
        textColor=colors.HexColor(colour), spaceAfter=after, splitLongWords=True,
    )  # fmt: skip


def _words(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(_drawable(text)), style)


def _drawable(text: str) -> str:
    """`text` with what the font lacks made a question mark, and nothing that can't be printed."""
    face = pdfmetrics.getFont(_PLAIN).face
    return "".join(c if ord(c) in face.charToGlyph else "?" if c.isprintable() else " " for c in text)


def report_pdf(facts: Facts, originals: Originals) -> bytes:
    """The report as PDF bytes: A4, text selectable, figures as lines, pictures as JPEG."""
    _fonts()
    title, verdict, lines = head(facts)
    word = verdict.split(" ", 1)[1]
    box = [[_words(word, _style(15, bold=True, after=4))], *[[_words(f"- {x}", _style(9))] for x in lines]]
    frame = TableStyle([
        ("BOX", (0, 0), (-1, -1), 1.2, colors.HexColor(INK)),
        ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ])  # fmt: skip
    story: list[Any] = [
        _words(title, _style(16, bold=True)),
        _words(made_words(facts), _style(8, colour=SOFT, after=8)),
        Grid(box, colWidths=[_WIDTH], style=frame),
    ]
    for section in sections(facts):
        story += _section(section)
    story.append(_heading(told("report.views")))
    story += [_view(p, originals) for p in pictured(facts)]
    for section in closing(facts):
        story += _section(section)
    story += [Spacer(0, 8), _words(told("report.closing"), _style(8, colour=SOFT))]
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out, pagesize=A4, leftMargin=18 * mm, rightMargin=18 * mm, topMargin=16 * mm, bottomMargin=16 * mm,
        title=_drawable(title), author=_drawable(facts.opened.initials), invariant=True,
    )  # fmt: skip
    foot = _footer(_drawable(title))
    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _footer(title: str) -> Callable[[Any, Any], None]:
    def draw(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont(_PLAIN, 7)
        canvas.setFillColor(colors.HexColor(SOFT))
        canvas.drawString(18 * mm, 9 * mm, title[:100])
        canvas.drawRightString(A4[0] - 18 * mm, 9 * mm, str(document.page))
        canvas.restoreState()

    return draw


def _heading(text: str) -> Paragraph:
    style = _style(12, bold=True, after=4)
    style.spaceBefore, style.keepWithNext = 14, 1
    return _words(text, style)


def _section(section: Section) -> list[Any]:
    parts: list[Any] = [_heading(section.title)]
    for line in section.words:
        style = _style(9)
        style.keepWithNext = 1
        parts.append(_words(line, style))
    parts += [_grid(table) for table in section.tables if table.rows]
    row: list[Any] = []
    for figure in section.figures:
        row.append(figure)
        if sum(f.width for f in row) + 12 > _WIDTH:
            row.pop()
            parts += _figures(row)
            row = [figure]
    return parts + _figures(row)


def _figures(figures: list[Figure]) -> list[Any]:
    if not figures:
        return []
    scale = min(1.0, _WIDTH / (sum(f.width for f in figures) + 12))
    widths = [f.width * scale + 6 for f in figures]
    captions = [_words(f.title, _style(7.5, colour=SOFT)) for f in figures]
    return [
        Grid([[drawing(f, scale) for f in figures], captions], colWidths=widths, hAlign="LEFT", splitByRow=0)
    ]


def _grid(table: Table) -> Grid:
    """A table whose columns share the width by how long their longest words and texts are."""
    cells = [table.heads, *table.rows] if table.heads else list(table.rows)
    columns = max(len(row) for row in cells)
    small = _style(7.2 if columns > 4 else 8, after=0)
    bold = _style(7.2 if columns > 4 else 8, bold=True, colour=SOFT, after=0)
    needs = [
        min(max(max((len(w) for w in row[i].split()), default=1) for row in cells if i < len(row)), 24) * 0.6
        + min(max(len(row[i]) for row in cells if i < len(row)), 60) * 0.4
        for i in range(columns)
    ]
    widths = [_WIDTH * (n + 3) / sum(m + 3 for m in needs) for n in needs]
    styles = [bold if table.heads and r == 0 else small for r in range(len(cells))]
    body = [[_words(text, style) for text in row] for row, style in zip(cells, styles, strict=True)]
    style = TableStyle([
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.HexColor(GRID)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ])  # fmt: skip
    return Grid(body, colWidths=widths, style=style, repeatRows=1 if table.heads else 0, spaceAfter=6)


def _view(pictured_view: Pictured, originals: Originals) -> Any:
    words = [_words(pictured_view.title, _style(9, bold=True)), _words(pictured_view.state, _style(9))]
    words += [_words(line, _style(7.5)) for line in pictured_view.words]
    pictures: list[Any] = []
    room = (_WIDTH - 48 * mm) / max(len(pictured_view.digests), 1) - 3
    for camera, digest in pictured_view.digests.items():
        data = originals.preview(digest)
        told_below = camera if isinstance(data, bytes) else f"{camera}: {told('report.no-picture')}"
        cell: list[Any] = [_words(told_below, _style(7, colour=SOFT))]
        if isinstance(data, bytes):
            width, height = ImageReader(io.BytesIO(data)).getSize()
            wide = min(room, 62 * mm)
            cell.insert(0, Image(io.BytesIO(data), wide, wide * height / width))
        pictures.append(cell)
    widths = [48 * mm, *[room + 3] * len(pictures)]
    style = TableStyle([
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.HexColor(GRID)),
    ])  # fmt: skip
    return Grid([[words, *pictures]], colWidths=widths, style=style, hAlign="LEFT")


def drawing(figure: Figure, scale: float = 1.0) -> Drawing:
    """The figure as ReportLab shapes; y is turned to run up."""
    out = Drawing(figure.width * scale, figure.height * scale)
    out.transform = (scale, 0, 0, scale, 0, 0)
    for shape in figure.shapes:
        match shape:
            case Line():
                points = [v for x, y in shape.points for v in (x, figure.height - y)]
                kind = Polygon if shape.fill else PolyLine
                line = kind(points, strokeColor=colors.HexColor(shape.colour), strokeWidth=shape.width)
                if shape.fill:
                    line.fillColor = colors.HexColor(shape.fill)
                if shape.dashed:
                    line.strokeDashArray = [4, 3]
                out.add(line)
            case Dot():
                out.add(
                    Circle(
                        shape.x, figure.height - shape.y, shape.radius,
                        strokeColor=colors.HexColor(shape.colour), strokeWidth=0.8,
                        fillColor=colors.HexColor(shape.fill) if shape.fill else None,
                    )
                )  # fmt: skip
            case Label():
                out.add(
                    String(
                        shape.x, figure.height - shape.y, _drawable(shape.words), fontName=_PLAIN,
                        fontSize=shape.size, fillColor=colors.HexColor(shape.colour), textAnchor=shape.anchor,
                    )
                )  # fmt: skip
    return out
