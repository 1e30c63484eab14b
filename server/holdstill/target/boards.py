"""Chessboard and ChArUco boards through OpenCV, behind the same door as dots."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray, IntArray, Nothing, Picture, Plate, PlateKind, Sighting

from .charuco import charuco_board
from .orientation import upright_turn
from .outline import outline_of
from .viewmap import ViewMap, fit_view_map

_COARSE_SIDE_PX = 1400
_SIGMA_PX = 0.1
"""Standard deviation per coordinate told for every corner of a board. Corners of real boards are off
by print, paper and window (0.1-0.15 px, measured on 26 photographs of Debian's opencv-doc) more than
by noise; what a view's own smooth map leaves over is mostly lens, so it must not weigh the views."""


def find_board(image: Picture, grey: NDArray[np.uint8], plate: Plate, *, camera: str) -> Sighting | Nothing:
    """A chessboard or ChArUco board in one picture.

    image
        (H, W) as the camera gave it; `grey`: the same as 8 bits.

    Corners are refined by OpenCV's gradient method (Förstner & Gülch 1987) in a window that follows
    the smallest square side seen.  Returns a `Sighting` or `Nothing`.
    """
    if plate.kind is PlateKind.CHARUCO:
        found = _charuco_corners(grey, plate)
    else:
        found = _chessboard_corners(grey, plate)
    if isinstance(found, Nothing):
        return found
    ids, corners = found
    side = _smallest_side_px(plate, ids, corners)
    share = limit("target_corner_window_share")
    if plate.markers:
        share = min(share, 0.35 * (1 - plate.markers[0].side_mm / plate.pitch_mm))
    half = int(np.clip(round(share * side), 2, 15))
    work = grey if image.dtype == np.uint8 else image.astype(np.float32)
    refined = cv2.cornerSubPix(
        work, corners.astype(np.float32)[:, None, :].copy(), (half, half), (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-4),
    ).reshape(-1, 2).astype(np.float64)  # fmt: skip
    return _board_sighting(grey, plate, ids, refined, half=half, side=side, camera=camera)


def _chessboard_corners(grey: NDArray[np.uint8], plate: Plate) -> tuple[IntArray, FloatArray] | Nothing:
    size = (plate.columns, plate.rows)
    factor = max(1, int(np.ceil(max(grey.shape) / _COARSE_SIDE_PX)))
    small = (
        grey
        if factor == 1
        else cv2.resize(grey, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    )
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    found, corners = cv2.findChessboardCorners(small, size, flags=flags)
    if not found:
        found, corners = cv2.findChessboardCornersSB(small, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found:
        return Nothing("no board", {"needed": plate.point_count})
    points = np.asarray(corners).reshape(-1, 2).astype(np.float64) * factor + (factor - 1) / 2
    grid = points.reshape(plate.rows, plate.columns, 2)
    order = np.arange(plate.point_count).reshape(plate.rows, plate.columns)
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if across[0] * down[1] - across[1] * down[0] < 0:
        grid, order = grid[:, ::-1], order[:, ::-1]
    if plate.rows == plate.columns:
        order = _square_turn(grey, plate, grid, order)
    elif _first_square_is_white(grey, plate, grid) and (plate.columns + plate.rows) % 2 == 1:
        order = order[::-1, ::-1]
    ids = order.ravel().astype(np.int32)
    turned = plate.turned_ids()
    if turned is not None and upright_turn(plate, ids, points):
        ids = turned[ids]
    sort = np.argsort(ids)
    return ids[sort], points[sort]


def _square_turn(
    grey: NDArray[np.uint8], plate: Plate, grid: FloatArray, order: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Numbering of a board with equal counts: the quarter turn whose first square is black (odd
    counts) and whose rows run right and down."""
    best, chosen = -np.inf, order
    for turn in range(4):
        turned = np.rot90(grid, turn)
        if plate.columns % 2 == 1 and _first_square_is_white(grey, plate, turned):
            continue
        x, y = turned[0, -1] - turned[0, 0], turned[-1, 0] - turned[0, 0]
        upright = x[0] / np.hypot(*x) + y[1] / np.hypot(*y)
        if upright > best:
            numbers = np.empty_like(order)
            np.rot90(numbers, turn)[:] = np.arange(plate.point_count).reshape(order.shape)
            best, chosen = upright, numbers
    return chosen


def _first_square_is_white(grey: NDArray[np.uint8], plate: Plate, grid: FloatArray) -> bool:
    """True when the square between the first four inner corners is white.

    It is taken to be black on the plate, as ``holdstill target`` draws it; that tells the two ends
    of a board with one even and one odd count apart.
    """
    middles = (grid[:-1, :-1] + grid[1:, :-1] + grid[:-1, 1:] + grid[1:, 1:]) / 4
    parity = np.add.outer(np.arange(plate.rows - 1), np.arange(plate.columns - 1)) % 2 == 0
    x = np.clip(np.round(middles[..., 0]).astype(int), 1, grey.shape[1] - 2)
    y = np.clip(np.round(middles[..., 1]).astype(int), 1, grey.shape[0] - 2)
    level = cv2.blur(grey, (3, 3))[y, x].astype(np.float64)
    return bool(np.median(level[parity]) > np.median(level[~parity]))


def _charuco_corners(grey: NDArray[np.uint8], plate: Plate) -> tuple[IntArray, FloatArray] | Nothing:
    factor = max(1, int(np.ceil(max(grey.shape) / (2 * _COARSE_SIDE_PX))))
    small = (
        grey
        if factor == 1
        else cv2.resize(grey, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    )
    detector = cv2.aruco.CharucoDetector(charuco_board(plate))
    corners, ids, _, markers = detector.detectBoard(small)
    markers_seen = 0 if markers is None else len(markers)
    if ids is None or len(ids) < limit("target_least_points"):
        return Nothing(
            "no board" if markers_seen == 0 else "too few points",
            {"found": 0 if ids is None else len(ids), "needed": int(limit("target_least_points")),
             "markers": markers_seen},
        )  # fmt: skip
    flat = np.asarray(ids).ravel().astype(np.int32)
    points = np.asarray(corners).reshape(-1, 2).astype(np.float64) * factor + (factor - 1) / 2
    sort = np.argsort(flat)
    return flat[sort], points[sort]


def _smallest_side_px(plate: Plate, ids: IntArray, points: FloatArray) -> float:
    """Smallest distance between neighbouring corners that were both found, px."""
    at = np.full((plate.point_count, 2), np.nan)
    at[ids] = points
    grid = at.reshape(plate.rows, plate.columns, 2)
    sides = np.concatenate(
        [
            np.linalg.norm(np.diff(grid, axis=0), axis=2).ravel(),
            np.linalg.norm(np.diff(grid, axis=1), axis=2).ravel(),
        ]
    )
    sides = sides[np.isfinite(sides)]
    return float(sides.min()) if len(sides) else 12.0


def _board_sighting(
    grey: NDArray[np.uint8],
    plate: Plate,
    ids: IntArray,
    points: FloatArray,
    *,
    half: int,
    side: float,
    camera: str,
) -> Sighting | Nothing:
    height, width = grey.shape
    xy = plate.points_mm()[:, :2]
    shape_sigma = _shape_sigmas(grey, points, half)
    view, residuals = fit_view_map(xy[ids], points, (width, height), sigmas=shape_sigma)
    size = np.sqrt((residuals**2).sum(axis=1))
    typical = float(np.median(size)) / 1.1774
    if typical > limit("target_residual_share") * side:
        return Nothing("not flat", {"residual_px": round(typical, 2)})
    sigmas = np.full(len(points), _SIGMA_PX)
    suspect = size > 5 * np.maximum(sigmas, typical)
    sigmas = np.where(suspect, np.maximum(sigmas, size), sigmas)
    flags = np.where(suspect, 8, 0) | np.where(_near_border(points, (width, height), half), 2, 0)
    turned = plate.turned_ids()
    return Sighting(
        camera=camera, image_size_px=(width, height), point_ids=ids, points_px=points, sigmas_px=sigmas,
        flags=flags.astype(np.int32), missing_ids=_missing(plate, ids, view, (width, height)),
        outline_px=outline_of(plate, view), absolute=turned is None,
        blur_px=_edge_blur_px(grey, plate, ids, points),
        dot_diameter_px=_median_side_px(plate, ids, points),
        residual_px=float(np.sqrt((residuals**2).mean())),
    )  # fmt: skip


def _near_border(points: FloatArray, size: tuple[int, int], half: int) -> NDArray[np.bool_]:
    low = (points - half).min(axis=1) < 0
    high = (points[:, 0] + half > size[0] - 1) | (points[:, 1] + half > size[1] - 1)
    return np.asarray(low | high)


def _missing(plate: Plate, ids: IntArray, view: ViewMap, size: tuple[int, int]) -> IntArray:
    every = np.setdiff1d(np.arange(plate.point_count), ids)
    if len(every) == 0:
        return np.empty(0, np.int32)
    at = view(plate.points_mm()[every, :2])
    inside = (at >= 0).all(axis=1) & (at[:, 0] <= size[0] - 1) & (at[:, 1] <= size[1] - 1)
    return every[inside].astype(np.int32)


def _shape_sigmas(grey: NDArray[np.uint8], points: FloatArray, half: int) -> FloatArray:
    """Relative standard deviation of each corner: root of the mean variance that the window's
    gradients allow, for equal noise (Förstner & Gülch 1987, from memory)."""
    out = np.empty(len(points))
    height, width = grey.shape
    for i, (x, y) in enumerate(np.round(points).astype(int)):
        x0, x1 = max(x - half - 1, 0), min(x + half + 2, width)
        y0, y1 = max(y - half - 1, 0), min(y + half + 2, height)
        gy, gx = np.gradient(grey[y0:y1, x0:x1].astype(np.float64))
        a, b, c = (gx * gx).sum(), (gx * gy).sum(), (gy * gy).sum()
        out[i] = np.sqrt((a + c) / max(2 * (a * c - b * b), 1e-9))
    return np.asarray(np.minimum(out, 20 * np.median(out)))


def _median_side_px(plate: Plate, ids: IntArray, points: FloatArray) -> float:
    at = np.full((plate.point_count, 2), np.nan)
    at[ids] = points
    grid = at.reshape(plate.rows, plate.columns, 2)
    across = np.linalg.norm(np.diff(grid, axis=1), axis=2)
    return float(np.nanmedian(across)) if np.isfinite(across).any() else 0.0


def _edge_blur_px(grey: NDArray[np.uint8], plate: Plate, ids: IntArray, points: FloatArray) -> float | None:
    """Gaussian-equivalent blur of the square edges: the spread of the gradient across them, px.

    Samples lines across the middle of edges between neighbouring corners; the second moment of the
    gradient of a Gaussian-blurred step is the blur's variance.  Median over the edges.
    """
    at = np.full((plate.point_count, 2), np.nan)
    at[ids] = points
    grid = at.reshape(plate.rows, plate.columns, 2)
    a = np.concatenate([grid[:, :-1].reshape(-1, 2), grid[:-1].reshape(-1, 2)])
    b = np.concatenate([grid[:, 1:].reshape(-1, 2), grid[1:].reshape(-1, 2)])
    good = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    a, b = a[good], b[good]
    if len(a) < 4:
        return None
    along = b - a
    length = np.linalg.norm(along, axis=1)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    reach = float(np.clip(np.median(length) * 0.35, 3, 15))
    t = np.arange(-reach, reach + 0.01, 0.25)
    middle = (a + b) / 2
    maps = (middle[:, None, :] + t[None, :, None] * normal[:, None, :]).astype(np.float32)
    profile = cv2.remap(grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    slope = np.diff(profile, axis=1)
    slope *= np.sign(slope.sum(axis=1))[:, None]
    slope = np.maximum(slope - 0.08 * slope.max(axis=1, keepdims=True), 0)
    total = slope.sum(axis=1)
    ok = total > 20
    if ok.sum() < 4:
        return None
    mid = (t[1:] + t[:-1]) / 2
    mean = (slope[ok] * mid).sum(axis=1) / total[ok]
    variance = (slope[ok] * (mid[None] - mean[:, None]) ** 2).sum(axis=1) / total[ok]
    return float(np.sqrt(max(float(np.median(variance)) - 1 / 6, 0.01)))
