"""The studies of the coach's bars, as rows; and their tables and curves for the docs."""

from __future__ import annotations

import json
from collections.abc import Sequence

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


def write_rows(path: str, rows: Sequence[dict[str, object]]) -> None:
    """Keep the raw rows, so that tables and curves can be drawn again without the study."""
    with open(path, "w", encoding="utf-8") as out:
        json.dump(list(rows), out)
