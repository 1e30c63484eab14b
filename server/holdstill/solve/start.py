"""A start from nothing: homographies, focal lengths, view poses. No guesses asked of the user."""

from __future__ import annotations

import numpy as np

from holdstill.geometry import rotation_matrix, undistort
from holdstill.records import FloatArray

from .bundle import Layout, State, evaluate, places
from .observations import BoolArray, Pictures


def homographies(points_mm: FloatArray, pixels: FloatArray, weight: FloatArray) -> FloatArray:
    """Homographies (G, 3, 3) from plate x, y (mm) to `pixels` (G, P, 2), last entry one.

    Direct linear transform with both sides brought to unit spread, weighted by `weight` (G, P).
    Source: R. Hartley, IEEE PAMI 19 (1997) 580-593 (from memory).
    """
    w = (weight > 0.0).astype(np.float64)
    total = np.maximum(w.sum(axis=1), 1.0)
    plane = np.broadcast_to(points_mm[:, :2], (*weight.shape, 2))

    def unit(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        centre = (at * w[:, :, None]).sum(axis=1) / total[:, None]
        spread = (((at - centre[:, None]) ** 2) * w[:, :, None]).sum(axis=(1, 2)) / total
        scale = np.sqrt(2.0 / np.maximum(spread, 1e-300))
        to_unit = np.zeros((len(w), 3, 3))
        to_unit[:, 0, 0] = to_unit[:, 1, 1] = scale
        to_unit[:, :2, 2] = -scale[:, None] * centre
        to_unit[:, 2, 2] = 1.0
        return (at - centre[:, None]) * scale[:, None, None], to_unit

    a, from_plane = unit(plane)
    b, from_pixels = unit(pixels)
    h = np.concatenate([a, np.ones((*w.shape, 1))], axis=2) * w[:, :, None]
    rows = np.zeros((len(w), 2, w.shape[1], 9))
    rows[:, 0, :, 0:3] = rows[:, 1, :, 3:6] = h
    rows[:, 0, :, 6:9] = -b[:, :, :1] * h
    rows[:, 1, :, 6:9] = -b[:, :, 1:] * h
    flat = rows.reshape(len(w), -1, 9)
    _, vectors = np.linalg.eigh(np.swapaxes(flat, 1, 2) @ flat)
    found = vectors[:, :, 0].reshape(-1, 3, 3)
    found = np.linalg.inv(from_pixels) @ found @ from_plane
    last = found[:, 2:, 2:]
    return np.asarray(found / np.where(np.abs(last) < 1e-300, 1e-300, last))


def plane_misfit(points_mm: FloatArray, pixels: FloatArray, weight: FloatArray) -> FloatArray:
    """How far pictures are from any plane's: rms distance (px) from the best homography, over the
    spacing of nearest points there (G,). Lens distortion stays below a tenth."""
    used = weight > 0.0
    count = np.maximum(used.sum(axis=1), 1)
    maps = homographies(points_mm, pixels, weight)
    flat = np.c_[points_mm[:, :2], np.ones(len(points_mm))]
    seen = np.swapaxes(maps @ flat.T, 1, 2)
    depth = np.where(np.abs(seen[:, :, 2]) < 1e-9, 1e-9, seen[:, :, 2])
    off = np.where(used[:, :, None], pixels - seen[:, :, :2] / depth[:, :, None], 0.0)
    off = np.clip(off, -1e6, 1e6)

    def area(at: FloatArray) -> FloatArray:
        centred = (at - (at * used[:, :, None]).sum(axis=1, keepdims=True) / count[:, None, None])
        centred = centred * used[:, :, None]
        return np.asarray(np.sqrt(np.maximum(
            np.linalg.det(np.swapaxes(centred, 1, 2) @ centred), 0.0)) / count)

    plane = np.broadcast_to(points_mm[:, :2], pixels.shape)
    gaps = np.linalg.norm(points_mm[1:, :2] - points_mm[:1, :2], axis=1)
    scale = np.sqrt(area(pixels) / np.maximum(area(plane), 1e-12))
    rms = np.sqrt((off**2).sum(axis=(1, 2)) / count)
    return np.asarray(rms / np.maximum(scale * gaps.min(initial=np.inf), 1e-9))


def focal_px(maps: FloatArray, size_px: tuple[int, int]) -> tuple[float | None, bool]:
    """Focal length (px) of a camera with square pixels and its axis in the picture's centre, and
    whether the views agree on it within a fifth.

    From homographies (G, 3, 3): the two plate axes are perpendicular and equally long. None when
    no view is tilted enough to tell. Source: Z. Zhang, IEEE PAMI 22 (2000) 1330-1334, section 3.1
    with the principal point held (from memory).
    """
    centre = np.array([(size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0])
    shifted = maps.copy()
    shifted[:, :2] -= centre[:, None] * maps[:, 2:]
    shifted = shifted / np.linalg.norm(shifted[:, :, :2], axis=(1, 2), keepdims=True)
    h1, h2 = shifted[:, :, 0], shifted[:, :, 1]
    left = np.concatenate(
        [(h1[:, :2] * h2[:, :2]).sum(axis=1), (h1[:, :2] ** 2 - h2[:, :2] ** 2).sum(axis=1)]
    )
    right = -np.concatenate([h1[:, 2] * h2[:, 2], h1[:, 2] ** 2 - h2[:, 2] ** 2])
    strength = float(left @ left)
    inverse_f2 = float(left @ right) / max(strength, 1e-300)
    if strength < 1e-12 or inverse_f2 <= 0.0:
        return None, False
    scatter = float(np.mean((right - left * inverse_f2) ** 2) / strength) ** 0.5
    focal = inverse_f2**-0.5
    longest = float(max(size_px))
    inside = 0.3 * longest < focal < 40.0 * longest
    return (focal if inside else None), inside and scatter < 0.4 * inverse_f2


def plane_poses(maps: FloatArray, lens: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Plate poses (G, 3, 3), (G, 3) in the camera frame from homographies, distortion ignored.

    Source: Zhang (2000), section 3.1, orthogonalised by singular values (from memory).
    """
    fx, fy, cx, cy = lens[:4]
    inverse = np.array([[1 / fx, 0, -cx / fx], [0, 1 / fy, -cy / fy], [0, 0, 1.0]])
    columns = inverse @ maps
    columns = columns / np.abs(columns).max(axis=(1, 2), keepdims=True)
    lengths = np.maximum(np.linalg.norm(columns[:, :, :2], axis=1), 1e-12)
    columns = columns / np.sqrt(lengths[:, 0] * lengths[:, 1])[:, None, None]
    columns = columns * np.where(columns[:, 2:, 2:] < 0.0, -1.0, 1.0)
    first, second = columns[:, :, 0], columns[:, :, 1]
    u, _, vt = np.linalg.svd(np.stack([first, second, np.cross(first, second)], axis=2))
    turn = u @ vt
    turn = np.where(np.linalg.det(turn)[:, None, None] < 0.0, -turn, turn)
    return turn, columns[:, :, 2]


def mirrored(
    view_r: FloatArray, view_t: FloatArray, centre_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The other pose that looks almost the same from afar: depth about the plate's centre mirrored.

    Poses in the camera frame (G, 3, 3), (G, 3). Source: D. Oberkampf, D. DeMenthon & L. Davis,
    CVIU 63 (1996) 495-511 (from memory).
    """
    centre = view_r @ centre_mm + view_t
    sight = centre / np.linalg.norm(centre, axis=1, keepdims=True)
    flip = 2.0 * sight[:, :, None] * sight[:, None, :] - np.eye(3)
    turn = flip @ view_r @ np.diag([-1.0, -1.0, 1.0])
    return turn, centre - turn @ centre_mm


def settle(
    pictures: Pictures, state: State, basis: FloatArray, *, steps: int = 12, huber: float | None = None
) -> tuple[State, FloatArray]:
    """Best view poses for lenses and camera poses held fixed, and each view's cost (V,).

    Every view walks on its own, with its own damping (Levenberg-Marquardt).
    """
    lens_free = np.zeros((len(state.lenses), 9), dtype=bool)
    layout = Layout(lens_free, basis, pictures.views, poses_free=False)
    damping = np.full(pictures.views, 1e-3)
    normals = evaluate(pictures, state, layout, huber)
    costs = view_costs(pictures, normals.residual, normals.robust)
    for _ in range(steps):
        lifted = normals.b + damping[:, None, None] * normals.b * np.eye(6)
        lifted = lifted + 1e-300 * np.eye(6)
        change = np.asarray(
            np.linalg.solve(lifted + _empty_diagonal(lifted), normals.gb[:, :, None])[:, :, 0], np.float64
        )
        trial = _moved_views(state, change)
        trial_normals = evaluate(pictures, trial, layout, huber)
        trial_costs = view_costs(pictures, trial_normals.residual, trial_normals.robust)
        trial_costs = np.where(_in_front(pictures, trial), trial_costs, np.inf)
        better = trial_costs < costs
        damping = np.where(better, damping * 0.1, damping * 8.0)
        gained = np.where(better, costs - trial_costs, 0.0)
        state = State(
            state.lenses, state.cam_r, state.cam_t,
            np.where(better[:, None, None], trial.view_r, state.view_r),
            np.where(better[:, None], trial.view_t, state.view_t),
            state.shape,
        )
        costs = np.where(better, trial_costs, costs)
        if not better.any() or np.all(gained <= 1e-6 * costs + 1e-18):
            break
        normals = trial_normals if better.all() else evaluate(pictures, state, layout, huber)
    return state, costs


def _empty_diagonal(matrices: FloatArray) -> FloatArray:
    empty = np.einsum("vii->v", matrices) < 1e-200
    return np.asarray(empty[:, None, None] * np.eye(6))


def _moved_views(state: State, change: FloatArray) -> State:
    return State(
        state.lenses, state.cam_r, state.cam_t,
        rotation_matrix(change[:, :3]) @ state.view_r, state.view_t + change[:, 3:], state.shape,
    )


def _in_front(pictures: Pictures, state: State) -> BoolArray:
    points, turn, pivot, _, cam_t = places(pictures, state, np.zeros((0, 1, 3)))
    z = turn[:, 2] @ points.T + (pivot + cam_t)[:, 2:]
    bad = ((z <= 0.0) & (pictures.weight > 0.0)).any(axis=1)
    return np.asarray(np.bincount(pictures.view[bad], minlength=pictures.views) == 0)


def view_costs(pictures: Pictures, residual: FloatArray, robust: FloatArray) -> FloatArray:
    """Weighted sum of squares of each view (V,)."""
    each = ((residual**2).sum(axis=1) * pictures.weight**2 * robust).sum(axis=1)
    return np.bincount(pictures.view, weights=each, minlength=pictures.views).astype(np.float64)


def resected(
    pictures: Pictures, lens: FloatArray, *, steps: int = 12, huber: float | None = None
) -> tuple[State, FloatArray]:
    """Poses of each picture in its own camera's frame (one camera) for a known lens.

    Both depth readings of each picture are followed and the better one kept.
    """
    directions, holds = undistort(lens, pictures.pixels.reshape(-1, 2))
    flat = directions.reshape(pictures.pixels.shape)
    weight = pictures.weight * holds.reshape(pictures.weight.shape)
    maps = homographies(pictures.points_mm, flat, weight)
    turn, at = plane_poses(maps, np.array([1.0, 1.0, 0.0, 0.0]))
    centre = pictures.points_mm.mean(axis=0)
    other_turn, other_at = mirrored(turn, at, centre)
    twice = Pictures(
        np.zeros(2 * len(turn), dtype=np.int32),
        np.arange(2 * len(turn), dtype=np.int32),
        np.concatenate([pictures.pixels] * 2),
        np.concatenate([pictures.weight] * 2),
        pictures.points_mm, 1, 2 * len(turn),
    )
    none = np.zeros((0, len(pictures.points_mm), 3))
    both = State(
        lens[None], np.eye(3)[None], np.zeros((1, 3)),
        np.concatenate([turn, other_turn]), np.concatenate([at, other_at]), np.zeros(0),
    )
    settled, costs = settle(twice, both, none, steps=steps, huber=huber)
    count = len(turn)
    first = costs[:count] <= costs[count:]
    return State(
        lens[None], np.eye(3)[None], np.zeros((1, 3)),
        np.where(first[:, None, None], settled.view_r[:count], settled.view_r[count:]),
        np.where(first[:, None], settled.view_t[:count], settled.view_t[count:]),
        np.zeros(0),
    ), np.minimum(costs[:count], costs[count:])
