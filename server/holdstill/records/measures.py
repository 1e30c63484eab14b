"""What was measured in one frame, and between two."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GlarePatch:
    """A glare patch: centre and radius in px; how much of the plate it hides (0..1); the points
    it covers; where it sits on the plate (mm, plate frame) when the plate was found."""

    x_px: float
    y_px: float
    radius_px: float
    plate_share: float
    point_ids: tuple[int, ...] = ()
    x_mm: float | None = None
    y_mm: float | None = None


@dataclass(frozen=True, slots=True)
class HiddenPatch:
    """Neighbouring plate points that were expected and not found, and what is seen there.

    cause
        ``"glare"``, ``"shadow"``, ``"finger"``, ``"border"`` (of the picture) or ``"unclear"``.
    x_px, y_px
        Middle of the points' expected places.
    level_share
        Level seen there over the plate's middle level. `contrast_share`: contrast left between
        bright and dark parts over the plate's own. `at_edge`: reaches the plate's edge.
    """

    cause: str
    point_ids: tuple[int, ...]
    x_px: float
    y_px: float
    level_share: float
    contrast_share: float
    at_edge: bool


@dataclass(frozen=True, slots=True)
class PlateLight:
    """How the light lies over a plate, from its bright (or, where that clips, its dark) part.

    peak_x, peak_y
        Where it is brightest, -1..1 over the part of the picture that the plate takes (right, down).
    slope_x, slope_y
        Change over half the plate's width and height in the picture, over the mean (right, down).
    fall
        Least fall from the peak to the plate's edge over the directions, over the peak: above 0 only
        for a bright middle that falls off on all sides.
    """

    peak_x: float
    peak_y: float
    slope_x: float
    slope_y: float
    fall: float


@dataclass(frozen=True, slots=True)
class FrameMeasures:
    """Measures of one frame. Shares and fills are 0..1 unless told otherwise.

    sharpness
        Gradient energy over mean squared, noise-compensated; dimensionless, >= 0; comparable only
        within one scene (Groen, Young & Ligthart 1985).
    sharpness_regions
        The same on a grid of regions, row-major, rows x columns given by `region_grid`.
    edge_width_px
        10-90 % rise of the edges, px; None when no edge was usable.
    saturated_share, saturated_in_dots, saturated_outside
        Share of pixels at the clipping level: in the picture, inside the plate's dots (or bright
        squares), outside the plate's dots. The latter two None when no plate was found.
    clip_level
        Level at which this frame clips (declared or found), in grey values.
    dot_fill
        Level of the dots' (or bright ground's) plateau over the clipping level; None without plate.
    ground_fill
        The same for the dark part.
    evenness
        Lowest over highest bright-level across the plate (or field), 0..1; 1 = perfectly even.
    noise_gray
        Estimated temporal-like noise sigma, grey values.
    """

    camera: str
    mean_level: float
    sharpness: float
    sharpness_regions: tuple[float, ...]
    region_grid: tuple[int, int]
    edge_width_px: float | None
    saturated_share: float
    saturated_in_dots: float | None
    saturated_outside: float | None
    clip_level: float
    dot_fill: float | None
    ground_fill: float | None
    evenness: float | None
    noise_gray: float
    glare: tuple[GlarePatch, ...] = ()
    coverage: float | None = None
    """Share of the picture's area inside the plate's outline; None without plate."""
    motion_blur_px: float | None = None
    """Directional excess of blur, px (single frames); None when not measurable."""
    motion_blur_error_px: float | None = None
    """Standard error of `motion_blur_px`, px."""
    motion_direction_deg: float | None = None
    """Direction of that smear, from x toward y (picture), -90..90."""
    hidden: tuple[HiddenPatch, ...] = ()
    """Missing points of the plate and what hides them, largest group first."""
    high_share: float | None = None
    """99th percentile of the picture over the clipping level."""
    low_share: float | None = None
    """1st percentile of the picture over the clipping level."""
    clip_seen: bool = False
    """True when a pile-up in the histogram showed `clip_level`; False: taken from the bit depth."""
    sharpness_sigma: float | None = None
    """Standard deviation of `sharpness` from the frame's own noise."""
    smear_anisotropy: float | None = None
    """(l1 - l2)/(l1 + l2) of the whole picture's gradient energy, 0..1."""
    region_means: tuple[float, ...] = ()
    """Mean level of each region, grey values, in the order of `sharpness_regions`."""
    light: PlateLight | None = None
    """How the light lies over the plate; None without one."""


@dataclass(frozen=True, slots=True)
class Stillness:
    """Motion of the plate between two frames of one camera.

    speed_px_per_s
        rms speed of the common points. `blur_px`: that speed times the exposure (None if the
        exposure is unknown). `points`: how many were common.
    """

    camera: str
    speed_px_per_s: float
    shift_px: float
    blur_px: float | None
    points: int
