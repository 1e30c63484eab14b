"""Small figures from lines, dots and words, drawn as SVG for pages and as shapes for PDF.

Coordinates in points, x right, y down, origin at the top left.  Colours are a colour-blind-safe few
for white paper, and never the only signal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

INK, SOFT, GRID = "#1a2128", "#5d6870", "#d3d9de"
HAVE, ASK, WRONG = "#1b6a9c", "#a86c00", "#b23c12"


@dataclass(frozen=True, slots=True)
class Line:
    """A polyline through `points`, closed and filled when `fill` is given."""

    points: tuple[tuple[float, float], ...]
    colour: str = INK
    width: float = 0.8
    dashed: bool = False
    fill: str | None = None


@dataclass(frozen=True, slots=True)
class Dot:
    """A disc, hollow when `fill` is None."""

    x: float
    y: float
    radius: float
    colour: str = INK
    fill: str | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """A few words; `anchor` is ``"start"``, ``"middle"`` or ``"end"``; `y` is the baseline."""

    x: float
    y: float
    words: str
    size: float = 8.0
    colour: str = INK
    anchor: str = "start"


Shape = Line | Dot | Label


@dataclass(slots=True)
class Figure:
    """A drawing of `width` x `height` points, with what it shows in a sentence (its alternative text)."""

    width: float
    height: float
    title: str
    shapes: list[Shape] = field(default_factory=list)

    def line(self, *points: tuple[float, float], **style: Any) -> None:
        """Add a polyline."""
        self.shapes.append(Line(points, **style))

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        """Add a rectangle."""
        corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y))
        self.shapes.append(Line(corners, **style))

    def dot(self, x: float, y: float, radius: float, **style: Any) -> None:
        """Add a disc."""
        self.shapes.append(Dot(x, y, radius, **style))

    def label(self, x: float, y: float, words: str, **style: Any) -> None:
        """Add words."""
        self.shapes.append(Label(x, y, words, **style))


def svg(figure: Figure) -> str:
    """The figure as an inline SVG element."""
    parts = [
        f'<svg viewBox="0 0 {figure.width:g} {figure.height:g}" width="{figure.width:g}" '
        f'height="{figure.height:g}" role="img" aria-label="{escape(figure.title, quote=True)}">'
    ]
    for shape in figure.shapes:
        match shape:
            case Line():
                points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
                dash = ' stroke-dasharray="4 3"' if shape.dashed else ""
                parts.append(
                    f'<polyline points="{points}" fill="{shape.fill or "none"}" stroke="{shape.colour}" '
                    f'stroke-width="{shape.width:g}"{dash}/>'
                )
            case Dot():
                parts.append(
                    f'<circle cx="{shape.x:.2f}" cy="{shape.y:.2f}" r="{shape.radius:g}" '
                    f'fill="{shape.fill or "none"}" stroke="{shape.colour}" stroke-width="0.8"/>'
                )
            case Label():
                parts.append(
                    f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" '
                    f'fill="{shape.colour}" text-anchor="{shape.anchor}">{escape(shape.words)}</text>'
                )
    return "".join([*parts, "</svg>"])


def nice_steps(low: float, high: float, about: int = 4) -> Sequence[float]:
    """Round values from `low` to `high`, about so many.

    >>> nice_steps(0.0, 9.0)
    [0.0, 2.0, 4.0, 6.0, 8.0]
    """
    if not high > low:
        return [low]
    rough = (high - low) / about
    power = 10.0 ** _floor_log10(rough)
    step = min((m * power for m in (1, 2, 5, 10)), key=lambda s: abs(s - rough))
    first = -(-low // step) * step
    count = int((high - first) / step + 1e-9)
    return [first + n * step for n in range(count + 1)]


def _floor_log10(value: float) -> int:
    from math import floor, log10

    return floor(log10(value))
