"""All measures of one frame."""

from __future__ import annotations

import cv2
import numpy as np

from holdstill.limits import limit
from holdstill.records import FrameMeasures, GlarePatch, HiddenPatch, Picture, Plate, PlateLight, Sighting

from .edges import EdgeBlur, edge_blur, find_edges
from .levels import Levels, checked, levels, saturated_share
from .noise import MANY_SAMPLES, NoiseModel, noise_model
from .parts import (
    field_evenness,
    glare_patches,
    hidden_patches,
    plate_levels,
    plate_light,
    saturated_parts,
)
from .pattern import read_plate
from .plate_loops import outline_share
from .sharpness import GridSharpness, grid_sharpness


def frame_measures(
    image: Picture,
    *,
    camera: str,
    full_scale: int,
    plate: Plate | None = None,
    sighting: Sighting | None = None,
) -> FrameMeasures:
    """Every measure of one frame; see `FrameMeasures` for units and ranges.

    image: uint8 or uint16 (rows, columns), as delivered; `full_scale`: the largest value its format
    can carry, grey values. `plate` and `sighting` together add what only the plate can tell.
    Raises BadFrame for anything but a grey picture of at least 32 x 32 px. How each is measured
    and where it stops meaning anything stands with the function that measures it.
    """
    picture = checked(image, where=camera)
    level = levels(picture, full_scale=full_scale)
    noise, sharp = _sharpness(picture, level)
    share = saturated_share(picture, level.clip_from)
    blur = _blur(picture, noise, level, sighting)
    on_plate = _Plate.of(picture, plate=plate, sighting=sighting, level=level, noise=noise, share=share)
    return FrameMeasures(
        camera=camera,
        mean_level=level.mean,
        sharpness=sharp.overall,
        sharpness_regions=tuple(sharp.regions.ravel().tolist()),
        region_grid=(sharp.regions.shape[0], sharp.regions.shape[1]),
        edge_width_px=None if blur is None else blur.width_px,
        saturated_share=share,
        saturated_in_dots=on_plate.in_dots,
        saturated_outside=on_plate.outside,
        clip_level=level.clip_level,
        dot_fill=on_plate.dot_fill,
        ground_fill=on_plate.ground_fill,
        evenness=on_plate.evenness if on_plate.seen else _field(sharp),
        noise_gray=noise.sigma(level.mean),
        glare=on_plate.glare if on_plate.seen else bright_blobs(picture, level) if share > 0 else (),
        coverage=on_plate.coverage,
        motion_blur_px=None if blur is None else blur.smear_px,
        motion_blur_error_px=None if blur is None else blur.smear_error_px,
        motion_direction_deg=None if blur is None else blur.smear_direction_deg,
        hidden=on_plate.hidden,
        high_share=min(level.high / level.clip_level, 1.0),
        low_share=min(level.low / level.clip_level, 1.0),
        clip_seen=level.clip_seen,
        sharpness_sigma=sharp.sigma,
        smear_anisotropy=sharp.anisotropy,
        region_means=tuple(sharp.means.ravel().tolist()),
        light=on_plate.light,
    )


def _sharpness(picture: Picture, level: Levels) -> tuple[NoiseModel, GridSharpness]:
    """Noise and sharpness; where noise makes a good part of the gradients, it is read in more places."""
    noise = noise_model(picture, clip_from=level.clip_from)
    sharp = grid_sharpness(picture, noise)
    if sharp.noise_share > limit("sharpness_noisy") or picture.size <= MANY_SAMPLES:
        noise = noise_model(picture, clip_from=level.clip_from, samples=MANY_SAMPLES)
        sharp = grid_sharpness(picture, noise, noise_samples=MANY_SAMPLES)
    return noise, sharp


class _Plate:
    """What only a found plate can tell; everything None or empty without one."""

    __slots__ = (
        "coverage",
        "dot_fill",
        "evenness",
        "glare",
        "ground_fill",
        "hidden",
        "in_dots",
        "light",
        "outside",
        "seen",
    )

    def __init__(self) -> None:
        self.seen = False
        self.in_dots: float | None = None
        self.outside: float | None = None
        self.dot_fill: float | None = None
        self.ground_fill: float | None = None
        self.evenness: float | None = None
        self.light: PlateLight | None = None
        self.coverage: float | None = None
        self.glare: tuple[GlarePatch, ...] = ()
        self.hidden: tuple[HiddenPatch, ...] = ()

    @classmethod
    def of(
        cls,
        image: Picture,
        *,
        plate: Plate | None,
        sighting: Sighting | None,
        level: Levels,
        noise: NoiseModel,
        share: float,
    ) -> _Plate:
        out = cls()
        samples = read_plate(image, plate, sighting) if plate is not None and sighting is not None else None
        if samples is None or plate is None or sighting is None:
            return out
        parts = plate_levels(samples, plate, sighting)
        if not (np.isfinite(parts.bright_level) and np.isfinite(parts.dark_level)):
            return out
        out.seen = True
        out.dot_fill = float(np.clip(parts.bright_level / level.clip_level, 0.0, 1.0))
        out.ground_fill = float(np.clip(parts.dark_level / level.clip_level, 0.0, 1.0))
        out.in_dots, out.outside = saturated_parts(samples, parts, share, image.size, level.clip_from)
        lies = plate_light(parts, sighting, level.clip_from)
        out.evenness, out.light = (None, None) if lies is None else lies
        out.coverage = coverage(sighting)
        out.glare = glare_patches(samples, parts, plate, sighting, level.clip_from)
        out.hidden = hidden_patches(samples, parts, plate, sighting, noise.sigma(parts.dark_level))
        return out


def coverage(sighting: Sighting) -> float:
    """Share of the picture's area inside the plate's outline, 0..1 (outline cut at the border)."""
    return float(outline_share(np.asarray(sighting.outline_px, dtype=np.float64), *sighting.image_size_px))


def _blur(image: Picture, noise: NoiseModel, level: Levels, sighting: Sighting | None) -> EdgeBlur | None:
    box = None
    if sighting is not None and len(sighting.points_px) >= 4:
        margin = sighting.dot_diameter_px or 10.0
        height, width = image.shape
        low, high = sighting.points_px.min(axis=0) - margin, sighting.points_px.max(axis=0) + margin
        box = (
            int(np.clip(low[0], 0, width)),
            int(np.clip(low[1], 0, height)),
            int(np.clip(high[0] + 1, 0, width)),
            int(np.clip(high[1] + 1, 0, height)),
        )
    edges = find_edges(image, noise_gray=noise.sigma(level.mean), clip_from=level.clip_from, box=box)
    return None if edges is None else edge_blur(edges)


def _field(sharp: GridSharpness) -> float:
    """Evenness of the picture itself, from the means of its regions (see `field_evenness`)."""
    y, x = np.mgrid[0 : sharp.means.shape[0], 0 : sharp.means.shape[1]]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
    return field_evenness(points, np.maximum(sharp.means.ravel(), 1e-6))


def bright_blobs(image: Picture, level: Levels) -> tuple[GlarePatch, ...]:
    """Clipped blobs far larger than the frame's other ones (or alone), largest first.

    For frames without a plate: `plate_share` is 0. Looked for at an eighth of the size; a blob
    counts from `blob_least_share` of the picture and 8 times the median blob.
    """
    step = 8 if min(image.shape) >= 256 else 1
    mask = (image[step // 2 :: step, step // 2 :: step] >= level.clip_from).astype(np.uint8)
    if not mask.any():
        return ()
    count, _labels, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA].astype(np.float64)
    typical = float(np.median(areas)) if count > 6 else 0.0
    least = max(limit("blob_least_share") * mask.size, 8.0 * typical)
    big = [k for k in np.argsort(-areas) if areas[k] >= least][:8]
    offset = step // 2
    return tuple(
        GlarePatch(
            float(centres[k + 1][0] * step + offset),
            float(centres[k + 1][1] * step + offset),
            float(np.sqrt(areas[k] / np.pi) * step),
            0.0,
        )
        for k in big
    )
