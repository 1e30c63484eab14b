"""How the cameras stand to one another, and which numbering of an ambiguous plate goes with it.

A plate that looks the same after a half turn may be numbered either way in each picture. One
picture can't tell; the relation between two cameras can, because it must be one and the same
motion in every view.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holdstill.geometry import rotation_vector
from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing

from .observations import BoolArray, IndexArray

HALF_TURN = np.diag([-1.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class MonoPoses:
    """Plate poses as each camera alone sees them: `seen` bool (C, V), `r` (C, V, 3, 3), `t`
    (C, V, 3) camera from plate; `centre_mm` (3,) the plate's middle; `radius_mm` its half diagonal."""

    seen: BoolArray
    r: FloatArray
    t: FloatArray
    centre_mm: FloatArray
    radius_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Related:
    """Camera poses in the rig frame (C, 3, 3), (C, 3) and which pictures' numbering has to be
    turned, bool (C, V)."""

    cam_r: FloatArray
    cam_t: FloatArray
    turned: BoolArray


def half_turned(r: FloatArray, t: FloatArray, centre_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Poses (..., 3, 3), (..., 3) of the plate when its numbering is turned by 180 degrees."""
    turn = r @ HALF_TURN
    return turn, t + 2.0 * (r @ centre_mm)


def relate(
    poses: MonoPoses, ambiguous: BoolArray, nominal: list[tuple[FloatArray, FloatArray]]
) -> Related | Nothing:
    """Find the cameras' poses in the first camera's frame from what each one sees.

    `ambiguous` bool (C, V): pictures whose numbering may be turned. `nominal`: described poses
    (camera from rig), used only to choose between readings that fit equally well. ``Nothing("no
    shared view")`` names a camera that shares no view with the others.
    """
    cameras = len(poses.seen)
    cam_r = np.broadcast_to(np.eye(3), (cameras, 3, 3)).copy()
    cam_t = np.zeros((cameras, 3))
    turned = np.zeros(poses.seen.shape, dtype=bool)
    placed = [0]
    while len(placed) < cameras:
        shared = {
            (a, b): int((poses.seen[a] & poses.seen[b]).sum())
            for a in placed for b in range(cameras) if b not in placed
        }
        (a, b), most = max(shared.items(), key=lambda item: item[1])
        if most == 0:
            return Nothing("no shared view", {"camera": b})
        r_ba, t_ba = _between(poses, a, b, turned, ambiguous, _relative(nominal, a, b))
        cam_r[b], cam_t[b] = r_ba @ cam_r[a], r_ba @ cam_t[a] + t_ba
        _settle_turns(poses, placed, b, cam_r, cam_t, ambiguous, turned)
        placed.append(b)
    return Related(cam_r, cam_t, turned)


def _relative(
    nominal: list[tuple[FloatArray, FloatArray]], a: int, b: int
) -> tuple[FloatArray, FloatArray]:
    (r_a, t_a), (r_b, t_b) = nominal[a], nominal[b]
    turn = r_b @ r_a.T
    return turn, t_b - turn @ t_a


def _pose(
    poses: MonoPoses, camera: int, view: IndexArray, flip: BoolArray
) -> tuple[FloatArray, FloatArray]:
    r, t = poses.r[camera][view], poses.t[camera][view]
    r2, t2 = half_turned(r, t, poses.centre_mm)
    return np.where(flip[:, None, None], r2, r), np.where(flip[:, None], t2, t)


def _candidates(
    poses: MonoPoses, a: int, b: int, shared: IndexArray, turned: BoolArray, ambiguous: BoolArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Relative poses b from a of each shared view, as read (first half) and turned (second)."""
    r_a, t_a = _pose(poses, a, shared, turned[a][shared])
    both_r, both_t = [], []
    for flip in (False, True):
        r_b, t_b = _pose(poses, b, shared, np.full(len(shared), flip))
        turn = r_b @ np.swapaxes(r_a, 1, 2)
        both_r.append(turn)
        both_t.append(t_b - np.einsum("vij,vj->vi", turn, t_a))
    may = np.concatenate(
        [np.ones(len(shared), bool), (ambiguous[a] | ambiguous[b])[shared]]
    )
    return np.concatenate(both_r), np.concatenate(both_t), may


def _gap_mm(
    poses: MonoPoses, r: FloatArray, t: FloatArray, r_other: FloatArray, t_other: FloatArray,
    at: FloatArray,
) -> FloatArray:
    """How far apart two relative poses put the plate's middle and rim, mm, as a plain sum."""
    difference = r - r_other
    # The Frobenius norm of the difference of two rotations is 2 sqrt(2) sin(angle / 2).
    length = np.sqrt((difference * difference).sum(axis=(-2, -1)))
    angle = 2.0 * np.arcsin(np.minimum(1.0, length / np.sqrt(8.0)))
    middle = (difference @ at[..., None])[..., 0] + (t - t_other)
    return np.asarray(np.linalg.norm(middle, axis=-1) * 0.3 + angle * poses.radius_mm)


def _between(
    poses: MonoPoses,
    a: int,
    b: int,
    turned: BoolArray,
    ambiguous: BoolArray,
    nominal: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """The relative pose that most shared views agree on."""
    shared = np.flatnonzero(poses.seen[a] & poses.seen[b])
    r, t, may = _candidates(poses, a, b, shared, turned, ambiguous)
    count = len(shared)
    _, t_a = _pose(poses, a, shared, turned[a][shared])
    r_a, _ = _pose(poses, a, shared, turned[a][shared])
    middles = np.einsum("vij,j->vi", r_a, poses.centre_mm) + t_a
    gaps = np.full((2 * count, 2, count), np.inf)
    for flip in range(2):
        part = slice(flip * count, (flip + 1) * count)
        each = _gap_mm(
            poses, r[:, None], t[:, None], r[None, part], t[None, part], middles[None]
        )
        gaps[:, flip] = np.where(may[None, part], each, np.inf)
    nearest = gaps.min(axis=1)
    score = np.where(may, np.median(nearest, axis=1), np.inf)
    from_nominal = np.linalg.norm(rotation_vector(r @ nominal[0].T), axis=1)
    close = score <= 2.0 * score.min() + 0.02 * poses.radius_mm
    best = int(np.argmin(np.where(close, from_nominal, np.inf)))
    family = close & (_gap_mm(poses, r, t, r[best], t[best], middles[best % count])
                      < 0.5 * poses.radius_mm)
    best = int(np.argmin(np.where(family, score, np.inf)))
    flips = gaps[best].argmin(axis=0)
    agreeing = nearest[best] <= 3.0 * np.median(nearest[best]) + 1e-9
    chosen = (flips * count + np.arange(count))[agreeing]
    u, _, vt = np.linalg.svd(r[chosen].sum(axis=0))
    mean = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    moved = t[chosen] + np.einsum("vij,vj->vi", r[chosen] - mean, middles[agreeing])
    return mean, np.median(moved, axis=0)


def _settle_turns(
    poses: MonoPoses,
    placed: list[int],
    b: int,
    cam_r: FloatArray,
    cam_t: FloatArray,
    ambiguous: BoolArray,
    turned: BoolArray,
) -> None:
    """Mark the views of camera `b` to be turned so that they agree with a placed camera."""
    open_views = poses.seen[b].copy()
    for a in placed:
        shared = np.flatnonzero(open_views & poses.seen[a])
        if len(shared) == 0:
            continue
        turn = cam_r[b] @ cam_r[a].T
        shift = cam_t[b] - turn @ cam_t[a]
        r, t, may = _candidates(poses, a, b, shared, turned, ambiguous)
        count = len(shared)
        r_a, t_a = _pose(poses, a, shared, turned[a][shared])
        middles = np.einsum("vij,j->vi", r_a, poses.centre_mm) + t_a
        gap = _gap_mm(poses, r, t, turn, shift, np.concatenate([middles, middles]))
        turned[b][shared] = may[count:] & (gap[count:] < gap[:count])
        open_views[shared] = False


def _spread(poses: MonoPoses, a: int, b: int, ambiguous: BoolArray) -> float:
    """How far the shared views disagree about b from a: median gap to the reading most agree on, mm."""
    shared = np.flatnonzero(poses.seen[a] & poses.seen[b])
    none = np.zeros(poses.seen.shape, dtype=bool)
    r, t, may = _candidates(poses, a, b, shared, none, ambiguous)
    count = len(shared)
    middles = np.einsum("vij,j->vi", poses.r[a][shared], poses.centre_mm) + poses.t[a][shared]
    gaps = np.stack([
        np.where(may[None, part], _gap_mm(
            poses, r[:, None], t[:, None], r[None, part], t[None, part], middles[None]), np.inf)
        for part in (slice(0, count), slice(count, 2 * count))
    ])
    score = np.median(gaps.min(axis=0), axis=1)
    return float(score[may].min())


def mirrored_camera(poses: MonoPoses, ambiguous: BoolArray, width_mm: float) -> int | None:
    """The camera whose pictures are mirrored left to right, None when there is none.

    A mirrored picture of a plain lattice is found and numbered like any other, and its camera fits
    by itself; but no single motion relates it to the others, unless its poses are read mirrored.
    With two cameras it can't be told which of them is mirrored: the second is named.
    """
    flip = np.diag([-1.0, 1.0, 1.0])
    for b in range(1, len(poses.seen)):
        a = 0
        if (poses.seen[a] & poses.seen[b]).sum() < 4:
            continue
        as_read = _spread(poses, a, b, ambiguous)
        if as_read < 0.02 * poses.radius_mm:
            continue
        r, t = poses.r.copy(), poses.t.copy()
        r[b] = flip @ poses.r[b] @ flip
        t[b] = (poses.t[b] + poses.r[b] @ np.array([width_mm, 0.0, 0.0])) @ flip
        other = MonoPoses(poses.seen, r, t, poses.centre_mm, poses.radius_mm)
        if _spread(other, a, b, ambiguous) < limit("solve_mirror_ratio") * as_read:
            return b
    return None
