"""Instructions as poses: leans, rolls, reaches and places, and which of them a bench allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holdstill.geometry import rotation_matrix
from holdstill.limits import limit
from holdstill.records import FloatArray, Instruction, Lean, Place, Reach, Roll

from .scene import Scene

PLACE_SIDES: dict[Place, tuple[int, int]] = {
    Place.UPPER_LEFT: (-1, -1), Place.TOP: (0, -1), Place.UPPER_RIGHT: (1, -1),
    Place.LEFT: (-1, 0), Place.CENTRE: (0, 0), Place.RIGHT: (1, 0),
    Place.LOWER_LEFT: (-1, 1), Place.BOTTOM: (0, 1), Place.LOWER_RIGHT: (1, 1),
}
"""Which way a place lies from the middle of the picture: (right, down), each -1, 0 or 1."""
SIDE_PLACES = {sides: place for place, sides in PLACE_SIDES.items()}

LEAN_WAYS: dict[Lean, tuple[int, int]] = {
    Lean.FLAT: (0, 0), Lean.TOP: (0, 1), Lean.BOTTOM: (0, -1), Lean.RIGHT: (1, 0), Lean.LEFT: (-1, 0),
}
"""Sign of the dial's (x, y): right edge toward the cameras, top edge toward the cameras."""

_SETTLING_ROUNDS = 5
_SETTLED_PX = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Slack:
    """Ground left in the tightest picture between the dots' border and each edge, px, (C,) each;
    negative when the dots stick out."""

    left: FloatArray
    right: FloatArray
    top: FloatArray
    bottom: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Wishes:
    """Poses that the bench allows, C of them: instructions, rotations and middles (bench frame)."""

    instructions: tuple[Instruction, ...]
    rotations_bench: FloatArray
    middles_bench_mm: FloatArray
    added: FloatArray


def lean_rotation(x_deg: float, y_deg: float) -> FloatArray:
    """Rotation (3, 3) that leans a plate: right edge (x) and top edge (y) toward the cameras, deg."""
    angle = math.hypot(math.radians(x_deg), math.radians(y_deg))
    if angle == 0.0:
        return np.eye(3)
    return rotation_matrix(np.array([math.radians(y_deg), math.radians(x_deg), 0.0]))


def roll_deg(scene: Scene, roll: Roll) -> float:
    """Turn within the plate's plane (0 or 90 deg, clockwise as the cameras see it) of a roll."""
    width, height = scene.plate.size_mm()
    wide = width >= height
    return 0.0 if wide is (roll is Roll.LYING) else 90.0


def roll_rotation(turn_deg: float) -> FloatArray:
    """Rotation (3, 3) within the picture plane, clockwise as the cameras see it."""
    return rotation_matrix(np.array([0.0, 0.0, math.radians(turn_deg)]))


def lean_of(rotation_bench: FloatArray) -> tuple[float, float]:
    """The dial's (x, y) in degrees: right edge, top edge toward the cameras positive."""
    normal = rotation_bench[:, 2]
    angle = math.acos(float(np.clip(normal[2], -1.0, 1.0)))
    sine = math.hypot(float(normal[0]), float(normal[1]))
    if sine < 1e-12:
        return 0.0, 0.0
    share = math.degrees(angle) / sine
    return float(normal[0]) * share, -float(normal[1]) * share


def turn_of(rotation_bench: FloatArray) -> float:
    """Turn within the plate's plane in degrees, -180..180, after taking its lean away."""
    flat = lean_rotation(*lean_of(rotation_bench)).T @ rotation_bench
    return math.degrees(math.atan2(float(flat[1, 0]), float(flat[0, 0])))


def roll_of(scene: Scene, rotation_bench: FloatArray) -> Roll:
    """Whether the plate lies or stands as held (the nearer of the two)."""
    off = (turn_of(rotation_bench) - roll_deg(scene, Roll.LYING) + 90.0) % 180.0 - 90.0
    return Roll.LYING if abs(off) <= 45.0 or not scene.can_stand_tall else Roll.UPRIGHT


def slack_px(scene: Scene, rotations_bench: FloatArray, middles_mm: FloatArray) -> Slack:
    """`Slack` of poses in the bench frame."""
    pixels, _ = scene.pixels(scene.rim_mm, *scene.rig_poses(rotations_bench, middles_mm))
    low, high = pixels.min(axis=2), pixels.max(axis=2)
    far = scene.cameras.sizes_px[None] - 1.0 - high
    return Slack(low[..., 0].min(1), far[..., 0].min(1), low[..., 1].min(1), far[..., 1].min(1))


def settle(
    scene: Scene, rotations_bench: FloatArray, depths_mm: FloatArray, sides: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Push plates to their places: middles (C, 3) in the bench frame (mm), and whether reached (C,).

    A side of -1 or 1 pushes the dots until, in the tightest picture, only `plan_edge_margin` of
    ground is left there; 0 leaves equal ground on both sides.  Not reached: no pose keeps all
    dots in all pictures with that margin, or the place is hardly apart from the middle.
    """
    middles, margin = _home(scene, rotations_bench, depths_mm), _margin_px(scene)
    field = scene.stand_off_mm * (scene.cameras.sizes_px / scene.cameras.lenses[:, :2]).min(axis=0)
    home = middles.copy()
    for _ in range(_SETTLING_ROUNDS):
        middles[:, :2] += _step_mm(scene, rotations_bench, middles, sides, margin)
    slack = slack_px(scene, rotations_bench, middles)
    least = np.min([slack.left, slack.right, slack.top, slack.bottom], axis=0)
    left_over = np.abs(_push(slack, sides, margin)).max(axis=1)
    apart = (middles[:, :2] - home[:, :2]) * sides >= limit("plan_place_least") * field
    reached = (least > margin - _SETTLED_PX) & (left_over < _SETTLED_PX) & ((sides == 0) | apart).all(axis=1)
    return middles, reached


@lru_cache(maxsize=16)
def middle_depth_mm(scene: Scene) -> float:
    """Depth (mm, bench frame) of the middle distance: where the axes cross, or farther when the flat
    plate would not fit the pictures there; 0 when it fits nowhere up to a third farther."""
    depths = np.linspace(0.0, 0.33 * scene.stand_off_mm, 34)
    flat = np.broadcast_to(roll_rotation(roll_deg(scene, Roll.LYING)), (len(depths), 3, 3))
    fits = settle(scene, flat, depths, np.zeros((len(depths), 2)))[1]
    return float(depths[np.argmax(fits)]) if fits.any() else 0.0


def _home(scene: Scene, rotations_bench: FloatArray, depths_mm: FloatArray) -> FloatArray:
    """Middles (C, 3) with equal ground all around, once for poses that share rotation and depth."""
    keys = np.round(np.c_[rotations_bench.reshape(-1, 9), depths_mm], 9)
    _, first, back = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    depths, rotations = depths_mm[first], rotations_bench[first]
    middles = np.stack([np.zeros_like(depths), np.zeros_like(depths), depths], axis=1)
    for _ in range(_SETTLING_ROUNDS):
        middles[:, :2] += _step_mm(scene, rotations, middles, np.zeros((len(depths), 2)), 0.0)
    return np.asarray(middles[back.ravel()])


def _margin_px(scene: Scene) -> float:
    return limit("plan_edge_margin") * float(scene.cameras.sizes_px[:, 0].min())


def _step_mm(
    scene: Scene, rotations: FloatArray, middles_mm: FloatArray, sides: FloatArray, margin_px: float
) -> FloatArray:
    """Newton step (C, 2) mm toward the places, taking the picture's scale at the middle for all dots."""
    scale = (scene.stand_off_mm + middles_mm[:, 2:]) / float(scene.cameras.lenses[:, :2].mean())
    return np.asarray(_push(slack_px(scene, rotations, middles_mm), sides, margin_px) * scale)


def _push(slack: Slack, sides: FloatArray, margin: float) -> FloatArray:
    """How far to move the dots (right, down) in px, (C, 2)."""
    x = np.where(
        sides[:, 0] == 0, 0.5 * (slack.right - slack.left),
        np.where(sides[:, 0] > 0, slack.right - margin, margin - slack.left),
    )
    y = np.where(
        sides[:, 1] == 0, 0.5 * (slack.bottom - slack.top),
        np.where(sides[:, 1] > 0, slack.bottom - margin, margin - slack.top),
    )
    return np.stack([x, y], axis=1)


def allowed(scene: Scene, rotations_bench: FloatArray, middles_mm: FloatArray) -> NDArray[np.bool_]:
    """Whether (C,) every dot is in focus and no camera looks at the plate too obliquely."""
    _, depths = scene.pixels(scene.rim_mm, *scene.rig_poses(rotations_bench, middles_mm))
    near, far = scene.sharp_mm[:, 0][None, :, None], scene.sharp_mm[:, 1][None, :, None]
    sharp = ((depths >= near) & (depths <= far)).all(axis=(1, 2))
    return np.asarray(sharp & square_on(scene, rotations_bench, middles_mm))


def square_on(scene: Scene, rotations_bench: FloatArray, middles_mm: FloatArray) -> NDArray[np.bool_]:
    """Whether (C,) no camera looks at the plate more obliquely than `tilt_most_deg`."""
    rotations, _ = scene.rig_poses(rotations_bench, middles_mm)
    middles = middles_mm @ scene.rotation_rig_from_bench.T + scene.origin_rig_mm
    sight = middles[:, None, :] - scene.cameras.centres_mm()[None]
    sight = sight / np.linalg.norm(sight, axis=-1, keepdims=True)
    cosine = np.einsum("cki,ci->ck", sight, rotations[:, :, 2])
    return np.asarray(cosine.min(axis=1) >= math.cos(math.radians(tilt_most_deg(scene))))


def tilt_most_deg(scene: Scene) -> float:
    """Steepest that any camera may look at the plate: `plan_tilt_most_deg`, less where that would leave
    dots lower than `plan_dot_least_px`, but never less than `plan_tilt_small_deg`."""
    plate = scene.plate
    dot_mm = plate.dot_diameter_mm or 0.5 * plate.pitch_mm
    dot_px = dot_mm * float(scene.cameras.lenses[:, :2].min()) / (scene.stand_off_mm + scene.reach_mm)
    steepest = math.degrees(math.acos(min(1.0, limit("plan_dot_least_px") / dot_px)))
    return min(limit("plan_tilt_most_deg"), max(limit("plan_tilt_small_deg"), steepest))


def _vocabulary(scene: Scene) -> list[Instruction]:
    rolls = (Roll.LYING, Roll.UPRIGHT) if scene.can_stand_tall else (Roll.LYING,)
    leans = [(Lean.FLAT, 0.0)]
    for degrees in (limit("plan_lean_steep_deg"), limit("plan_lean_deg"), limit("plan_lean_small_deg")):
        leans += [(lean, degrees) for lean in (Lean.TOP, Lean.BOTTOM, Lean.LEFT, Lean.RIGHT)]
    return [
        Instruction(lean, degrees, place, reach, roll)
        for lean, degrees in leans
        for roll in rolls
        for reach in Reach
        for place in Place
    ]


def posed(
    scene: Scene, instructions: Sequence[Instruction]
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Rotations (C, 3, 3), middles (C, 3) in the bench frame, and whether each can be had (C,)."""
    signs = {Reach.MIDDLE: 0.0, Reach.NEARER: -1.0, Reach.FARTHER: 1.0}
    turns = {(i.lean, i.lean_deg, i.roll) for i in instructions}
    made = {
        (lean, degrees, roll): lean_rotation(*(degrees * s for s in LEAN_WAYS[lean]))
        @ roll_rotation(roll_deg(scene, roll))
        for lean, degrees, roll in turns
    }
    rotations = np.stack([made[i.lean, i.lean_deg, i.roll] for i in instructions])
    middle = middle_depth_mm(scene)
    depths = np.array([middle + signs[i.reach] * scene.reach_mm for i in instructions])
    sides = np.array([PLACE_SIDES[i.place] for i in instructions], dtype=np.float64)
    middles, reached = settle(scene, rotations, depths, sides)
    return rotations, middles, reached & allowed(scene, rotations, middles)


@lru_cache(maxsize=16)
def wishes(scene: Scene) -> Wishes:
    """Every instruction that this bench allows; the smaller lean only where the full one has no room."""
    instructions = _vocabulary(scene)
    rotations, middles, good = posed(scene, instructions)
    small = limit("plan_lean_small_deg")
    larger = {
        (i.lean, i.place, i.reach, i.roll)
        for i, g in zip(instructions, good, strict=True)
        if g and i.lean_deg > small
    }
    keep = [
        n
        for n, i in enumerate(instructions)
        if good[n] and (i.lean_deg != small or (i.lean, i.place, i.reach, i.roll) not in larger)
    ]
    added = (
        scene.information(*scene.rig_poses(rotations[keep], middles[keep]))
        if keep
        else np.zeros((0, scene.free.count, scene.free.count))
    )
    return Wishes(tuple(instructions[n] for n in keep), rotations[keep], middles[keep], added)


def nearest_turn(rotation_bench: FloatArray, live_bench: FloatArray | None) -> FloatArray:
    """The wished rotation, turned half round within its plane when that is nearer to the plate as held."""
    if live_bench is None:
        return rotation_bench
    half = rotation_bench @ roll_rotation(180.0)
    off = (turn_of(live_bench) - turn_of(rotation_bench) + 180.0) % 360.0 - 180.0
    return half if abs(off) > 90.0 else rotation_bench
