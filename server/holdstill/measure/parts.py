"""Bright and dark parts of the plate in the picture: fill, evenness, glare, what hides points."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray, GlarePatch, HiddenPatch, Plate, PlateLight, Sighting

from .pattern import SAMPLES_PER_PITCH, PlateSamples, lattice_mm
from .plate_loops import (
    clipped_in_part,
    light_over_plate,
    mean_cell_px,
    part_levels,
    quadratic_surface,
    spread_of,
)


@dataclass(frozen=True, slots=True, eq=False)
class PlateLevels:
    """Levels of the plate's two parts, grey values.

    bright, dark
        float64 (points,): mean level of each point's bright and dark part, NaN where not seen.
    bright_level, dark_level
        Medians over the points found. `dots_bright`: the dots (part 1) are the bright part.
    """

    bright: FloatArray
    dark: FloatArray
    bright_level: float
    dark_level: float
    dots_bright: bool

    @property
    def middle(self) -> float:
        """Half way between the two parts, grey values."""
        return 0.5 * (self.bright_level + self.dark_level)


def plate_levels(samples: PlateSamples, plate: Plate, sighting: Sighting) -> PlateLevels:
    """Levels of the bright and dark parts around each point (see `PlateLevels`)."""
    pattern = samples.pattern
    found = np.asarray(sighting.point_ids)
    (first, second), level_1, level_2 = part_levels(
        samples.values, pattern.part, pattern.point_of, plate.point_count, found
    )
    dots_bright = level_1 >= level_2
    if dots_bright:
        return PlateLevels(first, second, level_1, level_2, True)
    return PlateLevels(second, first, level_2, level_1, False)


def _median(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else float("nan")


def plate_light(
    levels: PlateLevels, sighting: Sighting, clip_from: float
) -> tuple[float, PlateLight] | None:
    """Evenness (lowest over highest light across the found points, 0..1; 1 = perfectly even) and how
    the light lies.

    A quadratic surface is fitted to the bright part (to the dark part where more than a third of
    the bright one clips), so one odd dot does not count. Takes the plate's print as uniform and
    the camera's black level as zero. None with fewer than 12 points.
    """
    evenness, lie, enough = light_over_plate(
        levels.bright,
        levels.dark,
        np.asarray(sighting.point_ids),
        np.ascontiguousarray(sighting.points_px),
        clip_from,
    )
    return (evenness, PlateLight(*lie.tolist())) if enough else None


def field_evenness(points: FloatArray, values: FloatArray) -> float:
    """Lowest over highest of a quadratic surface through `values` at `points`, 0..1.

    points: float64 (n, 2), any unit; values: float64 (n,) > 0. Outliers (beyond three robust
    sigmas) are dropped once.
    """
    u = (points - points.mean(axis=0)) / max(float(np.abs(points - points.mean(axis=0)).max()), 1e-9)
    plain = np.ascontiguousarray(u.T, dtype=np.float64)
    return float(spread_of(quadratic_surface(plain[0], plain[1], np.asarray(values, dtype=np.float64))[0]))


def saturated_parts(
    samples: PlateSamples, levels: PlateLevels, image_share: float, image_size: int, clip_from: float
) -> tuple[float | None, float | None]:
    """Share of clipped pixels inside the dots (or bright squares), and outside them.

    image_share: share in the whole picture; image_size: its pixels. The share outside is what is
    left of the picture's clipped pixels after the dots' part, over what is left of its area.
    """
    dots = samples.pattern.dot_radius_mm is not None
    inside_part = 1 if dots or levels.dots_bright else 2
    inside, clipped, whole = clipped_in_part(samples.values, samples.pattern.part, inside_part, clip_from)
    if inside == 0:
        return None, None
    share = clipped / inside
    seen = levels.bright if levels.dots_bright else levels.dark
    area = _part_area_px(samples, int(np.isfinite(seen).sum()), whole)
    left = max(image_share * image_size - share * area, 0.0)
    return share, min(left / max(image_size - area, 1.0), 1.0)


def _part_area_px(samples: PlateSamples, dots: int, seen: int) -> float:
    """Area in the picture of so many whole dots, px; of a board's squares of one parity: half of its
    `seen` samples."""
    cell_px = mean_cell_px(samples.px, *samples.pattern.shape)
    radius = samples.pattern.dot_radius_mm
    if radius is None:
        return 0.5 * seen * cell_px
    spacing = float(samples.pattern.points_mm[1, 0] - samples.pattern.points_mm[0, 0])
    return dots * float(np.pi) * radius**2 * cell_px / spacing**2


def glare_patches(
    samples: PlateSamples, levels: PlateLevels, plate: Plate, sighting: Sighting, clip_from: float
) -> tuple[GlarePatch, ...]:
    """Glare on the plate, largest first: places where the dark part is as bright as the bright one.

    A raster sample of the dark part counts when it lies above `glare_rise` of the way from the
    dark to the bright level of the plate (or clips); touching samples, bridged across a dot, make
    a patch. Patches smaller than `glare_least_pitches` squared are left out, and so are those whose
    bright part is dimmer than elsewhere.
    """
    dark_part = 2 if levels.dots_bright else 1
    is_bright = (samples.pattern.part == 3 - dark_part) & np.isfinite(samples.values)
    threshold = min(
        levels.dark_level + limit("glare_rise") * (levels.bright_level - levels.dark_level), clip_from - 0.5
    )
    is_dark = samples.pattern.part == dark_part
    with np.errstate(invalid="ignore"):
        hot = is_dark & (samples.values > max(threshold, levels.dark_level + 1.0))
    if not hot.any():
        return ()
    # Missing bright points whose surroundings are hot belong to the patch: bridged by closing.
    size = SAMPLES_PER_PITCH + 1 if levels.dots_bright else 2 * SAMPLES_PER_PITCH + 1
    mask = hot.reshape(samples.pattern.shape).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    padded = cv2.copyMakeBorder(mask, size, size, size, size, cv2.BORDER_CONSTANT, value=0)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[size:-size, size:-size]
    count, labels, _stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    labels = np.asarray(labels, dtype=np.int32).ravel()
    plate_samples = float(np.isfinite(samples.values).sum())
    lattice = lattice_mm(plate)
    patches = []
    for label in range(1, count):
        inside = labels == label
        area = float(inside.sum())
        hot_inside = float((inside & hot).sum())
        if hot_inside < limit("glare_least_pitches") * SAMPLES_PER_PITCH**2:
            continue
        if hot_inside < 0.5 * float((inside & is_dark & np.isfinite(samples.values)).sum()):
            continue
        lit = samples.values[inside & is_bright]
        # Glare adds to the bright part; what stands in front of it (a hand) takes its place.
        if lit.size and float(np.median(lit)) < limit("glare_least_bright") * levels.bright_level:
            continue
        patches.append(
            _patch(
                samples,
                inside=inside,
                share=area / plate_samples,
                lattice=lattice,
                labels=labels,
                label=label,
            )
        )
    return tuple(sorted(patches, key=lambda p: -p.plate_share))


def _patch(
    samples: PlateSamples,
    *,
    inside: NDArray[np.bool_],
    share: float,
    lattice: FloatArray,
    labels: NDArray[np.int32],
    label: int,
) -> GlarePatch:
    px, mm = samples.px[inside], samples.pattern.points_mm[inside]
    centre_px, centre_mm = px.mean(axis=0), mm.mean(axis=0)
    radius = float(np.sqrt(2.0) * np.sqrt(((px - centre_px) ** 2).sum(axis=1).mean()))
    rows, columns = samples.pattern.shape
    low = samples.pattern.points_mm[0]
    spacing = samples.pattern.points_mm[1, 0] - low[0]
    at = np.rint((lattice - low) / spacing).astype(int)
    at[:, 0], at[:, 1] = at[:, 0].clip(0, columns - 1), at[:, 1].clip(0, rows - 1)
    covered = np.flatnonzero(labels[at[:, 1] * columns + at[:, 0]] == label)
    return GlarePatch(
        float(centre_px[0]),
        float(centre_px[1]),
        radius,
        share,
        tuple(int(i) for i in covered),
        float(centre_mm[0]),
        float(centre_mm[1]),
    )


def hidden_patches(
    samples: PlateSamples, levels: PlateLevels, plate: Plate, sighting: Sighting, noise_gray: float
) -> tuple[HiddenPatch, ...]:
    """Groups of neighbouring missing points, each with what the picture shows there; largest first.

    cause
        ``"border"``: the point's place touches the picture's border. ``"glare"``: light is added, the
        dark part bright and the bright one not dimmer. ``"shadow"``: both parts are darker than
        elsewhere by about the same factor, the contrast between them still there. ``"finger"``: no
        contrast left between the parts (something else is seen). ``"unclear"``: the pattern is there
        at full contrast. A group takes the cause of most of its points, *unclear* ones not counted.
    """
    missing = np.asarray(sighting.missing_ids, dtype=np.int64)
    if missing.size == 0 or not np.isfinite(levels.bright_level):
        return ()
    lattice = lattice_mm(plate)
    low, high = lattice.min(axis=0), lattice.max(axis=0)
    px = samples.mapping.to_px(lattice)
    room = _border_room(px, sighting)
    causes = {
        int(i): "border" if room[i] else _cause(levels.bright[i], levels.dark[i], levels, noise_gray)
        for i in missing
    }
    patches = []
    for ids in _groups(lattice, missing, plate.pitch_mm):
        b, d = _median(levels.bright[ids]), _median(levels.dark[ids])
        b, d = (b if np.isfinite(b) else 0.0), (d if np.isfinite(d) else 0.0)
        inside = (lattice[ids] - low).min(axis=1), (high - lattice[ids]).min(axis=1)
        patches.append(
            HiddenPatch(
                _most_common([causes[int(i)] for i in ids]),
                tuple(int(i) for i in ids),
                float(px[ids, 0].mean()),
                float(px[ids, 1].mean()),
                (b + d) / 2.0 / max(levels.middle, 1e-9),
                (b - d) / max(levels.bright_level - levels.dark_level, 1e-9),
                bool(min(inside[0].min(), inside[1].min()) < 0.5 * plate.pitch_mm),
            )
        )
    return tuple(sorted(patches, key=lambda p: -len(p.point_ids)))


def _most_common(causes: list[str]) -> str:
    told = [cause for cause in causes if cause != "unclear"]
    return max(sorted(set(told)), key=told.count) if told else "unclear"


def _border_room(px: FloatArray, sighting: Sighting) -> NDArray[np.bool_]:
    """Which places lie within a dot's radius of the picture's border, or outside."""
    width, height = sighting.image_size_px
    radius = 0.6 * (sighting.dot_diameter_px or 8.0)
    low = (px < radius).any(axis=1)
    out: NDArray[np.bool_] = low | (px[:, 0] > width - 1 - radius) | (px[:, 1] > height - 1 - radius)
    return out


def _cause(bright: float, dark: float, levels: PlateLevels, noise_gray: float) -> str:
    """What one missing point's surroundings show (see `hidden_patches`)."""
    if not (np.isfinite(bright) and np.isfinite(dark)):
        return "border"
    whole = max(levels.bright_level - levels.dark_level, 1e-9)
    rise, contrast = (dark - levels.dark_level) / whole, (bright - dark) / whole
    if rise > 0.5 * limit("glare_rise") and bright > limit("glare_least_bright") * levels.bright_level:
        return "glare"
    if contrast > limit("hidden_full_contrast"):
        return "unclear"
    ratio = bright / max(dark, 1e-9)
    whole_ratio = levels.bright_level / max(levels.dark_level, 1e-9)
    shot_noise = noise_gray * np.sqrt(np.clip(bright / max(levels.bright_level, 1e-9), 0.0, 1.0))
    seen = bright - dark > limit("shadow_least_noise") * max(shot_noise, 0.5)
    dim = bright < 0.6 * levels.bright_level
    if seen and dim and np.log(max(ratio, 1e-9)) > 0.5 * np.log(max(whole_ratio, 1.01)):
        return "shadow"
    return "finger"


def _groups(lattice: FloatArray, ids: NDArray[np.int64], pitch_mm: float) -> list[NDArray[np.int64]]:
    """Neighbouring points (within 1.5 pitches) grouped."""
    left = {int(i) for i in ids}
    groups = []
    while left:
        group, front = [], [left.pop()]
        while front:
            here = front.pop()
            group.append(here)
            near = [k for k in left if np.hypot(*(lattice[k] - lattice[here])) < 1.5 * pitch_mm]
            left.difference_update(near)
            front.extend(near)
        groups.append(np.array(sorted(group)))
    return groups
