"""Troubles of the hands that only time shows: the same pose again, the plate turned, no rest to be had."""

from __future__ import annotations

import math

import numpy as np

from holdstill import plan
from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import Pose, ShotReport, Trouble

from .state import State
from .steadiness import Steadiness
from .troubles import Found
from .work import kept_poses


def turned(state: State, pose: Pose | None) -> Found | None:
    """The plate upside down against the first view, on a plate that shows which way up it is."""
    if pose is None or state.plate.turned_ids() is not None:
        return None
    kept = kept_poses(state)
    if not kept:
        return None
    off = abs((_turn_deg(pose) - _turn_deg(kept[0]) + 180.0) % 360.0 - 180.0)
    return Found(Trouble.TURNED, numbers={"turn_deg": off}) if off > limit("turned_deg") else None


def _turn_deg(pose: Pose) -> float:
    """How far the plate's rows are turned from the rig's x axis, deg."""
    rotation, _ = matrices(pose)
    return math.degrees(math.atan2(float(rotation[1, 0]), float(rotation[0, 0])))


def repeated(state: State, pose: Pose | None, report: ShotReport, still_frames: int) -> Found | None:
    """The plate held still where a kept view was, although another pose is asked for."""
    asked = state.cue is not None and not state.cue_spent
    waited = report.taken_at_ms - state.cue_at_ms > limit("same_after_ms")
    if pose is None or not asked or not waited or still_frames < limit("same_frames"):
        return None
    kept = kept_poses(state)
    worth = plan.worth(state.plate, state.rig, state.estimate, kept, pose, cameras=state.cameras)
    if worth.new:
        return None
    return Found(
        Trouble.SAME_AS_BEFORE, numbers={"turn_deg": worth.turn_deg, "shift_share": worth.shift_share}
    )


def restless(frames: int, steady: Steadiness, report: ShotReport) -> Found | None:
    """The plate where it is wished, for long, and never still: hands that tremble or an exposure too long."""
    if frames < limit("restless_frames"):
        return None
    numbers: dict[str, float | int | str] = {"travel_px": steady.worst_px}
    exposure_ms = max(report.exposure_ms.values(), default=np.nan)
    if steady.longest_ms is not None and steady.longest_ms < exposure_ms:
        numbers |= {"longest_ms": steady.longest_ms, "exposure_ms": float(exposure_ms)}
    return Found(Trouble.MOVED, numbers=numbers)
