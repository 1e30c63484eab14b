"""Curves and tables of the coach's studies, for the docs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from plan.plan_tables import COUNTS, RECIPES, summary

WIDTH, HEIGHT, LEFT, TOP, RIGHT, BOTTOM = 340, 250, 52, 34, 14, 40
INK, COACH, CUSTOM = "#1b2a33", "#0072b2", "#b35900"


def curves_svg(rows: Sequence[dict[str, object]]) -> str:
    """One panel per rig and person: measured quality by number of views, coach and customary."""
    columns = 4
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {columns * WIDTH} {2 * HEIGHT}" '
        f'font-family="sans-serif" font-size="12" fill="{INK}" role="img" '
        'aria-label="Error over goal by number of views: the coach falls below the customary 26 views">',
        f'<rect width="{columns * WIDTH}" height="{2 * HEIGHT}" fill="#ffffff"/>',
    ]
    for index, row in enumerate(rows):
        x, y = (index % columns) * WIDTH, (index // columns) * HEIGHT
        lines.append(f'<g transform="translate({x} {y})">{_panel(row)}</g>')
    return "\n".join([*lines, "</svg>", ""])


def _panel(row: dict[str, object]) -> str:
    inner_w, inner_h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    low, high = 0.1, 5.0

    def at(views: float, value: float) -> tuple[float, float]:
        share = np.log(min(max(value, low), high) / low) / np.log(high / low)
        return LEFT + (views - 4) / 22 * inner_w, TOP + inner_h * (1 - share)

    parts = [f'<text x="{LEFT}" y="18" font-size="13">{row["rig"]}, {row["person"]} hands</text>']
    for value in (0.1, 0.2, 0.5, 1.0, 2.0):
        x, y = at(4, value)
        parts.append(f'<path d="M{x:.1f} {y:.1f}H{LEFT + inner_w}" stroke="#d8dfe3"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
    for views in (4, 8, 12, 16, 20, 26):
        x, y = at(views, low)
        parts.append(f'<text x="{x:.1f}" y="{y + 16:.1f}" text-anchor="middle">{views}</text>')
    parts.append(f'<text x="{LEFT + inner_w / 2}" y="{HEIGHT - 8}" text-anchor="middle">views kept</text>')
    curves = np.array(row["five terms: coach"])
    quarter, middle, three = np.percentile(curves, [25, 50, 75], axis=0)
    upper = [at(n, v) for n, v in zip(COUNTS, three, strict=True)]
    lower = [at(n, v) for n, v in zip(COUNTS, quarter, strict=True)][::-1]
    parts.append(f'<path d="{_path([*upper, *lower])}Z" fill="{COACH}" fill-opacity="0.18"/>')
    line = [at(n, v) for n, v in zip(COUNTS, middle, strict=True)]
    parts.append(f'<path d="{_path(line)}" fill="none" stroke="{COACH}" stroke-width="2.5"/>')
    level = float(np.median(row["five terms: recipe"]))
    x, y = at(4, level)
    parts.append(
        f'<path d="M{x:.1f} {y:.1f}H{LEFT + inner_w}" stroke="{CUSTOM}" stroke-width="2" '
        'stroke-dasharray="7 4"/>'
    )
    end = LEFT + inner_w
    parts.append(f'<text x="{end}" y="{y - 5:.1f}" text-anchor="end" fill="{CUSTOM}">customary 26</text>')
    x, y = line[-1]
    parts.append(f'<text x="{x:.1f}" y="{y + 16:.1f}" text-anchor="end" fill="{COACH}">coach</text>')
    return "".join(parts)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def tables_markdown(
    rows: Sequence[dict[str, object]], lamps: Mapping[str, Mapping[str, float]]
) -> str:
    """The studies' tables as the docs show them."""
    out = []
    for recipe, title in RECIPES.items():
        out += [
            f"Against {title}:",
            "",
            "| rig | hands | views to reach it, measured, five terms | by evidence | expected (covariance)"
            " | error at 26 over its, five terms | by evidence | expected |",
            "|---|---|---|---|---|---|---|---|",
        ]
        for row in rows:
            s = summary(row)
            out.append(
                f"| {s['rig']} | {s['person']} | {s[f'five terms {recipe} views']:.1f}"
                f" | {s[f'by evidence {recipe} views']:.1f} | {s[f'sigma {recipe} views']:.1f}"
                f" | {s[f'five terms {recipe} ratio']:.2f} | {s[f'by evidence {recipe} ratio']:.2f}"
                f" | {s[f'sigma {recipe} ratio']:.2f} |"
            )
        out.append("")
    out += [
        "| plate | planner | asked poses clear | poses as held clear | information lost (mean; most) |",
        "|---|---|---|---|---|",
    ]
    for name, found in lamps.items():
        for who in ("blind", "learned", "knowing"):
            lost = (
                f"{100 * found['information lost']:.1f} %; {100 * found['most lost']:.1f} %"
                if who == "learned"
                else ""
            )
            out.append(
                f"| {name} | {who} | {100 * found[f'{who} asked clear']:.1f} %"
                f" | {100 * found[f'{who} shown clear']:.1f} % | {lost} |"
            )
    return "\n".join([*out, ""])
