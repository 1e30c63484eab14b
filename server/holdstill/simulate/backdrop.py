"""What stands behind the plate: a load frame with a fork in it, out of focus; and its speckle."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Pose

from .optics import SimCamera, moved
from .quick import Grid

Level = NDArray[np.float32]


def backdrop(camera: SimCamera, pose_rig_from_bench: Pose, *, seed: int = 5, behind_mm: float = 0.0) -> Level:
    """The view without plate, float32 (h, w), level of white = 1: columns, a crosshead, a fork.

    The fork's blades stand at the crossing distance plus `behind_mm` and carry speckle (dots of
    about 4 px); the rest stands 150-350 mm farther and is blurred accordingly.
    """
    width, height = camera.lens.size_px
    rng = np.random.default_rng(seed)
    wall = _wall(camera, pose_rig_from_bench, rng)
    for shape, depth, shade in _machine():
        wall = _painted(wall, camera, pose_rig_from_bench, (shape, depth, shade))
    blades, speckle = _fork(camera, pose_rig_from_bench, seed, behind_mm)
    picture = wall * (1 - blades) + blades * speckle
    return np.ascontiguousarray(picture.reshape(height, width), dtype=np.float32)


def _wall(camera: SimCamera, pose: Pose, rng: np.random.Generator) -> Level:
    width, height = camera.lens.size_px
    coarse = rng.uniform(0.045, 0.10, (6, 7)).astype(np.float32)
    wall = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(wall * np.linspace(1.15, 0.75, height, dtype=np.float32)[:, None], dtype=np.float32)


def _machine() -> list[tuple[FloatArray, float, tuple[float, float]]]:
    """(outline in bench mm, distance behind the crossing, (base level, sheen)) far to near."""

    def box(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64)

    return [
        (box(-400, -300, 400, -150), 340.0, (0.13, 0.05)),  # crosshead
        (box(-235, -400, -160, 400), 280.0, (0.20, 0.30)),  # left column
        (box(165, -400, 240, 400), 280.0, (0.20, 0.30)),  # right column
        (box(-300, 150, 300, 400), 220.0, (0.16, 0.04)),  # base
        (box(-34, -260, 34, -118), 120.0, (0.24, 0.20)),  # grip
    ]


def _painted(
    under: Level, camera: SimCamera, pose: Pose, part: tuple[FloatArray, float, tuple[float, float]]
) -> Level:
    shape, depth, shade = part
    points = np.concatenate([shape, np.full((len(shape), 1), depth)], axis=1)
    rig = moved(points, pose)
    px = camera.project(rig)
    mask = np.zeros(under.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(np.clip(px, -20000, 20000) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    sigma = float(camera.blur_sigma_px(np.array([moved(rig, camera.pose_cam_from_rig)[:, 2].mean()]))[0])
    cover = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), max(sigma, 0.6))
    x0, x1 = float(px[:, 0].min()), float(px[:, 0].max())
    u = np.clip((np.arange(under.shape[1], dtype=np.float32) - x0) / max(x1 - x0, 1), 0, 1)
    level = shade[0] * (0.45 + 0.75 * np.sin(np.pi * u)) + shade[1] * np.exp(-(((u - 0.36) / 0.07) ** 2))
    return np.asarray(under * (1 - cover) + cover * level.astype(np.float32)[None, :], dtype=np.float32)


def fork_outlines() -> list[FloatArray]:
    """Outlines of the two blades and the crown, bench mm at the crossing plane."""

    def blade(side: float) -> FloatArray:
        y = np.linspace(-70, 130, 30)
        middle = side * (27 + 5 * np.sin((y + 70) / 200 * np.pi)) + side * 0.012 * (y - 20)
        half = np.interp(y, [-70, 130], [13.5, 7.0])
        return np.concatenate(
            [np.stack([middle - half, y], axis=1), np.stack([middle + half, y], axis=1)[::-1]]
        )

    crown = np.array(
        [[-44, -66], [-40, -92], [-18, -104], [18, -104], [40, -92], [44, -66], [20, -74], [-20, -74]]
    )
    return [blade(-1.0), blade(1.0), crown.astype(np.float64)]


def _fork(camera: SimCamera, pose: Pose, seed: int, behind_mm: float) -> tuple[Level, Level]:
    """Cover of the fork and its speckled level."""
    width, height = camera.lens.size_px
    mask = np.zeros((height, width), dtype=np.uint8)
    for shape in fork_outlines():
        points = moved(np.concatenate([shape, np.full((len(shape), 1), behind_mm)], axis=1), pose)
        px = np.round(camera.project(points) * 16).astype(np.int32)
        cv2.fillPoly(mask, [px], 255, cv2.LINE_AA, 4)
    depth = float(moved(moved(np.zeros((1, 3)), pose), camera.pose_cam_from_rig)[0, 2]) + behind_mm
    sigma = float(camera.blur_sigma_px(np.array([depth]))[0])
    cover = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), sigma)
    speckle = speckle_seen(camera, pose, seed=seed, depth_mm=behind_mm)
    return np.asarray(cover, dtype=np.float32), speckle


def speckle_texture(size: int, dot_px: float, seed: int, cover: float = 0.5) -> Level:
    """A speckled surface, float32 (size, size), 0..1: random discs of about `dot_px`, half covered."""
    rng = np.random.default_rng(seed)
    grain = rng.standard_normal((size, size)).astype(np.float32)
    smooth = cv2.GaussianBlur(grain, (0, 0), dot_px / 2.6)
    edge = float(np.quantile(smooth, cover))
    spread = float(smooth.std())
    return np.asarray(np.clip((smooth - edge) / spread * 2.2 + 0.5, 0, 1), dtype=np.float32)


def speckle_seen(
    camera: SimCamera,
    pose_rig_from_bench: Pose,
    *,
    seed: int = 5,
    depth_mm: float = 0.0,
    dot_mm: float = 0.6,
    bright: float = 0.50,
    dark: float = 0.07,
    shift_px: FloatArray | None = None,
) -> Level:
    """A flat speckled specimen at the crossing plane (bench z = `depth_mm`), as a camera sees it.

    float32 (h, w), level of white = 1, blurred for its distance from the focus.  `shift_px`: extra
    apparent motion, (2,) for the whole picture or (h, w, 2) per pixel (shimmer).
    """
    width, height = camera.lens.size_px
    lens = camera.lens_now()
    scale_mm = (
        float(moved(moved(np.zeros((1, 3)), pose_rig_from_bench), camera.pose_cam_from_rig)[0, 2]) / lens.fx
    )
    per_mm = 2.0 / scale_mm
    size = 2 * (int(1.15 * max(width, height)) // 2 + 8)
    surface = speckle_texture(size, dot_mm * per_mm, seed)
    x, y = _plane_map(camera, pose_rig_from_bench, depth_mm)
    map_x = (x * per_mm + size / 2).astype(np.float32)
    map_y = (y * per_mm + size / 2).astype(np.float32)
    if shift_px is not None:
        shift = np.broadcast_to(np.asarray(shift_px, dtype=np.float32), (height, width, 2))
        map_x = map_x - shift[..., 0] * 2
        map_y = map_y - shift[..., 1] * 2
    seen = cv2.remap(surface, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    cam = moved(moved(np.array([[0, 0, depth_mm]]), pose_rig_from_bench), camera.pose_cam_from_rig)
    sigma = float(camera.blur_sigma_px(cam[:, 2])[0])
    seen = cv2.GaussianBlur(seen, (0, 0), sigma)
    return np.asarray(dark + (bright - dark) * np.clip(seen, 0, 1), dtype=np.float32)


def _plane_map(camera: SimCamera, pose_rig_from_bench: Pose, depth_mm: float) -> tuple[Level, Level]:
    """Bench x and y (mm) that every pixel sees on the plane bench z = depth_mm, each (h, w)."""
    grid = Grid.of(camera)
    plane = Pose.of(np.zeros(3), np.array([0.0, 0.0, depth_mm]))
    return grid.plane_full(camera, pose_rig_from_bench, plane)
