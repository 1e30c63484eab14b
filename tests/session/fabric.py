"""Small made-up records for tests of the session: no pictures, no solving."""

import numpy as np

from holdstill.records import (
    CameraDescription,
    Cue,
    Estimate,
    Instruction,
    Lean,
    Place,
    Plate,
    PlateKind,
    Pose,
    Quantity,
    Reach,
    Rig,
    Roll,
    Sighting,
    View,
    ViewFit,
)
from holdstill.records import events as ev

PLATE = Plate(PlateKind.DOTS, 5, 4, 12.0, dot_diameter_mm=5.0)
RIG = Rig("fork rig", (CameraDescription("left"), CameraDescription("right")), stand_off_mm=500.0)
CAMERAS = ("left", "right")
POSE = Pose((0.0, 0.0, 0.0), (0.0, 0.0, 500.0))


def sighting(camera: str, count: int = 20, shift_px: float = 0.0) -> Sighting:
    ids = np.arange(count, dtype=np.int32)
    points = np.stack([100.0 + 40 * (ids % 5) + shift_px, 100.0 + 40 * (ids // 5)], axis=1)
    missing = np.arange(count, 20, dtype=np.int32)
    corners = np.array([[90, 90], [270, 90], [270, 230], [90, 230]], dtype=np.float64)
    flags = np.zeros(count, dtype=np.int32)
    return Sighting(
        camera,
        (640, 480),
        ids,
        points,
        np.full(count, 0.05),
        flags,
        missing,
        corners,
        absolute=True,
        blur_px=1.0,
    )


def view(view_id: int, *, proof: bool = False) -> View:
    return View(
        view_id,
        f"shot {view_id:03d}",
        1000.0 * view_id,
        {c: sighting(c, shift_px=view_id) for c in CAMERAS},
        proof=proof,
        pose_rig_from_plate=POSE,
        originals={c: f"{view_id:02d}{c}" for c in CAMERAS},
    )


def cue(number: int, *, gain: float = 0.3, proof: bool = False) -> Cue:
    instruction = Instruction(Lean.TOP, 25.0, Place.LEFT, Reach.MIDDLE, Roll.LYING)
    return Cue(number, instruction, POSE, gain, "tilt", proof)


def estimate(ids: tuple[int, ...], length_um: float, goal_um: float = 5.0) -> Estimate:
    quantity = Quantity("length_um", "um", length_um, length_um, None, goal_um, gauge_mm=100.0)
    fits = tuple(ViewFit(i, POSE, {"left": 0.05, "right": 0.06}, {}) for i in ids)
    return Estimate(0.055, (), (), fits, (), (quantity,), ids, (), np.zeros((0, 0)), np.zeros((0, 0)))


def opening(*, single: bool = False) -> ev.SessionOpened:
    return ev.SessionOpened(0.0, "fork", "ab", PLATE, RIG, CAMERAS, single)


def story(views: int, *, single: bool = False, length_um: float = 3.0) -> list[ev.Event]:
    """A session that keeps so many views, each solved."""
    events: list[ev.Event] = [opening(single=single)]
    for number in range(1, views + 1):
        at = 1000.0 * number
        events.append(ev.CueSet(at, cue(number)))
        events.append(ev.ViewKept(at + 500, view(number), number))
        ids = tuple(range(1, number + 1))
        events.append(ev.Solved(at + 600, estimate(ids, length_um * views / number), ids))
    return events
