"""What no coach can beat: poses chosen freely, met exactly, exchanged until nothing improves."""

from __future__ import annotations

import numpy as np

from holdstill.geometry.information import view_information
from holdstill.plan.poses import allowed, lean_rotation, roll_rotation
from holdstill.records import FloatArray
from plan.plan_study import SIGMA_PX, Bench, Yardstick, bench, customary_turns, run_recipe, truth_cameras
from plan.plan_tables import FIVE, PEOPLE

ROOM: dict[str, dict[str, float]] = {
    "nine tenths of the dots, 45 degrees": {},
    "three quarters of the dots": {"least": 0.75},
    "three fifths of the dots": {"least": 0.6},
    "three fifths in one camera, any in the other": {"least": 0.6, "cameras": 1},
    "55 degrees, 65 to a camera": {"tilt": 55.0, "most": 65.0},
    "60 degrees, 72 to a camera": {"tilt": 60.0, "most": 72.0},
    "a fifth of the stand-off nearer or farther": {"reach": 0.2},
    "three tenths of it, however blurred": {"reach": 0.3, "focus": 0},
}
"""What the coach keeps to, and what it would be to let one of these rules go."""
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
        levels = {who: _customary_level(b, yard, who, repetitions) for who in PEOPLE}
        row = {}
        for word, least in (("all dots", 1.0), ("four fifths", 0.8)):
            r, t, seen = free_poses(b, np.random.default_rng(1), drawn, least)
            r, t, seen = r[:kept], t[:kept], seen[:kept]
            added = view_information(
                cameras, yard.free, b.scene.dots_mm, r, t, weights=seen / SIGMA_PX**2
            )
            best = best_of(yard, added)
            row |= {f"{word}, {who}": best / level for who, level in levels.items()}
        out[label] = row
    return out


def loosened_poses(
    b: Bench, rng: np.random.Generator, drawn: int, *, least: float = 0.9, cameras: int = 2,
    tilt: float = TILT_DEG, most: float = 55.0, reach: float = REACH_SHARE, focus: float = 1,
) -> tuple[FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """Like `free_poses`, each rule as asked: `least` of the dots in so many of the cameras, leans of up to
    `tilt`, `most` to any line of sight (deg), `reach` (share of the stand-off), and focus or none."""
    field = b.scene.stand_off_mm * (b.scene.cameras.sizes_px / b.scene.cameras.lenses[:, :2]).min(axis=0)
    way, turn = rng.uniform(0, 2 * np.pi, drawn), rng.uniform(0, 360, drawn)
    lean = tilt * np.where(np.arange(drawn) % 2 == 0, 1.0, np.sqrt(rng.uniform(0, 1, drawn)))
    turns = [
        lean_rotation(t * np.cos(w), t * np.sin(w)) @ roll_rotation(r)
        for t, w, r in zip(lean, way, turn, strict=True)
    ]
    depth = rng.uniform(-reach, reach, drawn) * b.scene.stand_off_mm
    x, y = (rng.uniform(-0.5, 0.5, drawn) * f for f in field)
    middles = np.stack([x, y, depth], axis=1)
    rotations, shifts = b.scene.rig_poses(np.stack(turns), middles)
    seen = b.scene.seen(*b.scene.pixels(b.scene.dots_mm, rotations, shifts))
    share = np.sort(seen.mean(axis=2), axis=1)[:, -cameras]
    sight = middles @ b.scene.rotation_rig_from_bench.T + b.scene.origin_rig_mm
    sight = sight[:, None] - b.scene.cameras.centres_mm()[None]
    sight = sight / np.linalg.norm(sight, axis=-1, keepdims=True)
    cosine = np.einsum("cki,ci->ck", sight, rotations[:, :, 2])
    good = (share >= least) & (cosine.min(axis=1) >= np.cos(np.radians(most)))
    if focus:
        _, depths = b.scene.pixels(b.scene.rim_mm, rotations, shifts)
        near, far = (b.scene.sharp_mm[:, i][None, :, None] for i in (0, 1))
        good &= ((depths >= near) & (depths <= far)).all(axis=(1, 2))
    return rotations[good], shifts[good], seen[good]


def room(name: str, *, kept: int = 600, repetitions: int = 10) -> dict[str, dict[str, float]]:
    """By rule let go and lens model: error at 26 free poses, met exactly, over the customary 26's."""
    b, out = bench(name), {}
    pools = {}
    for rule, loose in ROOM.items():
        rng, parts, found = np.random.default_rng(1), [], 0
        while found < kept and len(parts) < 30:
            parts.append(loosened_poses(b, rng, 4000, **loose))  # type: ignore[arg-type]
            found += len(parts[-1][0])
        pools[rule] = tuple(np.concatenate(each)[:kept] for each in zip(*parts, strict=True))
    for label, order in (("five terms", FIVE), ("four terms", FOUR)):
        yard = Yardstick.of(b, order)
        levels = {who: _customary_level(b, yard, who, repetitions) for who in PEOPLE}
        for rule, (rotations, shifts, seen) in pools.items():
            added = view_information(
                truth_cameras(b.truth), yard.free, b.scene.dots_mm, rotations, shifts,
                weights=seen / SIGMA_PX**2,
            )  # fmt: skip
            best = best_of(yard, added)
            row = out.setdefault(rule, {})
            row |= {f"{label}, {who}": best / level for who, level in levels.items()}
    return out


def _customary_level(b: Bench, yard: Yardstick, who: str, repetitions: int) -> float:
    shown = (
        run_recipe(b, PEOPLE[who], np.random.default_rng([7000 + r, 1]), customary_turns())
        for r in range(repetitions)
    )
    return float(np.median([yard.sigmas(b, kept)[-1] for kept in shown]))
