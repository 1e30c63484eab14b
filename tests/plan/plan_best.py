"""What no coach can beat: poses chosen freely, met exactly, exchanged until nothing improves."""

from __future__ import annotations

import numpy as np

from holdstill.geometry.information import view_information
from holdstill.plan.poses import allowed, lean_rotation, roll_rotation
from holdstill.records import FloatArray
from plan.plan_study import SIGMA_PX, Bench, Yardstick, bench, customary_turns, run_recipe, truth_cameras
from plan.plan_tables import FIVE, PEOPLE

FOUR = "k1 k2 p1 p2"
"""The terms that the solve mostly takes on these rigs when it picks the lens model by evidence."""
TILT_DEG, REACH_SHARE, OFF_SHARE = 45.0, 0.12, 0.4
VIEWS = 26


def free_poses(
    b: Bench, rng: np.random.Generator, drawn: int, least_seen: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rotations, translations (rig from plate) and dots seen, of poses drawn freely: half of them at the
    largest tilt in any direction, turned within the plane by any angle, anywhere in the field."""
    field = b.scene.stand_off_mm * (b.scene.cameras.sizes_px / b.scene.cameras.lenses[:, :2]).min(axis=0)
    way = rng.uniform(0, 2 * np.pi, drawn)
    tilt = TILT_DEG * np.where(np.arange(drawn) % 2 == 0, 1.0, np.sqrt(rng.uniform(0, 1, drawn)))
    turns = [
        lean_rotation(t * np.cos(w), t * np.sin(w)) @ roll_rotation(r)
        for t, w, r in zip(tilt, way, rng.uniform(0, 360, drawn), strict=True)
    ]
    depth = rng.uniform(-REACH_SHARE, REACH_SHARE, drawn) * b.scene.stand_off_mm
    x, y = (rng.uniform(-OFF_SHARE, OFF_SHARE, drawn) * f for f in field)
    rotations, middles = np.stack(turns), np.stack([x, y, depth], axis=1)
    poses = b.scene.rig_poses(rotations, middles)
    seen = b.scene.seen(*b.scene.pixels(b.scene.dots_mm, *poses))
    good = (seen.mean(axis=2).min(axis=1) >= least_seen) & allowed(b.scene, rotations, middles)
    return poses[0][good], poses[1][good], seen[good]


def best_of(yard: Yardstick, added: FloatArray, views: int = VIEWS) -> float:
    """Expected quality of the best so many of these views: greedily chosen, then exchanged one by one."""
    known, chosen = 1e-6 * np.eye(added.shape[1]), []

    def best_with(base: FloatArray) -> int:
        left = np.einsum("ij,cji->c", yard.stakes, np.linalg.inv(base + added))
        return int(np.argmin(np.where(left > 0, left, np.inf)))

    for _ in range(views):
        chosen.append(best_with(known))
        known = known + added[chosen[-1]]
    for place in range(views):
        base = known - added[chosen[place]]
        chosen[place] = best_with(base)
        known = base + added[chosen[place]]
    return float(np.sqrt(np.trace(yard.stakes @ np.linalg.inv(known)) / 4.0))


def best_possible(
    name: str, *, drawn: int = 12000, kept: int = 700, repetitions: int = 8
) -> dict[str, dict[str, float]]:
    """Error at 26 freely chosen views over the customary 26's, by lens model: against careful and
    sloppy hands, with every dot in every picture and with four fifths of them."""
    b = bench(name)
    cameras = truth_cameras(b.truth)
    out: dict[str, dict[str, float]] = {}
    for label, order in (("five terms", FIVE), ("four terms", FOUR)):
        yard = Yardstick.of(b, order)
        levels = {
            who: np.median(
                [
                    yard.sigmas(
                        b, run_recipe(b, person, np.random.default_rng([7000 + r, 1]), customary_turns())
                    )[-1]
                    for r in range(repetitions)
                ]
            )
            for who, person in PEOPLE.items()
        }
        row = {}
        for word, least in (("all dots", 1.0), ("four fifths", 0.8)):
            r, t, seen = free_poses(b, np.random.default_rng(1), drawn, least)
            r, t, seen = r[:kept], t[:kept], seen[:kept]
            added = view_information(
                cameras, yard.free, b.scene.dots_mm, r, t, weights=seen / SIGMA_PX**2
            )
            best = best_of(yard, added)
            row |= {f"{word}, {who}": best / float(level) for who, level in levels.items()}
        out[label] = row
    return out
