"""Optics of a rig on paper: field, scale, depth of field, diffraction, exposure that stays sharp.

Lengths in mm unless the name says um; angles in degrees. A thin lens stands for the real one
throughout, so distances count from its principal planes: good to about a percent at stand-offs of
ten focal lengths or more, not for macro work or telecentric lenses. ValueError for values that
have no meaning (zero or negative lengths).
"""

from __future__ import annotations

import math
from dataclasses import dataclass


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} is {value}, wanted a positive number")


def image_distance_mm(focal_mm: float, object_distance_mm: float) -> float:
    """Distance of the image behind a thin lens, mm: ``1/s' = 1/f - 1/s``; negative: virtual.

    Infinite for an object in the focal plane. OpenStax University Physics 3, section 2.4 (from
    memory).
    """
    _positive(focal_mm=focal_mm, object_distance_mm=object_distance_mm)
    if object_distance_mm == focal_mm:
        return math.inf
    return 1.0 / (1.0 / focal_mm - 1.0 / object_distance_mm)


def magnification(focal_mm: float, object_distance_mm: float) -> float:
    """Signed magnification ``m = -s'/s``; negative: real and upside down."""
    return -image_distance_mm(focal_mm, object_distance_mm) / object_distance_mm


def image_scale_um_per_px(focal_mm: float, stand_off_mm: float, pixel_um: float) -> float:
    """Size of a pixel on an object at the stand-off, um per px: pixel / |m|, focused there."""
    _positive(pixel_um=pixel_um)
    return pixel_um / abs(magnification(focal_mm, stand_off_mm))


def field_of_view_mm(
    size_px: tuple[int, int], focal_mm: float, stand_off_mm: float, pixel_um: float
) -> tuple[float, float]:
    """Width and height seen at the stand-off, mm."""
    scale = image_scale_um_per_px(focal_mm, stand_off_mm, pixel_um) / 1000.0
    return size_px[0] * scale, size_px[1] * scale


def lens_for(field_mm: float, pixels: int, pixel_um: float, stand_off_mm: float) -> float:
    """Focal length, mm, that sees `field_mm` across `pixels` at the stand-off: ``f = s m/(1 + m)``."""
    _positive(field_mm=field_mm, pixels=pixels, pixel_um=pixel_um, stand_off_mm=stand_off_mm)
    m = pixels * pixel_um / 1000.0 / field_mm
    return stand_off_mm * m / (1.0 + m)


def stand_off_for(field_mm: float, pixels: int, pixel_um: float, focal_mm: float) -> float:
    """Stand-off, mm, at which a lens sees `field_mm` across `pixels`: ``s = f (1 + 1/m)``."""
    _positive(field_mm=field_mm, pixels=pixels, pixel_um=pixel_um, focal_mm=focal_mm)
    m = pixels * pixel_um / 1000.0 / field_mm
    return focal_mm * (1.0 + 1.0 / m)


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """Nearest and farthest distance that stay within the blur allowed, mm (`far_mm` may be
    infinite), and the hyperfocal distance, mm."""

    near_mm: float
    far_mm: float
    hyperfocal_mm: float

    @property
    def depth_mm(self) -> float:
        """From nearest to farthest, mm."""
        return self.far_mm - self.near_mm


def depth_of_field(
    focal_mm: float, f_number: float, stand_off_mm: float, blur_circle_mm: float
) -> DepthOfField:
    """Depth of field for a blur circle of `blur_circle_mm` on the sensor.

    ``H = f^2/(N c) + f; near = s (H - f)/(H + s - 2 f); far = s (H - f)/(H - s)``. Greenleaf,
    Photographic Optics (1950) pp. 25-27 (formula read second-hand). Geometric blur only: at small
    apertures diffraction blurs the whole depth alike (see `airy_diameter_um`).
    """
    _positive(focal_mm=focal_mm, f_number=f_number, stand_off_mm=stand_off_mm, blur_circle_mm=blur_circle_mm)
    hyperfocal = focal_mm**2 / (f_number * blur_circle_mm) + focal_mm
    near = stand_off_mm * (hyperfocal - focal_mm) / (hyperfocal + stand_off_mm - 2 * focal_mm)
    far = math.inf
    if stand_off_mm < hyperfocal:
        far = stand_off_mm * (hyperfocal - focal_mm) / (hyperfocal - stand_off_mm)
    return DepthOfField(near, far, hyperfocal)


def blur_circle_px(
    focal_mm: float, f_number: float, focus_mm: float, object_mm: float, pixel_um: float
) -> float:
    """Diameter of the defocus disc, px, of an object at `object_mm` when focused at `focus_mm`.

    ``c = f^2 |s - s0| / (N s (s0 - f))`` (similar triangles through the aperture).
    """
    _positive(focal_mm=focal_mm, f_number=f_number, object_mm=object_mm, pixel_um=pixel_um)
    if focus_mm <= focal_mm:
        raise ValueError(f"focus_mm is {focus_mm}, wanted more than the focal length {focal_mm}")
    circle = focal_mm**2 * abs(object_mm - focus_mm) / (f_number * object_mm * (focus_mm - focal_mm))
    return circle * 1000.0 / pixel_um


def working_f_number(f_number: float, focal_mm: float, stand_off_mm: float) -> float:
    """Effective f-number at a finite stand-off: ``N (1 + |m|)`` (symmetric lens)."""
    _positive(f_number=f_number)
    return f_number * (1.0 + abs(magnification(focal_mm, stand_off_mm)))


def airy_diameter_um(f_number: float, wavelength_nm: float = 550.0) -> float:
    """Diameter of the Airy disc, um, to the first dark ring: 2.44 lambda N.

    OpenStax University Physics 3, section 4.5 (from memory). `f_number`: the working one.
    """
    _positive(f_number=f_number, wavelength_nm=wavelength_nm)
    return 2.44 * wavelength_nm / 1000.0 * f_number


def diffraction_sigma_px(f_number: float, pixel_um: float, wavelength_nm: float = 550.0) -> float:
    """Gaussian of best fit to the Airy pattern, sigma in px: 0.42 lambda N / pixel (from memory:
    the core's least-squares match)."""
    _positive(f_number=f_number, pixel_um=pixel_um, wavelength_nm=wavelength_nm)
    return 0.42 * wavelength_nm / 1000.0 * f_number / pixel_um


def diffraction_limited_f_number(
    pixel_um: float, wavelength_nm: float = 550.0, disc_px: float = 2.0
) -> float:
    """Largest f-number whose Airy disc stays within `disc_px` pixels."""
    _positive(pixel_um=pixel_um, wavelength_nm=wavelength_nm, disc_px=disc_px)
    return disc_px * pixel_um * 1000.0 / (2.44 * wavelength_nm)


def sharp_tilt_deg(depth: DepthOfField, stand_off_mm: float, half_plate_mm: float) -> float:
    """Largest tilt of a plate centred at the stand-off whose nearer and farther edges stay within
    the depth of field, degrees, 0..90: ``asin(min(s - near, far - s) / half size)``."""
    _positive(half_plate_mm=half_plate_mm)
    room = min(stand_off_mm - depth.near_mm, depth.far_mm - stand_off_mm)
    return math.degrees(math.asin(min(max(room, 0.0) / half_plate_mm, 1.0)))


def baseline_mm(stand_off_mm: float, stereo_angle_deg: float) -> float:
    """Distance between the entrance pupils, mm, of two cameras converging at the stand-off:
    ``2 s tan(theta/2)``, the stand-off measured along the bisector (geometry)."""
    _positive(stand_off_mm=stand_off_mm)
    if not 0 < stereo_angle_deg < 180:
        raise ValueError(f"stereo_angle_deg is {stereo_angle_deg}, wanted between 0 and 180")
    return 2.0 * stand_off_mm * math.tan(math.radians(stereo_angle_deg) / 2.0)


def out_of_plane_ratio(stereo_angle_deg: float) -> float:
    """Out-of-plane over in-plane noise of a symmetric pair: ``1/tan(theta/2)`` (geometry)."""
    if not 0 < stereo_angle_deg < 180:
        raise ValueError(f"stereo_angle_deg is {stereo_angle_deg}, wanted between 0 and 180")
    return 1.0 / math.tan(math.radians(stereo_angle_deg) / 2.0)


def aperture_stops(f_from: float, f_to: float) -> float:
    """Stops of light lost from one f-number to another: ``2 log2(to/from)``; negative: gained."""
    _positive(f_from=f_from, f_to=f_to)
    return 2.0 * math.log2(f_to / f_from)


def exposure_stops(from_ms: float, to_ms: float) -> float:
    """Stops of light gained from one exposure time to another: ``log2(to/from)``; negative: lost."""
    _positive(from_ms=from_ms, to_ms=to_ms)
    return math.log2(to_ms / from_ms)


def motion_blur_px(speed_mm_per_s: float, exposure_ms: float, scale_um_per_px: float) -> float:
    """Blur of a moving object in one exposure, px: ``v t / scale``.

    digitalimagecorrelation.org primer, section 1 (read).
    """
    _positive(scale_um_per_px=scale_um_per_px)
    return abs(speed_mm_per_s) * exposure_ms / scale_um_per_px


def longest_exposure_ms(speed_mm_per_s: float, scale_um_per_px: float, blur_px: float) -> float:
    """Longest exposure, ms, that keeps the blur of a motion below `blur_px`."""
    _positive(speed_mm_per_s=speed_mm_per_s, scale_um_per_px=scale_um_per_px, blur_px=blur_px)
    return blur_px * scale_um_per_px / speed_mm_per_s


def sensor_speckle_um(pixels: float, field_mm: float, across_px: int) -> float:
    """Size on the object, um, of a speckle that is `pixels` px in the picture."""
    _positive(pixels=pixels, field_mm=field_mm, across_px=across_px)
    return pixels * field_mm * 1000.0 / across_px


@dataclass(frozen=True, slots=True)
class StereoNoise:
    """One sigma of a displacement from a matching noise, um: in the plane and out of it."""

    in_plane_um: float
    out_of_plane_um: float


def stereo_noise(match_sigma_px: float, scale_um_per_px: float, stereo_angle_deg: float) -> StereoNoise:
    """Displacement noise of a symmetric pair from the noise of matching in each camera.

    With sigma px in each camera independently: along the baseline ``x = (u1 + u2)/(2 cos(a))`` and
    out of plane ``z = (u1 - u2)/(2 sin(a))`` with a = theta/2, times the scale; hence
    ``sigma scale/(sqrt(2) cos a)`` and ``sigma scale/(sqrt(2) sin a)``, ratio 1/tan(theta/2)
    (geometry, own derivation).
    """
    _positive(match_sigma_px=match_sigma_px, scale_um_per_px=scale_um_per_px)
    half = math.radians(stereo_angle_deg) / 2.0
    base = match_sigma_px * scale_um_per_px / math.sqrt(2.0)
    return StereoNoise(base / math.cos(half), base / math.sin(half))


def strain_noise(displacement_sigma_um: float, gauge_mm: float) -> float:
    """Strain noise, one sigma (dimensionless), of a two-point gauge: ``sqrt(2) sigma / L``."""
    _positive(gauge_mm=gauge_mm)
    return math.sqrt(2.0) * displacement_sigma_um / 1000.0 / gauge_mm
