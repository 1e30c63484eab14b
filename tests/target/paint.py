"""Pictures with known truth for the eye's tests: exact area coverage, blur, light, noise, troubles.

Shares no code with the finder: projection, shapes, blur and noise are written out here; only the
area-coverage routine of the simulator is used (exact by Green's theorem).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from holdstill.records import MarkKind, Plate, PlateKind
from holdstill.simulate.coverage import polygons_coverage

FINE = 4


@dataclass(frozen=True)
class Look:
    """How a picture is taken. Lengths in mm, levels in grey values of `full_scale`."""

    size: tuple[int, int] = (2448, 2048)
    focal_px: float = 7246.0
    distance_mm: float = 700.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    centre_px: tuple[float, float] | None = None
    k1: float = 0.0
    k2: float = 0.0
    blur_px: float = 1.0
    blur_kind: str = "gaussian"
    dark: bool = True
    ground: float = 190.0
    dots: float = 35.0
    around: float = 70.0
    slope: float = 0.0
    gain: float = 0.0255
    read_var: float = 1.0
    clip: float = 255.0
    full_scale: int = 255
    quantise: bool = True
    margin_pitches: float = 1.0
    hidden: tuple[int, ...] = ()
    growth: float = 1.0
    clutter: int = 0
    touches: tuple[Callable[[np.ndarray, np.random.Generator], None], ...] = ()
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Painted:
    image: np.ndarray
    clean: np.ndarray
    points_px: np.ndarray
    look: Look
    rotation: np.ndarray
    translation: np.ndarray
    extra: dict = field(default_factory=dict)


def pose_of(plate: Plate, look: Look) -> tuple[np.ndarray, np.ndarray]:
    ax, ay, az = np.radians([look.tilt_deg[0], look.tilt_deg[1], look.turn_deg])
    rx = np.array([[1, 0, 0], [0, np.cos(ax), -np.sin(ax)], [0, np.sin(ax), np.cos(ax)]])
    ry = np.array([[np.cos(ay), 0, np.sin(ay)], [0, 1, 0], [-np.sin(ay), 0, np.cos(ay)]])
    rz = np.array([[np.cos(az), -np.sin(az), 0], [np.sin(az), np.cos(az), 0], [0, 0, 1]])
    rotation = ry @ rx @ rz
    width, height = look.size
    c = np.array([(width - 1) / 2, (height - 1) / 2])
    at = c if look.centre_px is None else np.array(look.centre_px)
    centre = np.append((at - c) / look.focal_px, 1.0) * look.distance_mm
    middle = np.append((plate.points_mm()[:, :2].min(axis=0) + plate.points_mm()[:, :2].max(axis=0)) / 2, 0)
    return rotation, centre - rotation @ middle


def project(xy: np.ndarray, rotation: np.ndarray, translation: np.ndarray, look: Look) -> np.ndarray:
    p = np.column_stack([xy, np.zeros(len(xy))]) @ rotation.T + translation
    q = p[:, :2] / p[:, 2:]
    r2 = (q**2).sum(axis=1)[:, None]
    q = q * (1 + look.k1 * r2 + look.k2 * r2 * r2)
    return q * look.focal_px + (np.array(look.size) - 1) / 2


def circle(x: float, y: float, r: float, n: int = 180) -> np.ndarray:
    t = 2 * np.pi * np.arange(n) / n
    r = r / np.sqrt(np.sin(2 * np.pi / n) * n / (2 * np.pi))
    return np.column_stack([x + r * np.cos(t), y + r * np.sin(t)])


def kernel_of(kind: str, sigma: float) -> np.ndarray:
    """Blur on the fine raster; `sigma` is the standard deviation per axis in px (without the pixel)."""
    s = sigma * FINE
    half = int(np.ceil(4.5 * s)) + 2
    t = np.arange(-half, half + 1)
    x, y = np.meshgrid(t, t)
    if kind == "gaussian":
        g = np.exp(-0.5 * (t / max(s, 1e-6)) ** 2)
        k = np.outer(g, g)
    elif kind == "disc":
        k = np.clip(2 * s + 0.5 - np.hypot(x, y), 0, 1)
    elif kind == "motion":
        length = np.sqrt(12.0) * s
        along = np.clip(length / 2 + 0.5 - np.abs(x), 0, 1)
        g = np.exp(-0.5 * (t / (0.6 * FINE)) ** 2)
        k = cv2.filter2D(along * (y == 0), cv2.CV_64F, np.outer(g, g), borderType=cv2.BORDER_CONSTANT)
    elif kind == "coma":

        def drop(at: float, wide: float, high: float) -> np.ndarray:
            return np.exp(-0.5 * ((x - at * s) / (wide * s)) ** 2 - 0.5 * (y / (high * s)) ** 2) / (
                wide * high
            )

        middle = 0.45 * 0.9 / 1.45  # the centroid, so that the picture of a point stays where the point is
        k = drop(-middle, 0.75, 0.75) + 0.45 * drop(0.9 - middle, 1.1, 0.9)
    else:
        raise ValueError(kind)
    return k / k.sum()


def paint(plate: Plate, look: Look | None = None, **changes) -> Painted:
    look = replace(look or Look(), **changes)
    rng = np.random.default_rng(look.seed)
    width, height = look.size
    rotation, translation = pose_of(plate, look)
    level = np.full((height, width), look.around)
    if look.clutter:
        _clutter(level, look, np.random.default_rng(look.seed + 7777))
    _plate(level, plate, look, rotation, translation)
    if look.slope:
        x = (np.arange(width) - width / 2) / width
        y = (np.arange(height) - height / 2) / height
        level *= 1 + look.slope * (x[None] + 0.6 * y[:, None])
    for touch in look.touches:
        touch(level, rng)
    image = noisy(level, look, rng)
    truth = project(plate.points_mm()[:, :2], rotation, translation, look)
    return Painted(image, level, truth, look, rotation, translation)


def noisy(level: np.ndarray, look: Look, rng: np.random.Generator) -> np.ndarray:
    noise = rng.standard_normal(level.shape, dtype=np.float32)
    out = level + noise * np.sqrt(np.maximum(look.gain * level + look.read_var, 0)).astype(np.float32)
    out = np.clip(out, 0, look.clip)
    if not look.quantise:
        return out
    return np.round(out).astype(np.uint8 if look.full_scale <= 255 else np.uint16)


def _plate(
    level: np.ndarray, plate: Plate, look: Look, rotation: np.ndarray, translation: np.ndarray
) -> None:
    xy = plate.points_mm()[:, :2]
    boards = plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    m = plate.pitch_mm * (look.margin_pitches + (0.6 if boards else 0))
    (x0, y0), (x1, y1) = xy.min(axis=0) - m, xy.max(axis=0) + m
    t = np.linspace(0, 1, 40, endpoint=False)
    rim = np.concatenate([
        np.column_stack([x0 + (x1 - x0) * t, 0 * t + y0]), np.column_stack([0 * t + x1, y0 + (y1 - y0) * t]),
        np.column_stack([x1 - (x1 - x0) * t, 0 * t + y1]), np.column_stack([0 * t + x0, y1 - (y1 - y0) * t]),
    ])  # fmt: skip
    cover = polygons_coverage([project(rim, rotation, translation, look)], level.shape[1], level.shape[0])
    level += cover * (look.ground - level)
    kernel = kernel_of(look.blur_kind, look.blur_px)
    step = look.dots - look.ground
    for outline, sign in shapes(plate, look):
        _add(level, project(outline, rotation, translation, look), kernel, sign * step)


def shapes(plate: Plate, look: Look) -> list[tuple[np.ndarray, float]]:
    """Outlines in the plate frame and +1 (print) or -1 (ground again)."""
    xy = plate.points_mm()[:, :2]
    out: list[tuple[np.ndarray, float]] = []
    side = plate.pitch_mm
    if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        for r in range(plate.rows + 1):
            for c in range(plate.columns + 1):
                if (r + c) % 2 == 0:
                    out.append((_square(((c - 0.5) * side, (r - 0.5) * side), side), 1.0))
    else:
        radius = look.growth * (plate.dot_diameter_mm or 0.45 * side) / 2
        kinds = {k.row * plate.columns + k.column: k.kind for k in plate.marks}
        for n, (x, y) in enumerate(xy):
            if n in plate.absent or n in look.hidden:
                continue
            share = {MarkKind.LARGER: 1.4, MarkKind.SMALLER: 0.6}.get(kinds.get(n), 1.0)
            out.append((circle(x, y, radius * share), 1.0))
            if kinds.get(n) is MarkKind.RING:
                out.append((circle(x, y, radius * 0.5), -1.0))
    for marker in plate.markers:
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, plate.marker_dictionary))
        n = dictionary.markerSize + 2
        bits = dictionary.generateImageMarker(marker.marker_id, n, borderBits=1) < 128
        unit = marker.side_mm / n
        sign = 1.0
        if not look.dark:
            out.append((_square((marker.x_mm, marker.y_mm), marker.side_mm + 2 * unit), 1.0))
            sign = -1.0
        for r, c in np.argwhere(bits):
            at = (marker.x_mm + (c - (n - 1) / 2) * unit, marker.y_mm + (r - (n - 1) / 2) * unit)
            out.append((_square(at, unit), sign))
    return out


def _square(at: tuple[float, float], side: float) -> np.ndarray:
    t = np.linspace(-0.5, 0.5, 9)[:-1]
    one = np.ones(8) * 0.5
    ring = np.concatenate(
        [
            np.column_stack([t, -one]),
            np.column_stack([one, t]),
            np.column_stack([-t, one]),
            np.column_stack([-one, -t]),
        ]
    )
    return np.array(at) + side * ring


def _add(level: np.ndarray, outline: np.ndarray, kernel: np.ndarray, step: float) -> None:
    height, width = level.shape
    pad = kernel.shape[0] // (2 * FINE) + 2
    x0, y0 = (int(v) - pad for v in np.floor(outline.min(axis=0)))
    x1, y1 = (int(v) + pad + 1 for v in np.ceil(outline.max(axis=0)))
    if x1 <= 0 or y1 <= 0 or x0 >= width or y0 >= height:
        return
    fine = (outline - np.array([x0 - 0.5, y0 - 0.5])) * FINE - 0.5
    cover = polygons_coverage([fine], (x1 - x0) * FINE, (y1 - y0) * FINE)
    cover = _filtered(cover, kernel)
    small = cover.reshape(y1 - y0, FINE, x1 - x0, FINE).mean(axis=(1, 3))
    a, b, c, d = max(x0, 0), max(y0, 0), min(x1, width), min(y1, height)
    level[b:d, a:c] += step * small[b - y0 : d - y0, a - x0 : c - x0]


def _filtered(cover: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    u, s, vt = np.linalg.svd(kernel)
    if s[1] < 1e-9 * s[0]:
        row = vt[0] / vt[0].sum()
        column = u[:, 0] / u[:, 0].sum()
        return cv2.sepFilter2D(cover, cv2.CV_64F, row, column, borderType=cv2.BORDER_CONSTANT)
    return cv2.filter2D(cover, cv2.CV_64F, kernel[::-1, ::-1], borderType=cv2.BORDER_CONSTANT)


def _clutter(level: np.ndarray, look: Look, rng: np.random.Generator) -> None:
    """Discs, boxes, lines and letters of all sizes around the plate."""
    height, width = level.shape
    drawn = np.clip(level, 0, 255).astype(np.uint8)
    for _ in range(look.clutter):
        value = float(rng.uniform(10, 240))
        at = (int(rng.uniform(0, width)), int(rng.uniform(0, height)))
        size = int(np.exp(rng.uniform(np.log(4), np.log(width / 8))))
        kind = rng.integers(4)
        if kind == 0:
            cv2.circle(drawn, at, max(size // 2, 2), value, -1, cv2.LINE_AA)
        elif kind == 1:
            cv2.rectangle(drawn, at, (at[0] + size, at[1] + int(size * rng.uniform(0.2, 1.5))), value, -1)
        elif kind == 2:
            end = (int(rng.uniform(0, width)), int(rng.uniform(0, height)))
            cv2.line(drawn, at, end, value, int(rng.integers(1, 12)), cv2.LINE_AA)
        else:
            cv2.putText(
                drawn, "".join(rng.choice(list("OQ8B0eag%&"), 5)), at, 0, max(size / 60, 0.3), value, 2
            )
    level[:] = drawn


def finger(at_px: tuple[float, float], width_px: float, angle_deg: float, length_px: float = 2000.0):
    """A finger (or thumb) of given width whose tip is at `at_px`, coming from `angle_deg`."""

    def touch(level: np.ndarray, rng: np.random.Generator) -> None:
        a = np.radians(angle_deg)
        tip, far = np.array(at_px), np.array(at_px) + length_px * np.array([np.cos(a), np.sin(a)])
        mask = np.zeros(level.shape, np.float32)
        cv2.line(
            mask,
            tuple(int(v * 8) for v in tip),
            tuple(int(v * 8) for v in far),
            1.0,
            int(width_px),
            cv2.LINE_AA,
            3,
        )
        mask = cv2.GaussianBlur(mask, (0, 0), 2.0)
        tone = (
            120 + 25 * cv2.GaussianBlur(rng.standard_normal(level.shape).astype(np.float32), (0, 0), 9.0) * 9
        )
        level += mask * (tone - level)

    return touch


def glare(at_px: tuple[float, float], radius_px: float, strength: float = 400.0):
    """A lamp's reflection: adds light, strongest in the middle."""

    def touch(level: np.ndarray, rng: np.random.Generator) -> None:
        y, x = np.ogrid[: level.shape[0], : level.shape[1]]
        r2 = ((x - at_px[0]) ** 2 + (y - at_px[1]) ** 2) / radius_px**2
        level += strength * np.exp(-(r2**2))

    return touch


def bound_px(painted: Painted, plate: Plate, ids: np.ndarray | None = None) -> np.ndarray:
    """Cramer-Rao bound per coordinate (n, 2), px, only the centre unknown, from the clean picture.

    Moves each dot's clean picture by central differences of a band-limited (cubic) shift and sums
    squared derivatives over the variance; clipped pixels carry nothing.
    """
    look, level = painted.look, painted.clean
    xy = plate.points_mm()[:, :2]
    ids = np.arange(len(xy)) if ids is None else ids
    out = np.full((len(ids), 2), np.nan)
    radius_mm = look.growth * (plate.dot_diameter_mm or 0.45 * plate.pitch_mm) / 2
    variance = look.gain * level + look.read_var + (1 / 12 if look.quantise else 0)
    for k, n in enumerate(ids):
        ring = project(circle(*xy[n], radius_mm, 40), painted.rotation, painted.translation, look)
        reach = int(4 * look.blur_px) + 3
        x0, y0 = np.floor(ring.min(axis=0)).astype(int) - reach
        x1, y1 = np.ceil(ring.max(axis=0)).astype(int) + reach + 1
        if x0 < 3 or y0 < 3 or x1 > level.shape[1] - 3 or y1 > level.shape[0] - 3:
            continue
        part = level[y0 - 2 : y1 + 2, x0 - 2 : x1 + 2]
        gx = (8 * (part[2:-2, 3:-1] - part[2:-2, 1:-3]) - (part[2:-2, 4:] - part[2:-2, :-4])) / 12
        gy = (8 * (part[3:-1, 2:-2] - part[1:-3, 2:-2]) - (part[4:, 2:-2] - part[:-4, 2:-2])) / 12
        v = variance[y0:y1, x0:x1]
        w = np.where(level[y0:y1, x0:x1] < look.clip - np.sqrt(v), 1 / v, 0.0)
        f = np.array([[(w * gx * gx).sum(), (w * gx * gy).sum()], [(w * gx * gy).sum(), (w * gy * gy).sum()]])
        out[k] = np.sqrt(np.diag(np.linalg.inv(f)))
    return out
