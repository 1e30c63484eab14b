"""What the views so far cover: tilts, places, depths and rolls, and the names of what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import (
    Coverage,
    Cue,
    Estimate,
    FloatArray,
    Lean,
    Place,
    Plate,
    Pose,
    Reach,
    Rig,
    Roll,
    Say,
    TiltMark,
    View,
)

from .poses import LEAN_WAYS, PLACE_SIDES, SIDE_PLACES, lean_of, middle_depth_mm, roll_of, wishes
from .scene import Scene, scene_of


@dataclass(frozen=True, slots=True)
class SeenSoFar:
    """What some poses cover: `field` counts views per ninth (least over the cameras)."""

    tilts: tuple[TiltMark, ...]
    leans: frozenset[Lean]
    rolls: frozenset[Roll]
    reaches: frozenset[Reach]
    field: dict[Place, int]


def ninths(pixels: FloatArray, size_px: FloatArray) -> set[Place]:
    """The parts of a picture that hold some of the points (n, 2): its border strips, their corners, the rest.

    The strips are `border_share` of the picture's size wide: a plate that fills most of a picture
    has dots in every equal ninth of it from the first view on, and none where lenses differ most.
    """
    share = pixels / (size_px - 1.0)
    inside = share[((share >= 0.0) & (share <= 1.0)).all(axis=1)]
    strip = limit("border_share")
    cell = (inside > 1.0 - strip).astype(int) - (inside < strip).astype(int)
    return {SIDE_PLACES[x, y] for x, y in {(int(x), int(y)) for x, y in cell}}


def seen_so_far(
    scene: Scene, poses: Sequence[Pose], fields: Sequence[Sequence[set[Place]]] | None = None
) -> SeenSoFar:
    """What poses (rig from plate) cover; `fields`: per view and camera the ninths that really held dots."""
    tilts, leans, rolls, reaches = [], set(), set(), set()
    for pose in poses:
        rotation, middle = scene.bench_pose(pose)
        x, y = lean_of(rotation)
        tilts.append(TiltMark(x, y))
        for lean, (way_x, way_y) in LEAN_WAYS.items():
            if way_x * x + way_y * y >= limit("lean_counts_deg"):
                leans.add(lean)
        rolls.add(roll_of(scene, rotation))
        counts = limit("reach_counts_share") * scene.stand_off_mm
        counts = min(counts, 0.6 * scene.reach_mm)
        away = float(middle[2]) - middle_depth_mm(scene)
        reaches.add(Reach.NEARER if away < -counts else Reach.FARTHER if away > counts else Reach.MIDDLE)
    if fields is None:
        fields = [_fields(scene, pose) for pose in poses]
    field = {
        place: min((sum(place in view[k] for view in fields) for k in range(scene.cameras.count)), default=0)
        for place in Place
    }
    return SeenSoFar(tuple(tilts), frozenset(leans), frozenset(rolls), frozenset(reaches), field)


def _fields(scene: Scene, pose: Pose) -> list[set[Place]]:
    rotation, translation = matrices(pose)
    pixels, _ = scene.pixels(scene.dots_mm, rotation[None], translation[None])
    return [ninths(pixels[0, k], scene.cameras.sizes_px[k]) for k in range(scene.cameras.count)]


def coverage(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    views: Sequence[View],
    cue: Cue | None = None,
) -> Coverage:
    """What the kept views cover and what is still missing, most useful first.

    Poses come from the estimate, else from the view itself; places from the dots really found.
    Only what this bench allows is ever named as missing. `cue` gives the wished tilt and place.
    """
    names = tuple(dict.fromkeys(name for view in views for name in view.sightings))
    cameras = tuple(c.name for c in estimate.cameras) if estimate is not None else names
    sizes = {n: s.image_size_px for view in views for n, s in view.sightings.items()}
    scene = scene_of(plate, rig, estimate, cameras, tuple(sizes.items()))
    solved = {v.view_id: v.pose_rig_from_plate for v in estimate.views} if estimate is not None else {}
    posed = [(view, solved.get(view.view_id, view.pose_rig_from_plate)) for view in views]
    fields = [
        [
            ninths(view.sightings[name].points_px, np.array(view.sightings[name].image_size_px, dtype=float))
            if name in view.sightings
            else set()
            for name in scene.cameras.names
        ]
        for view in views
    ]
    poses = [pose for _, pose in posed if pose is not None]
    seen = seen_so_far(scene, poses, fields)
    tilt = None
    if cue is not None:
        tilt = TiltMark(*lean_of(scene.bench_pose(cue.pose_rig_from_plate)[0]))
    place = cue.instruction.place if cue is not None else None
    return Coverage(seen.tilts, tilt, seen.field, place, _missing(scene, seen))


def _missing(scene: Scene, seen: SeenSoFar) -> tuple[Say, ...]:
    """Names of what can be had here and was not yet, in the order of their usual worth: the
    pictures' corners and borders, leans, upright and lying, nearer and farther."""
    can = wishes(scene).instructions
    out = []
    corners_first = sorted(Place, key=lambda p: -sum(abs(s) for s in PLACE_SIDES[p]))
    reachable = {place for i in can for place in _ninths_toward(i.place)}
    out += [
        Say("missing.place", {"place": p.value})
        for p in corners_first
        if seen.field[p] == 0 and p in reachable
    ]
    for lean in (Lean.TOP, Lean.BOTTOM, Lean.LEFT, Lean.RIGHT):
        if lean not in seen.leans and any(i.lean is lean for i in can):
            if lean in (Lean.LEFT, Lean.RIGHT):
                out.append(Say("missing.lean.side", {"side": lean.value}))
            else:
                out.append(Say(f"missing.lean.{lean.value}"))
    for roll in (Roll.UPRIGHT, Roll.LYING) if scene.can_stand_tall else ():
        if roll not in seen.rolls and any(i.roll is roll for i in can):
            out.append(Say(f"missing.{roll.value}"))
    for reach in (Reach.NEARER, Reach.FARTHER):
        if reach not in seen.reaches and any(i.reach is reach for i in can):
            out.append(Say(f"missing.{reach.value}"))
    return tuple(out)


def _ninths_toward(place: Place) -> set[Place]:
    """The ninths that a plate at `place` surely covers: its own, and those between it and the middle."""
    x, y = PLACE_SIDES[place]
    return {SIDE_PLACES[a, b] for a in {0, x} for b in {0, y}}
