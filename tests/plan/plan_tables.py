"""The studies of the coach's bars, as rows; what they come to, and which bars that misses."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from holdstill import solve
from holdstill.geometry.information import Cameras
from holdstill.records import Estimate, Sighting, View
from plan.plan_study import (
    CAREFUL,
    SIGMA_PX,
    SLOPPY,
    Bench,
    Kept,
    Person,
    Yardstick,
    bench,
    customary_turns,
    customary_with_edges,
    errors,
    quality,
    run_coach,
    run_recipe,
)

COUNTS = (4, 6, 8, 9, 10, 11, 12, 13, 14, 16, 18, 20, 23, 26)
FIVE = "k1 k2 k3 p1 p2"
ORDERS: dict[str, str | None] = {"five terms": FIVE, "by evidence": None}
PEOPLE = {"careful": CAREFUL, "sloppy": SLOPPY}


def as_views(kept: Kept, count: int) -> list[View]:
    """The kept dots as the records that the solve takes."""
    views = []
    for n in range(count):
        seen = {}
        for k, name in enumerate(("left", "right")):
            ids = np.flatnonzero(kept.seen[n][k] > 0).astype(np.int32)
            rest = np.flatnonzero(kept.seen[n][k] == 0).astype(np.int32)
            pixels = kept.pixels[n][k][ids]
            sigmas, flags = np.full(len(ids), SIGMA_PX), np.zeros(len(ids), np.int32)
            seen[name] = Sighting(name, (2448, 2048), ids, pixels, sigmas, flags, rest, pixels[[0, -1]], True)
        views.append(View(n, f"view {n}", float(n), seen))
    return views


def solved_quality(b: Bench, kept: Kept, count: int, order: str | None) -> float:
    """Measured against the truth: quality of what the product's own solve makes of the views."""
    found = solve.solve(
        b.plate, b.described, as_views(kept, count), cameras=("left", "right"), lens_order=order
    )
    if not isinstance(found, Estimate):
        return float("inf")
    cameras = Cameras.of(
        [c.name for c in found.cameras],
        [c.lens for c in found.cameras],
        [c.pose_cam_from_rig for c in found.cameras],
    )
    return quality(b, errors(b, cameras))


def study(name: str, who: str, repetitions: int, first_seed: int) -> dict[str, object]:
    """One rig and one person: recipes and coach, measured and by covariance, as plain lists."""
    b, person = bench(name), PEOPLE[who]
    yard = Yardstick.of(b, FIVE)
    row: dict[str, list[object]] = {"sigma recipe": [], "sigma edges": [], "sigma coach": [], "tries": []}
    for label in ORDERS:
        row[f"{label}: recipe"], row[f"{label}: edges"], row[f"{label}: coach"] = [], [], []
    for repetition in range(repetitions):
        recipe, edges, coach = _sessions(b, person, first_seed + repetition)
        row["sigma recipe"].append(float(yard.sigmas(b, recipe)[-1]))
        row["sigma edges"].append(float(yard.sigmas(b, edges)[-1]))
        row["sigma coach"].append([float(s) for s in yard.sigmas(b, coach)])
        row["tries"].append([recipe.tries / 26, coach.tries / 26])
        for label, order in ORDERS.items():
            row[f"{label}: recipe"].append(solved_quality(b, recipe, 26, order))
            row[f"{label}: edges"].append(solved_quality(b, edges, 26, order))
            row[f"{label}: coach"].append([solved_quality(b, coach, n, order) for n in COUNTS])
    return {"rig": name, "person": who, "repetitions": repetitions, **row}


def _sessions(b: Bench, person: Person, seed: int) -> tuple[Kept, Kept, Kept]:
    recipe = run_recipe(b, person, np.random.default_rng([seed, 1]), customary_turns())
    edges = run_recipe(b, person, np.random.default_rng([seed, 2]), customary_with_edges())
    coach, _, _ = run_coach(b, person, np.random.default_rng([seed, 3]), 26)
    return recipe, edges, coach


def reached(counts: Sequence[int], curves: Sequence[Sequence[float]], level: float) -> tuple[float, float]:
    """Views until the level is reached: the median over repetitions of each one's first count, and
    where the median curve comes down to it (inf: never)."""
    rows = np.array(curves)

    def first(row: Sequence[float]) -> float:
        good = np.flatnonzero(np.asarray(row) <= level)
        return float(counts[good[0]]) if len(good) else float("inf")

    return float(np.median([first(r) for r in rows])), first(np.median(rows, axis=0).tolist())


def summary(row: dict[str, object]) -> dict[str, float | str]:
    """What the bars ask for, from a study's row."""
    out: dict[str, float | str] = {"rig": str(row["rig"]), "person": str(row["person"])}
    every = range(1, 27)
    for recipe in ("recipe", "edges"):
        level = float(np.median(row[f"sigma {recipe}"]))
        curve = row["sigma coach"]
        out[f"sigma {recipe} views"], _ = reached(list(every), curve, level)
        out[f"sigma {recipe} ratio"] = float(np.median([c[-1] for c in curve])) / level
        for label in ORDERS:
            level = float(np.median(row[f"{label}: {recipe}"]))
            curve = row[f"{label}: coach"]
            out[f"{label} {recipe} views"], out[f"{label} {recipe} crossing"] = reached(COUNTS, curve, level)
            out[f"{label} {recipe} ratio"] = float(np.median([c[-1] for c in curve])) / level
    tries = np.mean(row["tries"], axis=0)
    out["tries recipe"], out["tries coach"] = float(tries[0]), float(tries[1])
    return out


VIEWS_AT_MOST = {"careful": 12.0, "sloppy": 14.0}
RATIO_AT_MOST = 0.6
MEASURES = ("five terms", "by evidence", "sigma")
RECIPES = {"recipe": "the customary 26 to the letter", "edges": "26 with the edges"}


def misses(found: Mapping[str, float | str]) -> set[str]:
    """Which bars a `summary` misses, to the digits that the docs' tables show: views until the recipe's
    quality at most `VIEWS_AT_MOST`, error at 26 views at most `RATIO_AT_MOST` of the recipe's."""
    out = set()
    for recipe in RECIPES:
        for measure in MEASURES:
            views = float(f"{found[f'{measure} {recipe} views']:.1f}")
            ratio = float(f"{found[f'{measure} {recipe} ratio']:.2f}")
            cell = f"{found['rig']}, {found['person']}, {recipe}, {measure}"
            out |= {f"{cell}: views"} if not views <= VIEWS_AT_MOST[str(found["person"])] else set()
            out |= {f"{cell}: error at 26"} if not ratio <= RATIO_AT_MOST else set()
    return out


def published(markdown: str) -> list[dict[str, float | str]]:
    """The rows of the two tables against the recipes, as the docs show them, like `summary`'s."""
    rows: dict[tuple[str, str], dict[str, float | str]] = {}
    for recipe, title in RECIPES.items():
        lines = markdown.split(f"Against {title}:\n")[1].lstrip().splitlines()[2:]
        for line in itertools.takewhile(lambda text: text.startswith("|"), lines):
            rig, person, *cells = (cell.strip() for cell in line.strip("|").split("|"))
            row = rows.setdefault((rig, person), {"rig": rig, "person": person})
            names = [f"{measure} {recipe} {what}" for what in ("views", "ratio") for measure in MEASURES]
            row.update(zip(names, map(float, cells), strict=True))
    return list(rows.values())
