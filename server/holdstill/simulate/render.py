"""The exact way to a picture: every printed shape by its covered area, then blur, then the sensor.

Each circle or square goes through the true projection (perspective, distortion, bent plate) as a
polygon; the share that it covers is worked out without approximation on a raster `fine` times
finer than the pixels, blurred there, and averaged over each pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .coverage import polygon_coverage, polygons_coverage
from .hand import laid, layers
from .optics import SimCamera, moved, projected
from .quick import Grid
from .scene import Figure, PlateBody
from .sensor import Sensor, exposed
from .setting import Setting, light_on_plate

Level = NDArray[np.float32]


class BlurKind(StrEnum):
    """Shape of the blur."""

    GAUSSIAN = "gaussian"
    DISC = "disc"
    COMA = "coma"


@dataclass(frozen=True, slots=True)
class Blur:
    """Blur of the exact path.

    kind, sigma_px
        Shape, and its standard deviation per axis (px), without the pixel's own aperture: a disc of
        diameter 4 sigma; coma stretches a Gaussian tail toward +x. sigma None: from the lens, each
        shape by its own distance (disc or Gaussian of the thin lens with the lens's sharpest blur).
    motion_px
        Travel (dx, dy) during the exposure, a box along the line.
    fine
        How many times finer than the pixels the raster is (each way).
    """

    kind: BlurKind = BlurKind.GAUSSIAN
    sigma_px: float | None = None
    motion_px: tuple[float, float] = (0.0, 0.0)
    fine: int = 4


def figure_outline_px(figure: Figure, thing: PlateBody, camera: SimCamera, setting: Setting) -> FloatArray:
    """Projected outline of a printed shape, (n, 2) px."""
    points = thing.surface_mm(figure.outline_mm())
    return projected(moved(points, setting.pose_cam_from_plate(camera)), camera.lens_now())


def true_points_px(setting: Setting, camera: SimCamera) -> FloatArray:
    """Images of all the plate's lattice points, (points, 2) px: the truth a finder is held to."""
    points = setting.thing.surface_mm(setting.thing.plate.points_mm()[:, :2])
    return projected(moved(points, setting.pose_cam_from_plate(camera)), camera.lens_now())


def exact_level(
    setting: Setting, camera: SimCamera, *, blur: Blur | None = None, behind: Level | float = 0.03
) -> FloatArray:
    """Level picture (h, w) float64 (1 = full well) without noise, before clipping.

    behind: the view without plate at exposure 1 (level of white = 1), a picture or one number.
    Overlapping blurs add up, so shapes may be as close as they like.
    """
    blur = blur or Blur()
    width, height = camera.lens.size_px
    picture = np.broadcast_to(np.asarray(behind, dtype=np.float32), (height, width)) * np.float32(
        setting.exposure
    )
    picture = np.array(picture)
    if setting.pose_rig_from_plate is None:
        return picture.astype(np.float64)
    pose = setting.pose_rig_from_plate
    depth = moved(
        setting.thing.surface_mm(setting.thing.centre_mm()[None]), setting.pose_cam_from_plate(camera)
    )
    soft = _sigma(blur, camera, float(depth[0, 2]))
    laid(picture, layers(setting.limbs, camera, pose, 1.0, front=False, blur_px=soft), setting.exposure)
    level = picture.astype(np.float64)
    white, gloss = _light_maps(setting, camera)
    thing = setting.thing
    rim = _rim_cover(thing, setting, camera, soft)
    level = level * (1 - rim) + rim * (thing.ground_share() * white + gloss)
    step = thing.bright_share - thing.dark_share
    kernels: dict[float, NDArray[np.float64]] = {}
    for figure in thing.figures:
        outline = figure_outline_px(figure, thing, camera, setting)
        point = moved(
            thing.surface_mm(np.array([[figure.x_mm, figure.y_mm]])), setting.pose_cam_from_plate(camera)
        )
        sigma = round(_sigma(blur, camera, float(point[0, 2])), 4)
        if sigma not in kernels:
            kernels[sigma] = _kernel(blur, sigma, camera)
        _add(level, (outline, kernels[sigma], blur.fine), white, step if figure.bright else -step)
    front = level.astype(np.float32)
    pieces = layers(setting.limbs, camera, pose, 1.0, front=True, blur_px=soft)
    laid(front, pieces, setting.exposure)
    for rows, columns, cover, _ in pieces:
        under = cover > 0
        level[rows, columns][under] = front[rows, columns][under]
    return np.asarray(np.clip(level, 0, None))


def exact(
    setting: Setting,
    camera: SimCamera,
    sensor: Sensor,
    rng: np.random.Generator | None,
    *,
    blur: Blur | None = None,
    behind: Level | float = 0.03,
) -> Picture:
    """Picture by the exact path, uint8 or uint16 (h, w); `rng` None leaves out all noise."""
    return exposed(exact_level(setting, camera, blur=blur, behind=behind), sensor, rng)


def _sigma(blur: Blur, camera: SimCamera, depth_mm: float) -> float:
    if blur.sigma_px is not None:
        return blur.sigma_px
    return float(camera.blur_sigma_px(np.array([depth_mm]))[0])


def _light_maps(setting: Setting, camera: SimCamera) -> tuple[FloatArray, FloatArray]:
    """White level and gloss for every pixel, times the exposure, each (h, w) float64."""
    coarse = Grid.of(camera, 8)
    xy = coarse.on_plane(setting.pose_cam_from_plate(camera))
    white, gloss = light_on_plate(setting, camera, xy.reshape(-1, 2), coarse.pixels().reshape(-1, 2))
    shape = xy.shape[:2]
    maps = [
        coarse.enlarged((part * setting.exposure).reshape(shape).astype(np.float32)).astype(np.float64)
        for part in (white, gloss)
    ]
    return maps[0], maps[1]


def _rim_cover(thing: PlateBody, setting: Setting, camera: SimCamera, sigma: float) -> FloatArray:
    figure = Figure(0, 0, 0.0, thing.outline_mm, False)
    outline = figure_outline_px(figure, thing, camera, setting)
    cover = polygon_coverage(outline, *camera.lens.size_px)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), sigma), dtype=np.float64) if sigma > 0.05 else cover


def _add(
    level: FloatArray, shape: tuple[FloatArray, NDArray[np.float64], int], white: FloatArray, step: float
) -> None:
    """Add one shape's (outline, kernel, fineness) blurred cover times the light, in place."""
    outline, kernel, fine = shape
    height, width = level.shape
    pad = kernel.shape[0] // (2 * fine) + 2
    x0, y0 = (int(v) - pad for v in np.floor(outline.min(axis=0)))
    x1, y1 = (int(v) + pad + 1 for v in np.ceil(outline.max(axis=0)))
    cut = (max(x0, 0), max(y0, 0), min(x1, width), min(y1, height))
    if cut[2] <= cut[0] or cut[3] <= cut[1] or x1 - x0 > 6000 or y1 - y0 > 6000:
        return
    inner = (outline - np.array([x0 - 0.5, y0 - 0.5])) * fine - 0.5
    cover = polygons_coverage([inner], (x1 - x0) * fine, (y1 - y0) * fine)
    ys = np.clip(np.arange(y0, y1), 0, height - 1)
    xs = np.clip(np.arange(x0, x1), 0, width - 1)
    lit = cv2.resize(white[np.ix_(ys, xs)], (cover.shape[1], cover.shape[0]), interpolation=cv2.INTER_LINEAR)
    cover *= lit
    if kernel.size > 1:
        cover = np.asarray(
            cv2.filter2D(cover, cv2.CV_64F, kernel, borderType=cv2.BORDER_CONSTANT), dtype=np.float64
        )
    small = cover.reshape(y1 - y0, fine, x1 - x0, fine).mean(axis=(1, 3))
    level[cut[1] : cut[3], cut[0] : cut[2]] += (
        step * small[cut[1] - y0 : cut[3] - y0, cut[0] - x0 : cut[2] - x0]
    )


def _kernel(blur: Blur, sigma: float, camera: SimCamera) -> NDArray[np.float64]:
    """Blur kernel on the fine raster, odd size, sum 1."""
    fine = blur.fine
    kernel = np.ones((1, 1))
    if sigma > 0.02:
        if blur.kind is BlurKind.GAUSSIAN:
            kernel = _gaussian(sigma * fine)
        elif blur.kind is BlurKind.DISC:
            if blur.sigma_px is None:  # what the thin lens leaves beyond the lens's sharpest blur
                disc = np.sqrt(max(sigma**2 - camera.sharp_sigma_px**2, 0.0))
                kernel = _convolved(_disc(disc * fine), _gaussian(camera.sharp_sigma_px * fine))
            else:
                kernel = _disc(sigma * fine)
        else:
            kernel = _coma(sigma * fine)
    if np.hypot(*blur.motion_px) > 1e-3:
        kernel = _convolved(kernel, _line(blur.motion_px[0] * fine, blur.motion_px[1] * fine))
    return kernel


def _gaussian(sigma: float) -> NDArray[np.float64]:
    half = int(np.ceil(5 * sigma)) + 1
    x = np.arange(-half, half + 1)
    g = np.exp(-0.5 * (x / sigma) ** 2)
    g /= g.sum()
    return np.outer(g, g)


def _disc(sigma: float) -> NDArray[np.float64]:
    radius = 2 * sigma
    if radius < 0.3:
        return np.ones((1, 1))
    half = int(np.ceil(radius)) + 1
    angle = 2 * np.pi * np.arange(180) / 180
    rim = np.stack([half + radius * np.cos(angle), half + radius * np.sin(angle)], axis=1)
    cover = polygon_coverage(rim, 2 * half + 1, 2 * half + 1)
    return np.asarray(cover / cover.sum())


def _coma(sigma: float) -> NDArray[np.float64]:
    """Rings that grow and move toward +x (Seidel coma's shape), moments scaled to sigma, centred.

    Centred on its centroid, so that the image of a point's centre stays where the lens puts it.
    """
    half = int(np.ceil(6 * sigma)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    total = np.zeros_like(x)
    for share in np.linspace(0.05, 1, 20):
        s = 0.55 * sigma * (0.4 + share)
        total += share * np.exp(-0.5 * ((x - 2.2 * sigma * (share - 0.68)) ** 2 + y**2) / s**2) / s**2
    total /= total.sum()
    mx = float((total * x).sum())
    turn = np.array([[1.0, 0, -mx], [0, 1.0, 0]])
    total = np.clip(cv2.warpAffine(total, turn, (2 * half + 1, 2 * half + 1), flags=cv2.INTER_CUBIC), 0, None)
    return np.asarray(total / total.sum())


def _line(dx: float, dy: float) -> NDArray[np.float64]:
    """Box along a line, one fine pixel wide."""
    length = float(np.hypot(dx, dy))
    half = int(np.ceil(length / 2)) + 2
    along = np.array([dx, dy]) / length
    across = np.array([-along[1], along[0]]) / 2
    a, b = half - along * length / 2, half + along * length / 2
    cover = polygon_coverage(
        np.array([a - across, b - across, b + across, a + across]), 2 * half + 1, 2 * half + 1
    )
    return np.asarray(cover / cover.sum())


def _convolved(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Full convolution of two odd kernels."""
    if a.size == 1:
        return b
    pad = b.shape[0] // 2
    padded = np.pad(a, pad)
    return np.asarray(cv2.filter2D(padded, cv2.CV_64F, b[::-1, ::-1].copy(), borderType=cv2.BORDER_CONSTANT))
