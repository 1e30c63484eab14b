"""The next pose: the one that takes most off what the user wants to know, for little travel."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from holdstill.geometry import turn_deg
from holdstill.limits import limit
from holdstill.records import (
    Cue,
    Estimate,
    FloatArray,
    Instruction,
    Lean,
    Nothing,
    Place,
    Plate,
    Pose,
    Reach,
    Rig,
    Roll,
    Say,
)
from holdstill.records.lamps import Lamp

from .customary import customary
from .glare import glares
from .poses import PLACE_SIDES, Wishes, nearest_turn, posed, wishes
from .scene import Scene, gains, scene_of

EASY = (
    Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING),
    Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.FARTHER, Roll.LYING),
)
"""What a session begins with: the easiest pose to find, which shows that everything works."""


def choose(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    kept_poses: Sequence[Pose],
    *,
    live_pose: Pose | None,
    number: int,
    lamps: Sequence[Lamp] = (),
    cameras: Sequence[str] = (),
    sizes_px: Mapping[str, tuple[int, int]] | None = None,
    avoid: Sequence[Instruction] = (),
    proof: bool = False,
    plan: str = "information",
) -> Cue | Nothing:
    """The next cue: the reachable pose that takes most off the weighted uncertainty, 0..1 `gain`.

    Parameters
    ----------
    estimate
        The newest solution, or None before the first: then the rig as described is planned with.
    kept_poses
        Rig from plate, of the views kept so far, in order.
    live_pose
        The plate as held now, or None: travel is counted from it (else from the last kept pose).
    lamps
        Lamps inferred from glare; poses that would glare are left out while others remain.
    cameras, sizes_px
        Camera names in order; picture sizes where known.
    avoid
        Instructions not to ask for (the user skipped them).
    proof
        A pose for a view that will test the solution: as unlike the kept ones as can be had.
    plan
        ``"information"``, or ``"customary"`` for the fixed list of 26 in its order.

    Returns
    -------
    `Cue`, or `Nothing("no reachable pose")` when no pose keeps all dots sharp in all pictures.

    The first cue of a session is the easy one: flat, middle of the picture.  An estimate too wild
    to plan with gives way to the rig as described.
    """
    scene = scene_of(plate, rig, estimate, tuple(cameras), tuple((sizes_px or {}).items()))
    options = wishes(scene)
    if not options.instructions and estimate is not None:
        scene = scene_of(plate, rig, None, tuple(cameras), tuple((sizes_px or {}).items()))
        options = wishes(scene)
    if not options.instructions:
        width, height = plate.size_mm()
        return Nothing(
            "no reachable pose",
            {"stand_off_mm": scene.stand_off_mm, "plate_width_mm": width, "plate_height_mm": height},
        )
    live = scene.bench_pose(live_pose)[0] if live_pose is not None else None
    last = live_pose or (kept_poses[-1] if kept_poses else None)
    known = scene.known(kept_poses)
    worth = gains(scene, known, options.added)
    open_ = _open(scene, options, lamps, avoid)
    guilty = _guilty(scene, options, worth, lamps)
    if plan == "customary" and not proof:
        return _customary_cue(scene, known, kept_poses, live=live, number=number, lamps=lamps)
    if proof:
        best, reason = _unlike(scene, options, kept_poses, open_), "why.proof"
    elif not kept_poses and (easy := _easy(options, open_)) is not None:
        best, reason = easy, "why.first"
    else:
        score = worth * (1.0 - limit("plan_travel_weight") * _travel(scene, options, last))
        score = score * (1.0 - limit("plan_repeat_weight")) ** _repeats(scene, options, kept_poses)
        best = int(np.argmax(np.where(open_, score, -1.0)))
        reason = _reason(scene, options.instructions[best], kept_poses)
    rotation = nearest_turn(options.rotations_bench[best], live)
    return Cue(
        number,
        options.instructions[best],
        scene.rig_pose(rotation, options.middles_bench_mm[best]),
        float(worth[best]),
        reason,
        proof,
        best_gain=float(worth[open_].max()),
        lamp=guilty.side if guilty is not None else "",
    )


def lamp_to_move(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    kept_poses: Sequence[Pose],
    *,
    lamps: Sequence[Lamp],
    cameras: Sequence[str] = (),
    sizes_px: Mapping[str, tuple[int, int]] | None = None,
) -> Say | None:
    """Which lamp to move, and where to, when its glare keeps needed poses from being had; else None.

    Needed: the best pose that glares is worth clearly more than the best that doesn't
    (`lamp_cost_share`).  Of the lamps that spoil it the one with most evidence is named.
    """
    scene = scene_of(plate, rig, estimate, tuple(cameras), tuple((sizes_px or {}).items()))
    options = wishes(scene)
    if not lamps or not options.instructions:
        return None
    guilty = _guilty(scene, options, gains(scene, scene.known(kept_poses), options.added), lamps)
    if guilty is None:
        return None
    if guilty.side in ("left", "right"):
        return Say("lamp.move.side", {"side": guilty.side})
    return Say(f"lamp.move.{guilty.side}")


def _guilty(scene: Scene, options: Wishes, worth: FloatArray, lamps: Sequence[Lamp]) -> Lamp | None:
    """The lamp that spoils the best wish when the best one left is clearly worse; None otherwise."""
    if not lamps:
        return None
    rotations, translations = scene.rig_poses(options.rotations_bench, options.middles_bench_mm)
    spoilt = glares(scene, lamps, rotations, translations)
    clean = worth[~spoilt.any(axis=1)].max(initial=0.0)
    best = int(np.argmax(worth))
    if clean >= limit("lamp_cost_share") * worth[best]:
        return None
    guilty = [lamp for lamp, bad in zip(lamps, spoilt[best], strict=True) if bad]
    return max(guilty, key=lambda lamp: lamp.sightings)


def _open(
    scene: Scene, options: Wishes, lamps: Sequence[Lamp], avoid: Sequence[Instruction]
) -> NDArray[np.bool_]:
    """Which wishes may be asked for: not skipped, and without glare; all of them if none remains."""
    fresh = np.array([i not in avoid for i in options.instructions])
    if not fresh.any():
        fresh[:] = True
    if not lamps:
        return fresh
    rotations, translations = scene.rig_poses(options.rotations_bench, options.middles_bench_mm)
    clean = fresh & ~glares(scene, lamps, rotations, translations).any(axis=1)
    return clean if clean.any() else fresh


def _easy(options: Wishes, open_: NDArray[np.bool_]) -> int | None:
    for wanted in EASY:
        for index, instruction in enumerate(options.instructions):
            if instruction == wanted and open_[index]:
                return index
    return None


def _travel(scene: Scene, options: Wishes, last: Pose | None) -> FloatArray:
    """Effort of the hands from the last pose to each wish, 0..1: turning, leaning, carrying."""
    if last is None:
        return np.zeros(len(options.instructions))
    rotation, middle = scene.bench_pose(last)
    lean = np.degrees(
        np.arccos(np.clip(options.rotations_bench[:, :, 2] @ rotation[:, 2], -1.0, 1.0))
    )
    turn = turn_deg(np.swapaxes(options.rotations_bench, 1, 2) @ rotation)
    turn = np.minimum(turn, 180.0 - turn)
    way = np.linalg.norm(options.middles_bench_mm - middle, axis=1) / (0.25 * scene.stand_off_mm)
    effort = 0.4 * np.minimum(turn, 90.0) / 90.0 + 0.3 * np.minimum(lean, 60.0) / 60.0 + 0.3 * way
    return np.asarray(np.clip(effort, 0.0, 1.0))


def _repeats(scene: Scene, options: Wishes, kept_poses: Sequence[Pose]) -> FloatArray:
    """How many kept views were held about like each wish (C,): those share its systematic errors."""
    count = np.zeros(len(options.instructions))
    field = scene.stand_off_mm * float((scene.cameras.sizes_px[:, 0] / scene.cameras.lenses[:, 0]).min())
    for pose in kept_poses:
        rotation, middle = scene.bench_pose(pose)
        cosine = options.rotations_bench[:, :, 2] @ rotation[:, 2]
        turn = turn_deg(np.swapaxes(options.rotations_bench, 1, 2) @ rotation)
        way = np.linalg.norm(options.middles_bench_mm - middle, axis=1) / field
        alike = cosine > math.cos(math.radians(2.0 * limit("same_turn_deg")))
        alike &= np.minimum(turn, 180.0 - turn) < 45.0
        count += alike & (way < 2.0 * limit("same_shift_share"))
    return count


def _unlike(
    scene: Scene, options: Wishes, kept_poses: Sequence[Pose], open_: NDArray[np.bool_]
) -> int:
    """The wish farthest from every kept pose, in turns of 30 degrees and quarters of the field."""
    if not kept_poses:
        return int(np.argmax(open_))
    far = np.full(len(options.instructions), np.inf)
    field = scene.stand_off_mm * float((scene.cameras.sizes_px / scene.cameras.lenses[:, :2]).min())
    for pose in kept_poses:
        rotation, middle = scene.bench_pose(pose)
        lean = np.arccos(np.clip(options.rotations_bench[:, :, 2] @ rotation[:, 2], -1.0, 1.0))
        way = np.linalg.norm((options.middles_bench_mm - middle) / (0.25 * field), axis=1)
        far = np.minimum(far, np.hypot(lean / math.radians(30.0), way))
    return int(np.argmax(np.where(open_, far, -1.0)))


def _customary_cue(
    scene: Scene,
    known: FloatArray,
    kept_poses: Sequence[Pose],
    *,
    live: FloatArray | None,
    number: int,
    lamps: Sequence[Lamp],
) -> Cue | Nothing:
    """The next of the customary list that this bench allows."""
    listed = customary()
    rotations, middles, good = posed(scene, listed)
    if lamps:
        clean = ~glares(scene, lamps, *scene.rig_poses(rotations, middles)).any(axis=1)
        good = good & clean if (good & clean).any() else good
    can = np.flatnonzero(good)
    if not len(can):
        return Nothing("no reachable pose", {"stand_off_mm": scene.stand_off_mm})
    at = int(can[len(kept_poses) % len(can)])
    added = scene.information(*scene.rig_poses(rotations[at : at + 1], middles[at : at + 1]))
    gain = float(gains(scene, known, added)[0])
    pose = scene.rig_pose(nearest_turn(rotations[at], live), middles[at])
    return Cue(number, listed[at], pose, gain, "why.customary", best_gain=gain)


def _reason(scene: Scene, chosen: Instruction, kept_poses: Sequence[Pose]) -> str:
    """Key of the sentence that says what the chosen pose brings that the kept ones lack."""
    from .covered import seen_so_far

    seen = seen_so_far(scene, kept_poses)
    if chosen.lean is not Lean.FLAT and chosen.lean not in seen.leans:
        return "why.lean"
    if chosen.place is not Place.CENTRE and seen.field[chosen.place] == 0:
        return "why.edge" if 0 in PLACE_SIDES[chosen.place] else "why.corner"
    if chosen.roll not in seen.rolls:
        return "why.roll"
    if chosen.reach is not Reach.MIDDLE and chosen.reach not in seen.reaches:
        return "why.depth"
    return "why.most"
