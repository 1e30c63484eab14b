"""From the plate as held to the wished pose, one move at a time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import (
    Cue,
    Estimate,
    FloatArray,
    Guide,
    Lean,
    Order,
    Part,
    Place,
    Plate,
    Pose,
    Reach,
    Rig,
)

from .poses import LEAN_WAYS, PLACE_SIDES, SIDE_PLACES, Slack, lean_of, slack_px, turn_of
from .scene import Scene, scene_of
from .value import Worth, worth

PARTS = (Part.ROLL, Part.REACH, Part.PLACE, Part.LEAN)
"""In this order they disturb one another least: each leaves what was reached before in place."""

_NEARLY = 0.5
"""Share of a typical move below which the order is "a little more"."""
_EDGE_SHARE = 0.06


@dataclass(frozen=True, slots=True)
class Off:
    """How far one part is off: `moves` in typical moves (0 = there), `tolerances` in tolerances,
    which way to go, and whether the plate has gone past the wish."""

    moves: float
    tolerances: float
    direction: str
    past: bool = False


def guide(
    cue: Cue,
    live_pose: Pose,
    *,
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    previous: Guide | None = None,
    kept_poses: Sequence[Pose] | None = None,
    cameras: Sequence[str] = (),
    sizes_px: Sequence[tuple[str, tuple[int, int]]] = (),
    stay: Part | None = None,
) -> Guide:
    """The one move to ask for now, and whether the plate is near enough as it is held.

    Parts are asked for in the order roll, reach, place, lean; a part that was reached is asked for
    again only when it has gone clearly astray (`previous` carries that over), so that orders do
    not flicker.  `kept_poses`: of the views so far; taken from the estimate when None; without
    either the live pose's worth stays unknown (`live_share` None).

    `good_enough`: every part is near the wish, or the live pose is worth `take_share` of the best
    one and new.  For a proof or customary cue only nearness counts.
    """
    scene = scene_of(plate, rig, estimate, tuple(cameras), tuple(sizes_px))
    off = _offs(scene, cue, live_pose)
    if kept_poses is None and estimate is not None:
        kept_poses = [v.pose_rig_from_plate for v in estimate.views]
    value = worth(scene, kept_poses, live_pose) if kept_poses is not None else None
    share = value.gain / cue.best_gain if value is not None and cue.best_gain > 0.0 else None
    slack_of_taking = limit("near_hysteresis") if previous is not None and previous.good_enough else 1.0
    near = all(o.tolerances <= slack_of_taking for o in off.values())
    taken = _worth_taking(cue, value, share, slack_of_taking)
    distance = min(1.0, math.sqrt(sum(o.moves**2 for o in off.values())))
    edges = _edges(scene, cue)
    if near or taken:
        return Guide(Order.HOLD_STILL, Part.STILL, "", distance, True, share, edges)
    part = stay if stay in off else _part(off, previous)
    now = off[part]
    flipped = previous is not None and previous.part is part and _opposite(previous.direction, now.direction)
    if now.past or (flipped and now.moves < _NEARLY):
        order = Order.BACK_A_LITTLE
    else:
        order = Order.A_LITTLE_MORE if now.moves < _NEARLY else Order.MOVE
    return Guide(order, part, now.direction, distance, False, share, edges)


def _worth_taking(cue: Cue, value: Worth | None, share: float | None, slack: float) -> bool:
    if value is None or share is None or cue.proof or cue.reason == "why.customary":
        return False
    whole = value.points_share >= limit("take_points_share")
    return whole and value.new and value.square_on and share * slack >= limit("take_share")


def _offs(scene: Scene, cue: Cue, live_pose: Pose) -> dict[Part, Off]:
    live, wish = scene.bench_pose(live_pose), scene.bench_pose(cue.pose_rig_from_plate)
    return {
        Part.ROLL: _roll_off(scene, live[0], wish[0]),
        Part.REACH: _reach_off(scene, cue, float(live[1][2]), float(wish[1][2])),
        Part.PLACE: _place_off(scene, cue, live, wish),
        Part.LEAN: _lean_off(cue, live[0], wish[0]),
    }


def _roll_off(scene: Scene, live: FloatArray, wish: FloatArray) -> Off:
    """Turn within the plane still to go; a plate the other way up is as good."""
    to_go = (turn_of(wish) - turn_of(live) + 90.0) % 180.0 - 90.0
    if not scene.can_stand_tall:
        to_go = (to_go + 45.0) % 90.0 - 45.0
    direction = "clockwise" if to_go > 0 else "anticlockwise"
    return Off(abs(to_go) / 90.0, abs(to_go) / limit("near_roll_deg"), direction)


def _reach_off(scene: Scene, cue: Cue, live_mm: float, wish_mm: float) -> Off:
    to_go = wish_mm - live_mm
    way = {Reach.NEARER: -1.0, Reach.FARTHER: 1.0, Reach.MIDDLE: 0.0}[cue.instruction.reach]
    tolerance = min(limit("near_reach_share") * scene.stand_off_mm, 0.45 * scene.reach_mm)
    direction = "farther" if to_go > 0 else "nearer"
    return Off(abs(to_go) / (2.0 * scene.reach_mm), abs(to_go) / tolerance, direction, to_go * way < 0)


def _place_off(
    scene: Scene, cue: Cue, live: tuple[FloatArray, FloatArray], wish: tuple[FloatArray, FloatArray]
) -> Off:
    """Ground still to close (or open) toward the asked edges; even ground in the other direction."""
    sides = PLACE_SIDES[cue.instruction.place]
    size = scene.cameras.sizes_px.min(axis=0)
    held, asked = (slack_px(scene, r[None], m[None]) for r, m in (live, wish))
    to_go = np.array([_along(held, asked, axis, side) for axis, side in enumerate(sides)]) / size
    tolerance, typical = limit("near_place_share"), 0.25
    worst = float(np.abs(to_go).max())
    steps = [int(np.sign(t)) if abs(t) >= max(0.5 * worst, 0.4 * tolerance) else 0 for t in to_go]
    direction = SIDE_PLACES[steps[0], steps[1]].value
    past = any(s != 0 and s * t < 0 and abs(t) == worst for s, t in zip(sides, to_go, strict=True))
    return Off(worst / typical, worst / tolerance, direction, past)


def _along(held: Slack, asked: Slack, axis: int, side: int) -> float:
    """How far the dots have to go right (axis 0) or down (axis 1), px."""
    low = (held.left - asked.left) if axis == 0 else (held.top - asked.top)
    high = (held.right - asked.right) if axis == 0 else (held.bottom - asked.bottom)
    if side < 0:
        return -float(low[0])
    return float(high[0]) if side > 0 else 0.5 * float(high[0] - low[0])


def _lean_off(cue: Cue, live: FloatArray, wish: FloatArray) -> Off:
    """Angle between the plate's normals still to go, and whether the asked edge is too far forward."""
    angle = math.degrees(math.acos(float(np.clip(live[:, 2] @ wish[:, 2], -1.0, 1.0))))
    held = lean_of(live)
    asked = lean_of(wish)
    way = LEAN_WAYS[cue.instruction.lean]
    past = cue.instruction.lean is not Lean.FLAT and (
        (held[0] - asked[0]) * way[0] + (held[1] - asked[1]) * way[1] > 0.7 * angle
    )
    direction = "away" if past else "toward"
    return Off(angle / limit("plan_lean_deg"), angle / limit("near_lean_deg"), direction, past)


def _part(off: dict[Part, Off], previous: Guide | None) -> Part:
    """The first part that is not there.

    The part asked for last stays until it is well within its tolerance; one that had been reached
    comes back only when it is off by `near_hysteresis` tolerances.
    """
    wide = limit("near_hysteresis")
    asked = PARTS.index(previous.part) if previous is not None and previous.part in PARTS else None
    for index, part in enumerate(PARTS):
        allowed = 1.0
        if previous is not None and previous.part is Part.STILL:
            allowed = wide
        elif asked is not None:
            allowed = wide if index < asked else 1.0 / wide if index == asked else 1.0
        if off[part].tolerances > allowed:
            return part
    return max(PARTS, key=lambda p: off[p].tolerances)


def _opposite(a: str, b: str) -> bool:
    pairs = [("nearer", "farther"), ("clockwise", "anticlockwise"), ("toward", "away")]
    if (a, b) in pairs or (b, a) in pairs:
        return True
    try:
        first, second = PLACE_SIDES[Place(a)], PLACE_SIDES[Place(b)]
    except ValueError:
        return False
    return first != (0, 0) and first == (-second[0], -second[1])


def _edges(scene: Scene, cue: Cue) -> dict[str, Place]:
    """Edge or corner of each picture that the dots nearly touch at the wished pose."""
    sides = PLACE_SIDES[cue.instruction.place]
    if sides == (0, 0):
        return {}
    rotation, translation = matrices(cue.pose_rig_from_plate)
    pixels, _ = scene.pixels(scene.rim_mm, rotation[None], translation[None])
    out = {}
    for k, name in enumerate(scene.cameras.names):
        size = scene.cameras.sizes_px[k]
        low, high = pixels[0, k].min(axis=0), size - 1.0 - pixels[0, k].max(axis=0)
        ground = [low[i] if s < 0 else high[i] if s > 0 else math.inf for i, s in enumerate(sides)]
        near = tuple(s if g <= _EDGE_SHARE * size[0] else 0 for s, g in zip(sides, ground, strict=True))
        if near != (0, 0):
            out[name] = SIDE_PLACES[near[0], near[1]]
    return out
