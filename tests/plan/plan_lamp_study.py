"""Two lamps at random places, ten glare sightings, then a session that has to stay clear of them."""

from __future__ import annotations

import numpy as np

from holdstill import plan
from holdstill.geometry import matrices
from holdstill.plan.glare import glare_spots_mm
from holdstill.plan.poses import wishes
from holdstill.plan.scene import Scene, scene_of
from holdstill.records import ClearSighting, Cue, GlareSighting, Lamp, Plate, Pose, Rig
from plan.plan_benches import CAMERAS, RIGS, held

LOBE_MM = 20.0
FOUND_MM = 3.0
"""Radius of a true glare patch on the plate, and how well its middle is found (one sigma)."""


def true_lamps(scene: Scene, rng: np.random.Generator) -> list[np.ndarray]:
    """One on either side, from close beside the cameras to far out."""
    s = scene.stand_off_mm
    places = []
    for side in (-1, 1):
        aside, down, back = side * rng.uniform(0.08, 0.8), rng.uniform(-0.4, 0.2), rng.uniform(0.5, 1.0)
        at = s * np.array([aside, down, -back])
        places.append(scene.rotation_rig_from_bench @ at + scene.origin_rig_mm)
    return places


def looked_at(
    scene: Scene, pose: Pose, lamps_mm: list[np.ndarray], rng: np.random.Generator
) -> tuple[list[GlareSighting], list[ClearSighting]]:
    rotation, translation = matrices(pose)
    spots, front = glare_spots_mm(
        scene.cameras.centres_mm(), np.array(lamps_mm), rotation[None], translation[None]
    )
    low, high = scene.dots_mm[:, :2].min(axis=0), scene.dots_mm[:, :2].max(axis=0)
    glare, clear = [], []
    for k, camera in enumerate(CAMERAS):
        off = np.linalg.norm(np.maximum(np.maximum(low - spots[0, k], spots[0, k] - high), 0.0), axis=-1)
        hit = front[0, k] & (off <= LOBE_MM)
        for spot in spots[0, k][hit]:
            x, y = spot + rng.normal(0.0, FOUND_MM, 2)
            glare.append(GlareSighting(camera, pose, float(x), float(y), LOBE_MM))
        if not hit.any():
            clear.append(ClearSighting(camera, pose))
    return glare, clear


def learned(
    scene: Scene, rig: Rig, plate: Plate, truth: list[np.ndarray], rng: np.random.Generator
) -> tuple[Lamp, ...]:
    """Lamps told from ten glare sightings among poses shown at random from the vocabulary."""
    options = wishes(scene)
    glare: list[GlareSighting] = []
    clear: list[ClearSighting] = []
    for _ in range(600):
        n = int(rng.integers(0, len(options.instructions)))
        wish = scene.rig_pose(options.rotations_bench[n], options.middles_bench_mm[n])
        seen, none = looked_at(scene, held(scene, wish, rng), truth, rng)
        glare, clear = glare + seen, clear + none
        if len(glare) >= 10:
            break
    return plan.lamps(glare[:10], clear, rig=rig, cameras=CAMERAS, plate=plate)


def asked(
    scene: Scene,
    rig: Rig,
    plate: Plate,
    lamps: tuple[Lamp, ...],
    truth: list[np.ndarray],
    seed: int,
    views: int = 15,
) -> tuple[int, int, float]:
    """A session: asked poses that glare, shown poses (with a careful hand's error) that glare, and
    what is left of the weighted uncertainty."""
    rng = np.random.default_rng(seed)
    kept: list[Pose] = []
    spoilt, shown = 0, 0
    for number in range(views):
        cue = plan.choose(
            plate, rig, None, kept, live_pose=None, number=number, cameras=CAMERAS, lamps=lamps
        )
        assert isinstance(cue, Cue)
        spoilt += bool(looked_at(scene, cue.pose_rig_from_plate, truth, rng)[0])
        pose = held(scene, cue.pose_rig_from_plate, rng)
        shown += bool(looked_at(scene, pose, truth, rng)[0])
        kept.append(pose)
    left = float(np.trace(scene.stakes @ np.linalg.inv(scene.known(kept))))
    return spoilt, shown, left


def lamp_study(name: str, repetitions: int, first_seed: int) -> dict[str, float]:
    """Shares of glare-free poses for planners that know nothing, have learned, and know the truth;
    information lost by having learned against knowing (share; negative: none lost)."""
    rig, plate = RIGS[name]
    scene = scene_of(plate, rig, None, CAMERAS)
    totals = {k: np.zeros(2) for k in ("blind", "learned", "knowing")}
    lost = []
    for repetition in range(repetitions):
        rng = np.random.default_rng([first_seed, repetition])
        truth = true_lamps(scene, rng)
        found = learned(scene, rig, plate, truth, rng)
        true = tuple(Lamp((float(x), float(y), float(z)), 0.0, LOBE_MM, 10, "left") for x, y, z in truth)
        left = {}
        for who, lamps in (("blind", ()), ("learned", found), ("knowing", true)):
            spoilt, shown, left[who] = asked(scene, rig, plate, lamps, truth, repetition)
            totals[who] += (spoilt, shown)
        lost.append(1.0 - left["knowing"] / left["learned"])
    views = 15.0 * repetitions
    out = {f"{who} asked clear": 1.0 - float(t[0]) / views for who, t in totals.items()}
    out |= {f"{who} shown clear": 1.0 - float(t[1]) / views for who, t in totals.items()}
    return out | {"information lost": float(np.mean(lost)), "most lost": float(np.max(lost))}
