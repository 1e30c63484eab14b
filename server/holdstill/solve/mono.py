"""One camera by itself: the start of every solve, and each camera's own residual."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray, Nothing

from .bundle import BundleNormals, Layout, State, evaluate, move
from .descent import Descent, descend
from .observations import BoolArray, Pictures
from .start import focal_px, homographies, mirrored, plane_poses, settle

LENS_ORDERS: dict[str, tuple[int, ...]] = {
    "none": (0, 1, 2, 3),
    "k1": (0, 1, 2, 3, 4),
    "k1 k2": (0, 1, 2, 3, 4, 5),
    "k1 p1 p2": (0, 1, 2, 3, 4, 6, 7),
    "k1 k2 p1 p2": (0, 1, 2, 3, 4, 5, 6, 7),
    "k1 k2 k3 p1 p2": (0, 1, 2, 3, 4, 5, 6, 7, 8),
}
"""Lens models by name: which of the nine lens parameters are free."""

HUBER = 2.0
"""Sigmas where Huber's cost turns linear while walking in; the last steps are least squares."""


def order_mask(order: str) -> BoolArray:
    """Which of the nine lens parameters an order frees, bool (9,)."""
    mask = np.zeros(9, dtype=bool)
    mask[list(LENS_ORDERS[order])] = True
    return mask


@dataclass(frozen=True, slots=True, eq=False)
class Mono:
    """One camera's adjustment: lens (9,), its pictures' poses, rms (px) over its used points."""

    lens: FloatArray
    view_r: FloatArray
    view_t: FloatArray
    rms_px: float
    steps: int
    converged: bool


def rms_px(residual: FloatArray, weight: FloatArray) -> float:
    """Root of the mean of dx^2 + dy^2 over used points; 0 when there are none."""
    used = weight > 0.0
    count = int(used.sum())
    return float(np.sqrt((residual**2).sum(axis=1)[used].sum() / count)) if count else 0.0


def adjust(
    pictures: Pictures,
    state: State,
    layout: Layout,
    *,
    huber: float | None = None,
    max_steps: int = 60,
    tolerance: float = 1e-4,
) -> Descent[State, BundleNormals]:
    """Walk a whole adjustment downhill (see ``descent.descend``)."""
    unknowns = layout.rig_size + 6 * pictures.views
    return descend(
        state,
        lambda at: evaluate(pictures, at, layout, huber),
        lambda at, change: move(at, change, layout),
        degrees_of_freedom=2 * pictures.count - unknowns,
        max_steps=max_steps,
        tolerance=tolerance,
    )


def solve_mono(
    pictures: Pictures,
    size_px: tuple[int, int],
    focal_hint_px: float | None,
    order: str,
    *,
    huber: float | None = None,
    tolerance: float = 1e-4,
) -> Mono | Nothing:
    """Adjust one camera from nothing.

    Starts tried in turn: the focal length from the homographies, and, unless the views agree on that
    and it descends to a believable fit, the described one and a spread of common ones; the best fit
    is kept. ``Nothing("no convergence")``
    when none does.
    """
    maps = homographies(pictures.points_mm, pictures.pixels, pictures.weight)
    seen, sure = focal_px(maps, size_px)
    longest = float(max(size_px))
    guesses = [g for g in (seen, focal_hint_px, 1.2 * longest, 3.0 * longest, 0.7 * longest) if g]
    best: Mono | None = None
    for guess in guesses:
        found = _from_focal(pictures, maps, size_px, guess, order, huber, tolerance)
        if found is None:
            continue
        if best is None or found.rms_px < best.rms_px:
            best = found
        if sure and found.converged and found.rms_px < 2e-3 * longest:
            break
    if best is None:
        return Nothing("no convergence", {"starts": len(guesses)})
    return best


def _from_focal(
    pictures: Pictures,
    maps: FloatArray,
    size_px: tuple[int, int],
    focal: float,
    order: str,
    huber: float | None,
    tolerance: float,
) -> Mono | None:
    lens = np.array([focal, focal, (size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0, 0, 0, 0, 0, 0])
    view_r, view_t = plane_poses(maps, lens)
    if not (np.isfinite(view_r).all() and np.isfinite(view_t).all()):
        return None
    none = np.zeros((0, len(pictures.points_mm), 3))
    layout = Layout(order_mask(order)[None], none, pictures.views)
    state = State(lens[None], np.eye(3)[None], np.zeros((1, 3)), view_r, view_t, np.zeros(0))
    first = adjust(pictures, state, layout, huber=huber, tolerance=tolerance)
    state, normals, steps = first.state, first.normals, first.steps
    if not np.isfinite(normals.cost):
        return None
    state, switched = _better_side(pictures, state, none, normals)
    if switched:
        again = adjust(pictures, state, layout, huber=huber, tolerance=tolerance)
        state, normals, steps = again.state, again.normals, steps + again.steps
    return Mono(
        state.lenses[0], state.view_r, state.view_t,
        rms_px(normals.residual, pictures.weight * (normals.robust > 0.99)), steps, first.converged,
    )


def _better_side(
    pictures: Pictures, state: State, none: FloatArray, normals: BundleNormals
) -> tuple[State, bool]:
    """Try the mirrored depth of views that fit worse than the rest; tells whether one was taken."""
    each = ((normals.residual**2).sum(axis=1) * pictures.weight**2 * normals.robust).sum(axis=1)
    per_point = each / np.maximum(1, (pictures.weight > 0).sum(axis=1))
    odd = per_point > 4.0 * np.median(per_point)
    if not odd.any():
        return state, False
    some = pictures.only(odd)
    turn, at = mirrored(
        state.view_r[some.view], state.view_t[some.view], pictures.points_mm.mean(axis=0)
    )
    view_r, view_t = state.view_r.copy(), state.view_t.copy()
    view_r[some.view], view_t[some.view] = turn, at
    other, costs = settle(some, State(
        state.lenses, state.cam_r, state.cam_t, view_r, view_t, state.shape), none, huber=HUBER)
    better = np.zeros(pictures.views, dtype=bool)
    better[pictures.view] = odd & (costs[pictures.view] < 0.5 * each)
    return State(
        state.lenses, state.cam_r, state.cam_t,
        np.where(better[:, None, None], other.view_r, state.view_r),
        np.where(better[:, None], other.view_t, state.view_t), state.shape,
    ), bool(better.any())


def valley_rise(pictures: Pictures, state: State, camera: int, factor: float, order: str) -> float:
    """How much the cost of one camera by itself rises when its focal length is held `factor` times
    longer and everything else may follow. About 9 variance factors per three sigmas where the
    problem is linear; near zero or negative in a flat valley."""
    own = pictures.only((pictures.camera == camera) & (pictures.weight > 0).any(axis=1))
    count = len(own.camera)
    r, t = state.cam_r[camera], state.cam_t[camera]
    view_r, view_t = r @ state.view_r[own.view], state.view_t[own.view] @ r.T + t
    own = Pictures(
        np.zeros(count, dtype=np.int32), np.arange(count, dtype=np.int32), own.pixels, own.weight,
        own.points_mm, 1, count,
    )
    held = order_mask(order)
    held[:2] = False
    layout = Layout(held[None], np.zeros((0, len(own.points_mm), 3)), count)
    costs = []
    for times in (1.0, factor):
        lens = state.lenses[camera] * np.array([times, times, 1, 1, 1, 1, 1, 1, 1])
        at = view_t * np.array([1.0, 1.0, times])
        begin = State(lens[None], np.eye(3)[None], np.zeros((1, 3)), view_r, at, np.zeros(0))
        costs.append(adjust(own, begin, layout, tolerance=0.05).normals.cost)
    return costs[1] - costs[0]
