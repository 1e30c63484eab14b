"""What pictures tell about the rig itself: the plate's room, the cameras' aim, whether they are warm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.measure.lighting import Aim, aim, plate_room
from holdstill.measure.routine import warm_up
from holdstill.records import AimView, Plate, Rig, RigSetup, RoomView, Say, Sighting, Step, WarmView


@dataclass(frozen=True, slots=True, eq=False)
class RigWatch:
    """What was seen of the rig. Disposable.

    aims
        camera -> aim against the first one, from the specimen (a closer look); a plate in view goes
        before it. `drift`: camera -> (minutes, shift px (x, y)) of a still scene since watching began.
    """

    aims: Mapping[str, Aim] = field(default_factory=dict)
    drift: Mapping[str, tuple[tuple[float, tuple[float, float]], ...]] = field(default_factory=dict)
    unseen: bool = True
    """True until a scene that stands still was in view."""


def with_drift(
    watch: RigWatch, at_min: float, shifts_px: Mapping[str, tuple[float, float] | None]
) -> RigWatch:
    """The watch with one more look at a still scene; None for a camera begins its watch anew."""
    drift = dict(watch.drift)
    for camera, shift in shifts_px.items():
        if shift is None:
            drift[camera] = ((at_min, (0.0, 0.0)),)
        else:
            drift[camera] = (*drift.get(camera, ()), (at_min, shift))[-400:]
    return replace(watch, drift=drift, unseen=False)


def rig_setup(
    watch: RigWatch, sightings: Mapping[str, Sighting], cameras: Sequence[str], plate: Plate, rig: Rig
) -> RigSetup:
    """What the Rig page tells from pictures."""
    return RigSetup(
        rooms=tuple(_room(c, sightings[c], plate, rig) for c in cameras if c in sightings),
        aims=_aims(watch, sightings, cameras),
        warmth=tuple(_warm(watch, c) for c in cameras),
    )


def _room(camera: str, sighting: Sighting, plate: Plate, rig: Rig) -> RoomView:
    c = next((c for c in rig.cameras if c.name == camera), None)
    depth = None
    described = c is not None and c.focal_mm and c.f_number and c.pixel_um
    if c is not None and described and rig.stand_off_mm and rig.stand_off_mm > (c.focal_mm or 0.0):
        blur_mm = limit("plan_blur_px") * (c.pixel_um or 0.0) / 1000.0
        depth = optics.depth_of_field(c.focal_mm or 0.0, c.f_number or 0.0, rig.stand_off_mm, blur_mm)
    room = plate_room(sighting, plate, stand_off_mm=rig.stand_off_mm, depth=depth)
    return RoomView(camera, room.coverage, room.verdict, room.room_to_tilt_deg, room.sharp_tilt_deg)


def _aims(watch: RigWatch, sightings: Mapping[str, Sighting], cameras: Sequence[str]) -> tuple[AimView, ...]:
    if len(cameras) < 2:
        return ()
    first, out = cameras[0], []
    for camera in cameras[1:]:
        found: object = watch.aims.get(camera)
        by = "specimen"
        if first in sightings and camera in sightings:
            seen = aim(sightings[first], sightings[camera])
            if isinstance(seen, Aim):
                found, by = seen, "plate"
        if isinstance(found, Aim):
            out.append(_aim_view(camera, first, found, by))
    return tuple(out)


def _aim_view(camera: str, first: str, seen: Aim, by: str) -> AimView:
    """What to turn. Pictures' y runs down: what the second camera sees lower than the first does, it
    must be tipped down for; a picture turned clockwise belongs to a camera turned anticlockwise."""
    says = []
    if abs(seen.roll_deg) > limit("aim_roll_deg"):
        way = "anticlockwise" if seen.roll_deg < 0 else "clockwise"
        says.append(Say(f"aim.roll.{way}", {"camera": camera, "degrees": round(2 * abs(seen.roll_deg)) / 2}))
    if abs(seen.shift_y_px) > limit("aim_shift_px"):
        way = "down" if seen.shift_y_px > 0 else "up"
        says.append(Say(f"aim.tip.{way}", {"camera": camera, "px": round(abs(seen.shift_y_px), -1)}))
    if abs(seen.shift_x_px) > limit("aim_shift_px"):
        way = "right" if seen.shift_x_px > 0 else "left"
        says.append(Say(f"aim.swing.{way}", {"camera": camera, "px": round(abs(seen.shift_x_px), -1)}))
    if seen.overlap < limit("aim_overlap"):
        says.append(Say("aim-overlap", {"percent": 100.0 * seen.overlap}))
    return AimView(
        camera,
        first,
        seen.shift_x_px,
        seen.shift_y_px,
        seen.height_px,
        seen.roll_deg,
        seen.overlap,
        tuple(says),
        by,
    )


def _warm(watch: RigWatch, camera: str) -> WarmView:
    seen = watch.drift.get(camera, ())
    if watch.unseen or not seen:
        return WarmView(camera, "unseen")
    minutes = seen[-1][0] - seen[0][0]
    warmth = warm_up([t for t, _ in seen], [s for _, s in seen])
    if warmth is None:
        return WarmView(camera, "watching", None, minutes)
    if warmth.settled:
        return WarmView(camera, "settled", warmth.drift_px_per_min, minutes)
    sure = warmth.drift_px_per_min - 2 * warmth.sigma_px_per_min > limit("warm_drift_px_per_min")
    state = "drifting" if sure and math.isfinite(warmth.sigma_px_per_min) else "watching"
    return WarmView(camera, state, warmth.drift_px_per_min, minutes)


def warm_note(watch: RigWatch, step: Step) -> Say | None:
    """What the list of steps tells of the warm-up, until it has settled: beside the Rig step, and beside
    Poses, which should not begin before."""
    states = {_warm(watch, camera).state for camera in watch.drift}
    if step not in (Step.RIG, Step.POSES) or not states or states == {"settled"}:
        return None if step is not Step.RIG or states != {"settled"} else Say("note.warm")
    return Say("note.warming") if "drifting" in states else None
