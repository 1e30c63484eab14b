"""What a session wants done next, as records for the workers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from holdstill import plan
from holdstill.limits import limit
from holdstill.records import (
    Estimate,
    FrameMeasures,
    Instruction,
    Plate,
    Pose,
    Rig,
    Step,
    View,
)
from holdstill.records.lamps import ClearSighting, GlareSighting, Lamp

from .second import STEPS
from .state import State


@dataclass(frozen=True, slots=True, eq=False)
class SolveWork:
    """Solve these views. `start` warm-starts a stream's session; folders are solved afresh, so
    that the order in which files came does not matter."""

    plate: Plate
    rig: Rig
    views: tuple[View, ...]
    cameras: tuple[str, ...]
    forced: tuple[int, ...]
    start: Estimate | None


@dataclass(frozen=True, slots=True, eq=False)
class PlanWork:
    """Choose the next pose."""

    plate: Plate
    rig: Rig
    estimate: Estimate | None
    kept_poses: tuple[Pose, ...]
    live_pose: Pose | None
    number: int
    cameras: tuple[str, ...]
    proof: bool
    plan: str
    skipped: tuple[Instruction, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    sizes_px: Mapping[str, tuple[int, int]] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ProveWork:
    """Test the solution on views it did not use (k-fold when there are none)."""

    plate: Plate
    rig: Rig
    estimate: Estimate
    views: tuple[View, ...]
    proof_views: tuple[View, ...]


@dataclass(frozen=True, slots=True, eq=False)
class RecheckWork:
    """Hold later views against the stored calibration."""

    plate: Plate
    rig: Rig
    estimate: Estimate
    views: tuple[View, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SecondWork:
    """Measure a second plate through the calibration."""

    second: Plate
    plate: Plate
    estimate: Estimate
    views: tuple[View, ...]


Work = SolveWork | PlanWork | ProveWork | RecheckWork | SecondWork


def wanted(state: State, live_pose: Pose | None = None) -> Work | None:
    """The one thing to work out next, or None. Solving comes before planning before proving."""
    if state.opened is None:
        return None
    ids = state.solve_ids()
    failed = state.failure is not None and state.failure.from_view_ids == ids
    if ids and state.estimate_from != ids and not failed:
        return SolveWork(
            state.plate,
            state.rig,
            state.standing(proof=False),
            state.cameras,
            state.forced_ids(),
            None if state.opened.single_shots else state.estimate,
        )
    second, estimate = state.second, state.estimate
    if second is not None and second.views and second.answer is None and estimate is not None:
        return SecondWork(second.described.plate, state.plate, estimate, second.views)
    if proof_due(state) and state.estimate is not None:
        return ProveWork(
            state.plate,
            state.rig,
            state.estimate,
            state.standing(proof=False),
            state.standing(proof=True),
        )
    if state.cue_spent and not state.paused and cue_due(state) and second_due(state) is None:
        return PlanWork(
            state.plate,
            state.rig,
            state.estimate,
            kept_poses(state),
            live_pose,
            state.cue_number + 1,
            state.cameras,
            state.step is Step.PROOF,
            str(state.setting("plan")),
            state.skipped,
            lamps(state),
            sizes_px(state),
        )
    return None


def cue_due(state: State) -> bool:
    """Whether this step asks for poses, and still wants some."""
    if state.step is Step.PROOF:
        return len(state.standing(proof=True)) < int(state.setting("proof_views"))
    if state.step in (Step.POSES, Step.SOLVE):
        return len(state.solve_ids()) < int(state.setting("goal_views_most"))
    return False


def second_due(state: State) -> Plate | None:
    """The second plate to look for in the next shot, instead of the session's own; None: its own."""
    second = state.second
    if second is None or not second.looking or state.estimate is None or state.paused:
        return None
    return second.described.plate if state.step in STEPS else None


def as_second(state: State, second: Plate) -> State:
    """The session as if it were of the second plate, nothing kept yet: what a shot of it is looked at by."""
    if state.opened is None:
        raise ValueError("the session has not been opened")
    opened = replace(state.opened, plate=second)
    return replace(state, opened=opened, lengths=(), entries=(), cue=None, cue_spent=True)


def proof_due(state: State) -> bool:
    """Whether enough proof views are there and have not been looked at."""
    enough = len(state.standing(proof=True)) >= int(state.setting("proof_views"))
    return state.step is Step.PROOF and enough and state.proof is None


def kept_poses(state: State) -> tuple[Pose, ...]:
    """Poses of the views that stand, by the newest solution where it has them."""
    solved = {v.view_id: v.pose_rig_from_plate for v in state.estimate.views} if state.estimate else {}
    poses = [solved.get(e.view.view_id, e.view.pose_rig_from_plate) for e in state.entries if not e.dropped]
    return tuple(p for p in poses if p is not None)


def enough(state: State) -> bool:
    """Whether the views so far reach every goal, with margin or with little to be had from more."""
    estimate = state.estimate
    if estimate is None or len(estimate.used_view_ids) < limit("enough_views"):
        return False
    if any(q.value > q.goal for q in estimate.quantities) or not estimate.quantities:
        return False
    if state.proof is not None and not state.proof.result.passed:
        return False
    if state.setting("plan") == "customary" and len(estimate.used_view_ids) < limit("customary_views"):
        return False
    if all(q.value <= limit("enough_margin") * q.goal for q in estimate.quantities):
        return True
    if state.cue is None or not cue_due(state):
        return True
    return not state.cue_spent and plan.enough(estimate, state.cue)


def sizes_px(state: State) -> dict[str, tuple[int, int]] | None:
    """Picture sizes by camera as the newest view had them; None before the first."""
    if not state.entries:
        return None
    return {c: s.image_size_px for c, s in state.entries[-1].view.sightings.items()}


@lru_cache(maxsize=4)
def lamps(state: State) -> tuple[Lamp, ...]:
    """Lamps inferred from the glare seen so far (remembered: the pages ask at every moment)."""
    sightings: list[GlareSighting] = []
    clear: list[ClearSighting] = []
    for entry in state.entries:
        view = entry.view
        if view.pose_rig_from_plate is None:
            continue
        for camera, measures in view.measures.items():
            if measures.glare:
                sightings += _glare(state.plate, camera, view.pose_rig_from_plate, measures)
            elif camera in view.sightings:
                clear.append(ClearSighting(camera, view.pose_rig_from_plate))
    for line in state.story:
        refusal = line.refusal
        if refusal is not None and refusal.pose_rig_from_plate is not None:
            for camera, measures in refusal.measures.items():
                sightings += _glare(state.plate, camera, refusal.pose_rig_from_plate, measures)
    if not sightings:
        return ()
    return tuple(
        plan.lamps(
            sightings,
            clear,
            rig=state.rig,
            estimate=state.estimate,
            cameras=state.cameras,
            plate=state.plate,
        )
    )


def _glare(plate: Plate, camera: str, pose: Pose, measures: FrameMeasures) -> list[GlareSighting]:
    """The patches on the plate; a patch's radius is that of a disc of its share of the plate."""
    width, height = plate.size_mm()
    return [
        GlareSighting(camera, pose, g.x_mm, g.y_mm, math.sqrt(g.plate_share * width * height / math.pi))
        for g in measures.glare
        if g.x_mm is not None and g.y_mm is not None
    ]


def next_step(state: State) -> Step | None:
    """The step that a stream moves on to by itself, or None to stay; from a proof that did not hold back
    to the poses, where one more view is wanted before it is tried again."""
    if state.step in (Step.POSES, Step.SOLVE) and state.cue_spent is False and enough(state):
        return Step.PROOF
    if state.step is Step.PROOF and state.proof is not None:
        return Step.HANDOVER if state.proof.result.passed else Step.POSES
    return None
