"""Frame series of a bench that stands still, more or less: focus sweeps, vibration, shimmer, flicker."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage

from holdstill.records import FloatArray, Picture

from .backdrop import Level, speckle_texture
from .optics import SimCamera, SimRig, image_distance_mm
from .render import Blur, BlurKind, exact_level
from .sensor import Sensor, exposed
from .setting import Setting


@dataclass(frozen=True, slots=True)
class Unrest:
    """What disturbs a static scene. Everything is off at its default.

    vibration_px, vibration_hz
        Amplitude and frequency of a common motion of the whole picture (a machine, a fan), in a
        direction of its own, with a second harmonic of a third of the amplitude.
    shimmer_px, shimmer_s, shimmer_share
        rms apparent motion by warm air per axis, its correlation time (s), and its correlation
        length as a share of the picture's width; the pattern rises through the picture.
    flicker_share, mains_hz
        Depth of the light's modulation at twice the mains frequency, as a share of the mean.
    drift_share_per_s
        Slow change of the light.
    step_px, step_at_s
        One displacement of the whole picture (a knock) at a time.
    """

    vibration_px: float = 0.0
    vibration_hz: float = 23.0
    shimmer_px: float = 0.0
    shimmer_s: float = 0.4
    shimmer_share: float = 0.12
    flicker_share: float = 0.0
    mains_hz: float = 50.0
    drift_share_per_s: float = 0.0
    step_px: tuple[float, float] = (0.0, 0.0)
    step_at_s: float = 0.0


class Shimmer:
    """Apparent motion by warm air: a Gaussian random field in the plane, first order in time.

    `advance(dt_s)` gives (h, w, 2) float32 px on a grid of 1/8 of the picture's size.
    """

    def __init__(self, size_px: tuple[int, int], unrest: Unrest, rng: np.random.Generator) -> None:
        self._rng = rng
        self._unrest = unrest
        self._shape = (max(size_px[1] // 8, 4), max(size_px[0] // 8, 4))
        self._sigma = max(unrest.shimmer_share * size_px[0] / 8 / 2.0, 0.7)
        self._field = self._fresh()

    def _fresh(self) -> Level:
        margin = int(4 * self._sigma) + 1
        rows, columns = self._shape
        grain = self._rng.standard_normal((rows + 2 * margin, columns + 2 * margin, 2)).astype(np.float32)
        smooth = cv2.GaussianBlur(grain, (0, 0), self._sigma)[
            margin : margin + rows, margin : margin + columns
        ]
        # a unit white grain smoothed by a Gaussian has a standard deviation of 1 / (2 sqrt(pi) sigma)
        return np.asarray(smooth * (2 * np.sqrt(np.pi) * self._sigma), dtype=np.float32)

    def advance(self, dt_s: float) -> Level:
        """The field after `dt_s` more seconds, px."""
        keep = float(np.exp(-dt_s / self._unrest.shimmer_s))
        rise = min(round(dt_s / self._unrest.shimmer_s * self._sigma * 0.5), self._shape[0] // 3)
        risen = np.roll(self._field, -rise, axis=0)
        self._field = (keep * risen + np.sqrt(1 - keep * keep) * self._fresh()).astype(np.float32)
        return np.asarray(self._field * self._unrest.shimmer_px, dtype=np.float32)


def light_factor(unrest: Unrest, at_s: float, exposure_s: float, phase_rad: float) -> float:
    """Mean light over an exposure that begins at `at_s`, mean over long times 1.

    The light follows ``1 + m cos(2π·2f·t + φ)``; an exposure of length e averages it, which scales
    the modulation by ``sin(πue)/(πue)`` with u = 2f.
    """
    u = 2 * unrest.mains_hz
    wave = np.cos(2 * np.pi * u * (at_s + exposure_s / 2) + phase_rad) * np.sinc(u * exposure_s)
    return float((1 + unrest.flicker_share * wave) * (1 + unrest.drift_share_per_s * at_s))


def static_series(
    size_px: tuple[int, int],
    times_s: Sequence[float] | FloatArray,
    sensor: Sensor,
    rng: np.random.Generator,
    *,
    unrest: Unrest | None = None,
    exposure_s: float = 0.004,
    level: float = 0.6,
    dot_px: float = 4.5,
    blur_px: float = 0.8,
    scene_seed: int = 5,
) -> Iterator[Picture]:
    """Pictures of a static speckled specimen at the times given, uint8 or uint16 (h, w).

    level: of the bright part (1 = full well). dot_px: speckle size. Vibration is averaged over
    the exposure as a shift's mean (its blur inside one exposure is left out: below a tenth of the
    amplitude while the exposure is shorter than a tenth of the period).
    """
    unrest = unrest or Unrest()
    width, height = size_px
    margin = 40
    surface = speckle_texture(2 * (max(width, height) + 2 * margin), 2 * dot_px, scene_seed)
    surface = np.asarray(cv2.GaussianBlur(surface, (0, 0), 2 * blur_px), dtype=np.float32)
    spline = ndimage.spline_filter(_pixel_wide(surface), order=3, output=np.float32)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    shimmer = Shimmer(size_px, unrest, rng)
    direction = float(rng.uniform(0, 2 * np.pi))
    phases = rng.uniform(0, 2 * np.pi, 3)
    before_s = float(times_s[0]) if len(times_s) else 0.0
    for at_s in times_s:
        shift = _common_shift(unrest, at_s, exposure_s, direction, phases)
        dx, dy = np.float32(shift[0]), np.float32(shift[1])
        map_x, map_y = x - dx, y - dy
        if unrest.shimmer_px > 0:
            field = cv2.resize(shimmer.advance(at_s - before_s), size_px, interpolation=cv2.INTER_CUBIC)
            map_x, map_y = map_x - field[..., 0], map_y - field[..., 1]
        before_s = at_s
        where = [2 * (map_y + margin), 2 * (map_x + margin)]
        seen = ndimage.map_coordinates(spline, where, order=3, prefilter=False, output=np.float32)
        light = light_factor(unrest, at_s, exposure_s, float(phases[2]))
        yield exposed((0.1 + 0.9 * seen) * (level * light), sensor, rng)


def _pixel_wide(surface: Level) -> Level:
    """Every fine pixel averaged with its right and lower neighbours: what a pixel twice as wide sees."""
    wide = (surface + np.roll(surface, -1, axis=1)) / 2
    return np.asarray((wide + np.roll(wide, -1, axis=0)) / 2, dtype=np.float32)


def _common_shift(
    unrest: Unrest, at_s: float, exposure_s: float, direction: float, phases: FloatArray
) -> tuple[float, float]:
    middle = at_s + exposure_s / 2
    beat = 0.0
    for harmonic, share in ((1, 1.0), (2, 1 / 3)):
        hertz = harmonic * unrest.vibration_hz
        beat += (
            share * np.sin(2 * np.pi * hertz * middle + phases[harmonic - 1]) * np.sinc(hertz * exposure_s)
        )
    knocked = at_s >= unrest.step_at_s
    return (
        float(unrest.vibration_px * beat * np.cos(direction) + (unrest.step_px[0] if knocked else 0.0)),
        float(unrest.vibration_px * beat * np.sin(direction) + (unrest.step_px[1] if knocked else 0.0)),
    )


def focus_series(
    setting: Setting,
    camera: SimCamera,
    focus_mm: Sequence[float],
    sensor: Sensor,
    rng: np.random.Generator,
    *,
    exposures: Sequence[float] | None = None,
    kind: BlurKind = BlurKind.DISC,
) -> Iterator[Picture]:
    """Pictures of a plate while the focus ring turns, exact path, with the lens's breathing.

    exposures: a factor on the setting's exposure for each picture (exposure steps in the sweep).
    """
    for number, focus in enumerate(focus_mm):
        factor = exposures[number] if exposures is not None else 1.0
        lit = replace(setting, exposure=setting.exposure * factor)
        turned = replace(camera, focus_mm=float(focus))
        yield exposed(exact_level(lit, turned, blur=Blur(kind=kind)), sensor, rng)


def focus_series_speckle(
    rig: SimRig,
    camera: SimCamera,
    focus_mm: Sequence[float],
    sensor: Sensor,
    rng: np.random.Generator,
    *,
    depth_mm: float | None = None,
    exposures: Sequence[float] | None = None,
    level: float = 0.6,
    dot_px: float = 4.5,
    scene_seed: int = 5,
) -> Iterator[Picture]:
    """Pictures of a speckled surface square to the camera while the focus ring turns.

    depth_mm: its distance from the lens (default: the rig's stand-off). The blur is the thin
    lens's disc and the lens's sharpest blur, on a raster twice as fine as the pixels.
    """
    depth = rig.stand_off_mm if depth_mm is None else depth_mm
    width, height = camera.lens.size_px
    size = 2 * (max(width, height) + 120)
    surface = speckle_texture(size, 2 * dot_px, scene_seed)
    base = image_distance_mm(camera.focal_mm, camera.set_focus_mm)
    for number, focus in enumerate(focus_mm):
        turned = replace(camera, focus_mm=float(focus))
        disc = float(turned.disc_px(np.array([depth]))[0])
        scale = image_distance_mm(camera.focal_mm, float(focus)) / base
        turn = np.array([[scale, 0, size / 2 * (1 - scale)], [0, scale, size / 2 * (1 - scale)]])
        fine = np.asarray(
            cv2.warpAffine(surface, turn, (size, size), flags=cv2.INTER_CUBIC), dtype=np.float32
        )
        radius = disc  # px of the fine raster: half of twice the diameter
        if radius > 0.6:
            fine = np.asarray(cv2.filter2D(fine, cv2.CV_32F, _disc_kernel(radius)), dtype=np.float32)
        fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), 2 * camera.sharp_sigma_px), dtype=np.float32)
        fine = np.float32(0.1) + np.float32(0.9) * fine
        x0, y0 = (size - 2 * width) // 2, (size - 2 * height) // 2
        part = fine[y0 : y0 + 2 * height, x0 : x0 + 2 * width].reshape(height, 2, width, 2).mean(axis=(1, 3))
        factor = exposures[number] if exposures is not None else 1.0
        yield exposed(np.clip(part, 0, None) * (level * factor), sensor, rng)


def _disc_kernel(radius: float) -> Level:
    """Disc of a radius in px, anti-aliased by 8 x 8 counting, sum 1."""
    half = int(np.ceil(radius)) + 1
    fine = 8
    grid = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    inside = (grid[:, None] ** 2 + grid**2) < radius**2
    cover = inside.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return np.asarray(cover / cover.sum(), dtype=np.float32)
