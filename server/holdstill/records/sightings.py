"""What the eye saw in one frame."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

from .plate import FloatArray, IntArray


class DotFlag(IntFlag):
    """Remarks on a single point; 0 is a clean one."""

    CLIPPED = 1
    """Its plateau reaches the clipping level (flanks only were used)."""
    EDGE = 2
    """Close to the picture's border."""
    SHADED = 4
    """Strong brightness slope across it."""
    SUSPECT = 8
    """Fits less well than its neighbours; used with a larger sigma."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """A plate found in one camera's frame. Pixel centres at whole numbers, origin at the centre of
    the top-left pixel, x right, y down.

    camera, image_size_px
        Camera name; (width, height).
    point_ids
        int32 (n,), numbers of the plate's points that were found, ascending, no duplicates.
    points_px
        float64 (n, 2), images of the points (eccentricity of dots already corrected).
    sigmas_px
        float64 (n,), standard deviation per coordinate of each point.
    flags
        int32 (n,), bit set of `DotFlag`.
    missing_ids
        int32 (m,), points of the plate that were expected in the picture and not found.
    outline_px
        float64 (k, 2), polygon around the plate's points in the picture, for drawing.
    absolute
        True when the numbering is certain; False when the plate looks the same turned by 180
        degrees, or (plain grid partly in view) may be shifted by whole pitches.
    blur_px
        Gaussian-equivalent blur sigma of the point's edges, px; None if not measured.
    dot_growth
        Diameter seen over diameter expected (1 = as drawn), None if unknown.
    dot_diameter_px
        Median diameter of the dots (or square side for boards), px.
    dark_dots
        Polarity seen.
    """

    camera: str
    image_size_px: tuple[int, int]
    point_ids: IntArray
    points_px: FloatArray
    sigmas_px: FloatArray
    flags: IntArray
    missing_ids: IntArray
    outline_px: FloatArray
    absolute: bool
    blur_px: float | None = None
    dot_growth: float | None = None
    dot_diameter_px: float | None = None
    dark_dots: bool | None = None
    residual_px: float | None = None
    """rms of the points about the view's own smooth map (homography with k1, k2), px."""
