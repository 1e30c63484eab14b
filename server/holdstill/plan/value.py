"""What a pose as held is worth, whether it is new, and when it is enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import Cue, Estimate, FloatArray, Plate, Pose, Rig

from .poses import square_on
from .scene import Scene, gains, scene_of


@dataclass(frozen=True, slots=True)
class Worth:
    """What a pose is worth.

    gain
        Share of the weighted uncertainty (one sigma) that a view there takes off, 0..1.
    points_share
        Least share over the cameras of the plate's points that lie in the picture, 0..1.
    new
        False when a kept view was turned and placed alike.
    nearest, turn_deg, shift_share
        Index of the kept pose most alike (None without any), the angle to it, and how far away it
        is as a share of the picture's width.
    square_on
        No camera looks at the plate too obliquely. (Whether it is in focus the pictures tell.)
    """

    gain: float
    points_share: float
    new: bool
    nearest: int | None
    turn_deg: float
    shift_share: float
    square_on: bool


def worth(scene: Scene, kept_poses: Sequence[Pose], pose: Pose) -> Worth:
    """`Worth` of a pose (rig from plate) on top of the kept ones."""
    rotation, translation = matrices(pose)
    known = _known(scene, tuple(kept_poses))
    added = scene.information(rotation[None], translation[None])
    pixels, depths = scene.pixels(scene.dots_mm, rotation[None], translation[None])
    share = float(scene.seen(pixels, depths)[0].mean(axis=1).min())
    bench = scene.bench_pose(pose)
    nearest, turn, shift = _most_alike(scene, kept_poses, bench)
    return Worth(
        float(gains(scene, known, added)[0]),
        share,
        nearest is None or turn >= limit("same_turn_deg") or shift >= limit("same_shift_share"),
        nearest,
        turn,
        shift,
        bool(square_on(scene, bench[0][None], bench[1][None])[0]),
    )


@lru_cache(maxsize=16)
def _known(scene: Scene, kept_poses: tuple[Pose, ...]) -> FloatArray:
    return scene.known(kept_poses)


def _most_alike(
    scene: Scene, kept_poses: Sequence[Pose], bench: tuple[FloatArray, FloatArray]
) -> tuple[int | None, float, float]:
    """Index, turn (deg, the half turn within the plane counted as none) and shift (share of the field)."""
    best: tuple[float, int | None, float, float] = (math.inf, None, 180.0, math.inf)
    field = scene.stand_off_mm * float((scene.cameras.sizes_px[:, 0] / scene.cameras.lenses[:, 0]).min())
    half = np.diag([-1.0, -1.0, 1.0])
    for index, kept in enumerate(kept_poses):
        rotation, middle = scene.bench_pose(kept)
        trace = max(float(np.trace(rotation.T @ bench[0])), float(np.trace((rotation @ half).T @ bench[0])))
        turn = math.degrees(math.acos(min(1.0, max(-1.0, 0.5 * (trace - 1.0)))))
        shift = float(np.linalg.norm(middle - bench[1])) / field
        far = max(turn / limit("same_turn_deg"), shift / limit("same_shift_share"))
        if far < best[0]:
            best = (far, index, turn, shift)
    return best[1], best[2], best[3]


def worth_of(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    kept_poses: Sequence[Pose],
    pose: Pose,
    *,
    cameras: Sequence[str] = (),
) -> Worth:
    """`Worth` of a live pose or of a view about to be kept (rig from plate)."""
    return worth(scene_of(plate, rig, estimate, tuple(cameras)), kept_poses, pose)


def novel(
    plate: Plate,
    rig: Rig,
    estimate: Estimate | None,
    kept_poses: Sequence[Pose],
    pose: Pose,
    *,
    cameras: Sequence[str] = (),
) -> bool:
    """Whether a view at this pose is new: no kept one was turned and placed alike.

    For shots taken on purpose redundancy is only reported, never a reason not to keep them.
    """
    return worth_of(plate, rig, estimate, kept_poses, pose, cameras=cameras).new


def enough(estimate: Estimate | None, next_cue: Cue | None, *, least_views: int | None = None) -> bool:
    """Whether the views so far are enough: every goal met (by the larger of covariance and
    jackknife), at least `enough_views` views used, and the best next view promising less than
    `enough_gain`.  Without a next cue the promise is unknown: not enough.
    """
    if estimate is None or next_cue is None or not estimate.quantities:
        return False
    if len(estimate.used_view_ids) < (least_views or limit("enough_views")):
        return False
    if any(q.value > q.goal for q in estimate.quantities):
        return False
    return max(next_cue.gain, next_cue.best_gain) < limit("enough_gain")
