"""The rig on paper as a drawing from above (SVG), as the operator stands: facing the cameras."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from holdstill.phrases import say
from holdstill.records import FloatArray, Say

from .common_volume import Sight
from .paper import PaperRig

GROUND, PANEL, RAISED, LINE = "#0c1115", "#141b21", "#1d262e", "#303c46"
INK, SOFT, HAVE, ASK = "#f5f1e8", "#a9b5be", "#7cc9f2", "#f6bd41"
_WIDE, _HIGH = 900.0, 1200.0
_LEFT, _TOP, _BOTTOM = 60.0, 170.0, 230.0
_LETTER = 13.0
"""Room that a letter of a camera's name takes, generously."""
BARE_BOX = f"20 {_TOP - 75:.0f} {_WIDE - 40:.0f} {_HIGH - _TOP - _BOTTOM + 80:.0f}"
"""What is left of the sheet without its name and its legend: left, top, width, height."""
_LARGE = 2.0
"""How much larger letters are there."""
_MOST_DEEP = 1.45
"""How far the fields are drawn at most, in stand-offs."""


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Bench millimetres (x right as the cameras look, z away) to the drawing, seen by the operator."""

    scale: float
    top_mm: float

    def at(self, point_mm: Sequence[float] | FloatArray) -> tuple[float, float]:
        """Drawing units, right and down; the operator faces the cameras, so x is mirrored."""
        return _WIDE / 2.0 - self.scale * float(point_mm[0]), _TOP + self.scale * (
            float(point_mm[1]) - self.top_mm
        )

    def path(self, points_mm: FloatArray | Sequence[Sequence[float]]) -> str:
        """A closed path."""
        return "M" + "L".join("{:.1f} {:.1f}".format(*self.at(p)) for p in points_mm) + "Z"


def rig_drawing(paper: PaperRig, *, bare: bool = False) -> str:
    """SVG of the rig from above, to scale: fields of view, depth of field, what all see, the target.

    Cameras at the top, their left on the right, as for a person who faces them.  A target that was
    not said is drawn dashed (wished).  Depths of field without an end run out of the drawing.
    `bare`: without name and legend (see `legend`), its letters twice as large, for a place on a page.
    """
    large = _LARGE if bare else 1.0
    deep = min(max(c.usable.far_mm for c in paper.cameras) * 1.06, _MOST_DEEP * paper.stand_off_mm)
    wedges = [_wedge(s, deep) for s in paper.sights]
    corners = np.concatenate([*wedges, [s.centre_mm for s in paper.sights]])
    low, high = corners.min(axis=0), corners.max(axis=0)
    half = max(abs(float(low[0])), abs(float(high[0])), 1e-9)
    scale = min((_WIDE / 2.0 - _LEFT) / half, (_HIGH - _TOP - _BOTTOM) / float(high[1] - low[1]))
    sheet = _Sheet(scale, float(low[1]))
    parts = [
        *_head(paper, bare),
        '<g clip-path="url(#rig-sheet)">',
        *(f'<path d="{sheet.path(w)}" fill="{RAISED}" fill-opacity=".55" stroke="none"/>' for w in wedges),
        *_common(paper, sheet),
        *(f'<path d="{sheet.path(w)}" fill="none" stroke="{LINE}" stroke-width="2"/>' for w in wedges),
        *_bands(paper, sheet),
        *_axes(paper, sheet),
        *_target(paper, sheet),
        "</g>",
        *_cameras(paper, sheet, large),
        *_sizes(paper, sheet, large),
        *([] if bare else _legend(paper)),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _wedge(sight: Sight, deep_mm: float) -> FloatArray:
    """One camera's field from its entrance pupil on, `deep_mm` along the axis."""
    far = sight.centre_mm + deep_mm * sight.axis
    aside = deep_mm * sight.half_width * sight.right
    return np.array([sight.centre_mm, far + aside, far - aside])


def _words(key: str, **values: float | int | str) -> str:
    return escape(say(Say(key, values)))


def _text(
    x: float, y: float, words: str, *, size: float = 24, colour: str = SOFT, anchor: str = "middle"
) -> str:
    weight = ' font-weight="700"' if size > 30 else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{colour}" text-anchor="{anchor}"{weight} '
        f'stroke="{PANEL}" stroke-width="6" stroke-linejoin="round" paint-order="stroke">'
        f"{words}</text>"
    )


def _head(paper: PaperRig, bare: bool) -> list[str]:
    names = say(Say("paper.and")).join(c.name for c in paper.cameras)
    told = _words("paper.drawing.told", cameras=names, stand_off_mm=paper.stand_off_mm)
    title = _words("paper.drawing.title", name=paper.rig.name)
    name = paper.rig.name if len(paper.rig.name) <= 40 else paper.rig.name[:39] + "…"
    box = BARE_BOX if bare else f"0 0 {_WIDE:.0f} {_HIGH:.0f}"
    opening = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" '
        'aria-labelledby="rig-title rig-told" '
        "font-family=\"Bench, 'Roboto Condensed', 'Arial Narrow', system-ui, sans-serif\" "
        'font-weight="500">',
        f'<title id="rig-title">{title}</title><desc id="rig-told">{told}</desc>',
        f'<clipPath id="rig-sheet"><rect x="22" y="{_TOP - 70:.0f}" width="{_WIDE - 44:.0f}" '
        f'height="{_HIGH - _TOP - _BOTTOM + 75:.0f}"/></clipPath>',
    ]
    if bare:
        return opening
    return [
        *opening,
        f'<rect width="{_WIDE:.0f}" height="{_HIGH:.0f}" fill="{GROUND}"/>',
        f'<rect x="20" y="20" width="{_WIDE - 40:.0f}" height="{_HIGH - 40:.0f}" rx="24" fill="{PANEL}" '
        f'stroke="{LINE}"/>',
        _text(48, 68, escape(name), size=34, colour=INK, anchor="start"),
        _text(48, 100, _words("paper.drawing.side"), size=21, anchor="start"),
    ]


def _common(paper: PaperRig, sheet: _Sheet) -> list[str]:
    """What all see: usable for dots (outline only), and sharp (filled)."""
    usable, sharp = sheet.path(paper.common_usable.outline_mm), sheet.path(paper.common.outline_mm)
    return [
        f'<path d="{usable}" fill="{HAVE}" fill-opacity=".13" stroke="{HAVE}" stroke-opacity=".7" '
        'stroke-width="2"/>',
        f'<path d="{sharp}" fill="{HAVE}" fill-opacity=".45" stroke="none"/>',
    ]


def _bands(paper: PaperRig, sheet: _Sheet) -> list[str]:
    """Where each camera alone is sharp: its depth of field across its field."""
    drawn = []
    for sight in paper.sights:
        far_mm = min(sight.far_mm, 3.0 * sight.stand_off_mm)
        ends = [
            sight.centre_mm + deep * (sight.axis + side * sight.half_width * sight.right)
            for deep, side in ((sight.near_mm, -1), (sight.near_mm, 1), (far_mm, 1), (far_mm, -1))
        ]
        drawn.append(
            f'<path d="{sheet.path(np.array(ends))}" fill="none" stroke="{SOFT}" stroke-opacity=".45" '
            'stroke-width="1.5"/>'
        )
    return drawn


def _axes(paper: PaperRig, sheet: _Sheet) -> list[str]:
    lines = []
    for sight in paper.sights:
        x, y = sheet.at(sight.centre_mm)
        to_x, to_y = sheet.at((0.0, 0.0))
        lines.append(
            f'<path d="M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}" stroke="{SOFT}" stroke-opacity=".55" '
            'stroke-width="1.5"/>'
        )
    return lines


def _target(paper: PaperRig, sheet: _Sheet) -> list[str]:
    half = paper.target.size_mm[0] / 2.0
    (x1, y), (x2, _) = sheet.at((half, 0.0)), sheet.at((-half, 0.0))
    colour, dash = (INK, "") if paper.target.said else (ASK, ' stroke-dasharray="14 9"')
    return [f'<path d="M{x1:.1f} {y:.1f}L{x2:.1f} {y:.1f}" stroke="{colour}" stroke-width="6"{dash}/>']


def _cameras(paper: PaperRig, sheet: _Sheet, large: float) -> list[str]:
    """Bodies behind the entrance pupils, lens forward, each with its name."""
    drawn = []
    for camera, sight in zip(paper.cameras, paper.sights, strict=True):
        x, y = sheet.at(sight.centre_mm)
        drawn.append(
            f'<g transform="translate({x:.1f} {y:.1f}) rotate({sight.angle_deg:.2f})">'
            f'<rect x="-13" y="-20" width="26" height="24" rx="5" fill="{RAISED}" stroke="{SOFT}" '
            'stroke-width="2"/>'
            f'<rect x="-24" y="-52" width="48" height="36" rx="7" fill="{RAISED}" stroke="{SOFT}" '
            'stroke-width="2"/></g>'
        )
        name = camera.name if len(camera.name) <= 16 else camera.name[:15] + "…"
        side = 1.0 if x >= _WIDE / 2.0 else -1.0
        if abs(x - _WIDE / 2.0) + 44 + large * _LETTER * len(name) > _WIDE / 2.0 - 30:
            side, y = -side, y - 28
        anchor = "start" if side > 0 else "end"
        at = x + 44 * side, y - 16 + 10 * (large - 1)
        drawn.append(_text(*at, escape(name), size=24 * large, colour=INK, anchor=anchor))
    return drawn


def _sizes(paper: PaperRig, sheet: _Sheet, large: float) -> list[str]:
    """Baseline, stand-off and stereo angle, where they are."""
    shown = []
    if paper.pair is not None:
        neighbours = sorted((sheet.at(s.centre_mm) for s in paper.sights), key=lambda p: p[0])[:2]
        middle = sum(p[0] for p in neighbours) / 2.0
        y = sum(p[1] for p in neighbours) / 2.0
        level = abs(neighbours[0][1] - neighbours[1][1]) < 1.0
        words = _words("paper.drawing.baseline", baseline_mm=paper.pair.baseline_mm)
        gap = neighbours[1][0] - neighbours[0][0]
        y += 0.0 if gap > 190 * large else 32.0 * large
        if gap > 260 * large and level:
            reach = gap / 2.0 - 46.0
            for sign in (-1.0, 1.0):
                x1, x2 = middle + sign * 62 * large, middle + sign * reach
                shown.append(f'<path d="M{x1:.1f} {y:.1f}H{x2:.1f}" stroke="{LINE}" stroke-width="2"/>')
        shown.append(_text(middle, y + 8 * large, words, size=24 * large))
        x, top = sheet.at((0.0, -0.38 * paper.stand_off_mm))
        angle = _words("paper.drawing.angle", angle_deg=paper.pair.stereo_angle_deg)
        if len(paper.sights) == 2:
            shown.append(_text(x, top, angle, size=24 * large, colour=INK))
    outer = max(paper.sights, key=lambda s: s.angle_deg)
    x, y = sheet.at(0.5 * outer.centre_mm)
    far = sheet.scale * 0.5 * paper.stand_off_mm * outer.half_width
    words = _words("paper.drawing.stand-off", stand_off_mm=paper.stand_off_mm)
    shown.append(_text(max(x - far - 16, 130.0 * large), y, words, size=24 * large, anchor="end"))
    return shown


def legend(paper: PaperRig) -> list[tuple[str, str, str]]:
    """What the shapes are (``"field"``, ``"usable"``, ``"sharp"``, ``"plate"`` or, not said, ``"wished"``),
    in words, with their figures."""
    field, target = paper.cameras[0].field_mm, paper.target
    rows = [
        ("field", say(Say("paper.drawing.field.value", {"wide_mm": field[0], "high_mm": field[1]}))),
        ("usable", _deep(paper, usable=True)),
        ("sharp", _deep(paper, usable=False)),
        (
            "plate" if target.said else "wished",
            say(Say("paper.drawing.plate.value", {"wide_mm": target.size_mm[0]})),
        ),
    ]
    return [(shape, say(Say(f"paper.drawing.{shape}")), figure) for shape, figure in rows]


def _legend(paper: PaperRig) -> list[str]:
    """The legend at the foot of the sheet."""
    target = paper.target
    colour, dash = (INK, "") if target.said else (ASK, ' stroke-dasharray="12 7"')
    swatches = (
        f'fill="{RAISED}" stroke="{LINE}" stroke-width="2"',
        f'fill="{HAVE}" fill-opacity=".13" stroke="{HAVE}" stroke-opacity=".7" stroke-width="2"',
        f'fill="{HAVE}" fill-opacity=".5"',
        "",
    )
    drawn = []
    for k, (_, name, value) in enumerate(legend(paper)):
        y = _HIGH - 176 + 38 * k
        drawn.append(
            f'<rect x="48" y="{y - 19:.0f}" width="42" height="24" rx="4" {swatches[k]}/>'
            if swatches[k]
            else f'<path d="M48 {y - 7:.0f}h42" stroke="{colour}" stroke-width="6"{dash}/>'
        )
        drawn.append(_text(106, y, escape(name), colour=INK, anchor="start"))
        drawn.append(_text(_WIDE - 48, y, escape(value), anchor="end"))
    return drawn


def _deep(paper: PaperRig, *, usable: bool) -> str:
    """Depth of what all cameras see, along the middle of their axes."""
    near = max(
        (s.stand_off_mm - (c.usable if usable else c.sharp).near_mm) / -math.cos(math.radians(s.angle_deg))
        for c, s in zip(paper.cameras, paper.sights, strict=True)
    )
    far = min(
        ((c.usable if usable else c.sharp).far_mm - s.stand_off_mm) / math.cos(math.radians(s.angle_deg))
        for c, s in zip(paper.cameras, paper.sights, strict=True)
    )
    if math.isinf(far):
        return say(Say("paper.drawing.sharp.endless"))
    return say(Say("paper.drawing.sharp.value", {"deep_mm": far - near}))
