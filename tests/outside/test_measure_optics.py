"""Optics against published and computed figures; the source stands beside each check."""

import math

import pytest

from holdstill.measure import optics


@pytest.mark.parametrize(
    ("f", "n", "c", "s", "hyperfocal", "near", "far"),
    [
        (50, 8, 0.030, 3000, 10466.7, 2337.9, 4185.3),
        (100, 8, 0.030, 2000, 41766.7, 1912.8, 2095.6),
        (35, 8, 0.0069, 800, None, 773.34, 828.56),
    ],
)
def test_depth_of_field(f, n, c, s, *, hyperfocal, near, far):
    """Greenleaf, Photographic Optics (1950) pp. 25-27: formula read second-hand, numbers computed."""
    depth = optics.depth_of_field(f, n, s, c)
    if hyperfocal is not None:
        assert depth.hyperfocal_mm == pytest.approx(hyperfocal, abs=0.05)
    assert depth.near_mm == pytest.approx(near, abs=0.05)
    assert depth.far_mm == pytest.approx(far, abs=0.06)


def test_depth_of_field_ends_at_the_blur_circle_allowed():
    """The two formulas, from different derivations, must meet (own derivation)."""
    depth = optics.depth_of_field(35, 8, 800, 0.0069)
    for end in (depth.near_mm, depth.far_mm):
        assert optics.blur_circle_px(35, 8, 800, end, 6.9) == pytest.approx(1.0, rel=1e-6)


def test_beyond_the_hyperfocal_distance_far_is_infinite():
    assert math.isinf(optics.depth_of_field(10, 16, 2000, 0.01).far_mm)


@pytest.mark.parametrize(("distance", "image", "m"), [(50, 12.5, -0.25), (5, -10, 2.0), (20, 20, -1.0)])
def test_thin_lens(distance, image, m):
    """OpenStax University Physics 3, section 2.4, f = 10 (memory)."""
    assert optics.image_distance_mm(10, distance) == pytest.approx(image)
    assert optics.magnification(10, distance) == pytest.approx(m)


@pytest.mark.parametrize(("n", "um"), [(5.6, 7.52), (8, 10.74), (11, 14.76), (16, 21.47)])
def test_airy_disc(n, um):
    """2.44 lambda N at 550 nm, OpenStax University Physics 3, section 4.5 (memory)."""
    assert optics.airy_diameter_um(n) == pytest.approx(um, abs=0.006)


@pytest.mark.parametrize(
    ("angle", "ratio", "noise"),
    [(15, 0.2633, 7.60), (20, 0.3527, 5.67), (25, 0.4434, 4.51), (30, 0.5359, 3.73), (35, 0.6306, 3.17)],
)
def test_baseline_and_noise_ratio(angle, ratio, noise):
    """2 tan(theta/2) and 1/tan(theta/2) (geometry)."""
    assert optics.baseline_mm(1.0, angle) == pytest.approx(ratio, abs=5e-5)
    assert optics.out_of_plane_ratio(angle) == pytest.approx(noise, abs=5e-3)
    both = optics.stereo_noise(0.01, 50.0, angle)
    assert both.out_of_plane_um / both.in_plane_um == pytest.approx(noise, abs=5e-3)


def test_stops():
    """f/4 to f/16 and 1/60 to 1/250 s (geometry)."""
    assert optics.aperture_stops(4, 16) == pytest.approx(4.0)
    assert optics.exposure_stops(1000 / 250, 1000 / 60) == pytest.approx(2.059, abs=5e-4)


def test_motion_blur():
    """digitalimagecorrelation.org primer, section 1 (read): 1 um/s at 10 um/px."""
    assert optics.motion_blur_px(0.001, 1000, 10) == pytest.approx(0.10)
    assert optics.motion_blur_px(0.001, 100, 10) == pytest.approx(0.01)
    assert optics.longest_exposure_ms(0.001, 10, 0.1) == pytest.approx(1000)


def test_speckle_size_on_the_object():
    """digitalimagecorrelation.org primer, section 3 (read): 3-7 px of 12 mm / 2048 px are 18-41 um."""
    assert optics.sensor_speckle_um(3, 12, 2048) == pytest.approx(18, abs=0.6)
    assert optics.sensor_speckle_um(7, 12, 2048) == pytest.approx(41, abs=0.6)


def test_lens_and_stand_off_invert_the_field():
    width, _ = optics.field_of_view_mm((2448, 2048), 25, 700, 3.45)
    assert optics.lens_for(width, 2448, 3.45, 700) == pytest.approx(25)
    assert optics.stand_off_for(width, 2448, 3.45, 25) == pytest.approx(700)


def test_tilt_that_stays_sharp():
    """A plate tilted to the limit has its edge at the nearer end of the depth (geometry)."""
    depth = optics.depth_of_field(25, 8, 700, 0.00345)
    tilt = optics.sharp_tilt_deg(depth, 700, 90)
    assert 700 - 90 * math.sin(math.radians(tilt)) == pytest.approx(depth.near_mm, abs=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: optics.depth_of_field(0, 8, 700, 0.003),
        lambda: optics.baseline_mm(700, 0),
        lambda: optics.blur_circle_px(25, 8, 20, 700, 3.45),
        lambda: optics.image_scale_um_per_px(25, 700, math.nan),
    ],
)
def test_values_without_meaning_are_refused(call):
    with pytest.raises(ValueError, match="wanted"):
        call()
