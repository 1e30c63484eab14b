"""The next cue, as the session asks for it."""

from __future__ import annotations

from holdstill import plan
from holdstill.records import Cue, Nothing
from holdstill.session import PlanWork


def plan_next(work: PlanWork) -> Cue | Nothing:
    """The cue to follow now; proof cues are marked so that the solve never uses their views."""
    return plan.choose(
        work.plate,
        work.rig,
        work.estimate,
        work.kept_poses,
        live_pose=work.live_pose,
        number=work.number,
        cameras=work.cameras,
        sizes_px=work.sizes_px,
        lamps=work.lamps,
        avoid=work.skipped,
        proof=work.proof,
        plan=work.plan,
    )
