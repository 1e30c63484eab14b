"""The rig on paper: figures with their sources, what all cameras see, and the way back to a lens."""

import math
from dataclasses import replace

import numpy as np
import pytest

from holdstill.geometry.nominal import nominal_poses_cam_from_rig
from holdstill.measure import optics
from holdstill.records import CameraDescription, Nothing, Rig
from holdstill.session.common_volume import Sight, common_field_mm, common_volume
from holdstill.session.paper import USUAL_LENSES_MM, PaperRig, on_paper
from holdstill.session.paper_drawing import rig_drawing
from holdstill.target import parse

REFERENCE = Rig(
    cameras=tuple(CameraDescription(n, 2448, 2048, 3.45, 25.0, 8.0) for n in ("left", "right")),
    stand_off_mm=700.0,
    stereo_angle_deg=20.0,
)


def paper(rig: Rig = REFERENCE, **changed) -> PaperRig:
    result = on_paper(rig, **changed)
    assert not isinstance(result, Nothing)
    return result


def with_cameras(rig: Rig = REFERENCE, **changed) -> Rig:
    return replace(rig, cameras=tuple(replace(c, **changed) for c in rig.cameras))


def keys(result: PaperRig) -> set[str]:
    return {note.key for note in result.notes}


@pytest.mark.parametrize(
    ("focal", "stop", "circle_um", "stand_off", "hyperfocal", "near", "far"),
    [
        (50, 8, 30.0, 3000, 10466.7, 2337.9, 4185.3),
        (100, 8, 30.0, 2000, 41766.7, 1912.8, 2095.6),
        (35, 8, 6.9, 800, 1225 / 0.0552 + 35, 773.34, 828.56),
    ],
)
def test_depth_of_field(focal, stop, circle_um, stand_off, hyperfocal, near, far):
    """Greenleaf, Photographic Optics (1950) pp. 25-27 (formula read second-hand, numbers computed);
    one pixel of blur, so the pixel is the circle. Third hyperfocal distance: 35^2/(8 x .0069) + 35."""
    rig = replace(
        with_cameras(focal_mm=float(focal), f_number=float(stop), pixel_um=circle_um),
        stand_off_mm=float(stand_off),
    )
    depth = paper(rig).cameras[0].sharp
    assert depth.hyperfocal_mm == pytest.approx(hyperfocal, abs=0.05)
    assert depth.near_mm == pytest.approx(near, abs=0.06)
    assert depth.far_mm == pytest.approx(far, abs=0.06)


@pytest.mark.parametrize(
    ("angle", "ratio", "noise"),
    [(15, 0.2633, 7.60), (20, 0.3527, 5.67), (25, 0.4434, 4.51), (30, 0.5359, 3.73), (35, 0.6306, 3.17)],
)
def test_baseline_and_noise_ratio(angle, ratio, noise):
    """2 tan(theta/2) of the distance from the middle of the baseline, and 1/tan(theta/2) (geometry)."""
    pair = paper(replace(REFERENCE, stereo_angle_deg=float(angle))).pair
    assert pair is not None
    assert pair.baseline_mm / pair.square_stand_off_mm == pytest.approx(ratio, abs=5e-5)
    assert pair.out_of_plane_ratio == pytest.approx(noise, abs=5e-3)
    assert pair.out_of_plane_um / pair.in_plane_um == pytest.approx(noise, abs=5e-3)


def test_baseline_is_that_of_the_nominal_poses():
    """The rig's stand-off runs along the axes; two rooms must place the cameras alike."""
    poses = nominal_poses_cam_from_rig(REFERENCE, ["left", "right"])
    turn, shift = poses["right"].arrays()
    pair = paper().pair
    assert pair is not None
    assert float(np.linalg.norm(shift)) == pytest.approx(pair.baseline_mm, rel=1e-9)
    assert math.degrees(float(np.linalg.norm(turn))) == pytest.approx(pair.stereo_angle_deg)


@pytest.mark.parametrize(("stop", "um"), [(5.6, 7.52), (8, 10.74), (11, 14.76), (16, 21.47)])
def test_airy_disc(stop, um):
    """2.44 lambda N at 550 nm, OpenStax University Physics 3, 4.5 (memory), times 1 + |m|."""
    camera = paper(with_cameras(f_number=float(stop))).cameras[0]
    assert camera.airy_um / (1.0 + 25.0 / 675.0) == pytest.approx(um, abs=0.006)


def test_field_scale_and_exposure_of_the_reference_rig():
    """Thin lens by hand: m = 25/675, so 2448 x 3.45 um / m = 228.03 mm and 93.15 um per px; 0.2 px
    of blur at 10 mm per second is 1.863 ms."""
    camera = paper().cameras[0]
    assert camera.field_mm == pytest.approx((228.0312, 190.7712))
    assert camera.image_scale_um_per_px == pytest.approx(93.15)
    assert camera.longest_exposure_ms == pytest.approx(1.863)


def test_strain_noise_is_that_of_two_points():
    """sqrt(2) sigma / L; in plane sigma = 0.02 px / (sqrt(2) cos 10 deg): 0.02/(100 cos 10 deg)."""
    pair = paper().pair
    assert pair is not None
    assert pair.strain_noise == pytest.approx(0.02 / 100.0 / math.cos(math.radians(10.0)))


def seen_sharp(sight: Sight, points_mm: np.ndarray) -> np.ndarray:
    """Which points (N, 3: x, y, z) a camera sees sharp, by projecting them (own check)."""
    flat = points_mm[:, [0, 2]] - sight.centre_mm
    deep, aside = flat @ sight.axis, flat @ sight.right
    return (
        (np.abs(aside) <= sight.half_width * deep)
        & (np.abs(points_mm[:, 1]) <= sight.half_height * deep)
        & (deep >= sight.near_mm)
        & (deep <= sight.far_mm)
    )


def sights(*angles: float, far: float = 820.0) -> list[Sight]:
    return [Sight(a, 700.0, 0.163, 0.136, 609.0, far) for a in angles]


@pytest.mark.parametrize("angles", [(-10.0, 10.0), (-16.0, 16.0), (-20.0, 0.0, 20.0), (0.0,)])
def test_common_volume_is_what_random_points_say(angles):
    looking = sights(*angles)
    volume = common_volume(looking)
    half = np.array([130.0, 125.0, 140.0])
    points = np.random.default_rng(7).uniform(-half, half, (400_000, 3))
    share = np.logical_and.reduce([seen_sharp(s, points) for s in looking]).mean()
    assert volume.litres == pytest.approx(share * float(np.prod(2 * half)) / 1e6, rel=0.01)


@pytest.mark.parametrize("angles", [(-10.0, 10.0), (-20.0, 0.0, 20.0)])
def test_box_lies_inside_and_is_the_largest(angles):
    looking = sights(*angles)
    box = np.array(common_volume(looking).box_mm)
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * box / 2
    assert all(seen_sharp(s, corners * 0.9999).all() for s in looking)
    assert not all(seen_sharp(s, corners * 1.001).all() for s in looking)
    rng = np.random.default_rng(11)
    for stretch in np.exp(rng.normal(0.0, 0.2, (300, 3))):
        other = corners * stretch
        if all(seen_sharp(s, other).all() for s in looking):
            assert np.prod(stretch) < 1.01


def test_common_field_lies_inside_and_touches_the_border():
    looking = sights(-10.0, 10.0)
    wide, high = common_field_mm(looking)
    corners = np.array([[x * wide, y * high, 0.0] for x in (-0.5, 0.5) for y in (-0.5, 0.5)])
    assert all(seen_sharp(s, corners * 0.9999).all() for s in looking)
    for grown in ([1.001, 0.5, 1], [0.999, 1.001, 1]):
        assert not all(seen_sharp(s, corners * grown).all() for s in looking)


def test_a_depth_without_end_has_no_volume_unless_the_fields_part():
    """A picture of 18.5 degrees half seen by cameras 60 degrees apart closes by itself."""
    assert common_volume(sights(-5.0, 5.0, far=math.inf)).litres is None
    assert common_volume(sights(-30.0, 30.0, far=math.inf)).litres is not None


def test_largest_tilt_leaves_the_depth_of_field_there():
    """Corners of the tilted plate, turned by hand: inside just before the limit, outside just after."""
    result = paper(replace(REFERENCE, plate=parse("dots 14x10 12mm")))
    wide, high = (size / 2 for size in result.target.size_mm)

    def fits(about_upright_deg: float, about_level_deg: float) -> bool:
        u, v = math.radians(about_upright_deg), math.radians(about_level_deg)
        corners = [
            np.array([x * math.cos(u), x * math.sin(u) + y * math.sin(v)])
            for x in (-wide, wide)
            for y in (-high, high)
        ]
        deep = [(c - s.centre_mm) @ s.axis for c in corners for s in result.sights]
        return result.sights[0].near_mm <= min(deep) and max(deep) <= result.sights[0].far_mm

    upright, level = result.target.tilt_sharp_deg
    assert 0 < upright < 90
    assert 0 < level < 90
    assert fits(upright - 0.01, 0)
    assert not fits(upright + 0.01, 0)
    assert fits(0, level - 0.01)
    assert not fits(0, level + 0.01)


def test_suggested_target_covers_what_is_customary():
    result = paper()
    assert 0.75 <= max(result.target.share) <= 0.80
    assert not result.target.said
    assert keys(result) == set()


@pytest.mark.parametrize("field_mm", [40.0, 120.0, 300.0, 2000.0])
def test_back_from_a_field_of_view(field_mm):
    rig = with_cameras(REFERENCE, focal_mm=None)
    free = paper(replace(rig, stand_off_mm=None), field_mm=field_mm)
    assert free.cameras[0].focal_mm == 25.0
    assert free.cameras[0].field_mm[0] == pytest.approx(field_mm, rel=0.002)
    held = paper(rig, field_mm=field_mm)
    assert held.stand_off_mm == 700.0
    assert held.wanted is not None
    exact = optics.field_of_view_mm((2448, 2048), held.wanted.exact_focal_mm, 700.0, 3.45)[0]
    assert exact == pytest.approx(field_mm)
    for focal, stand_off in held.wanted.stand_offs_mm:
        assert optics.field_of_view_mm((2448, 2048), focal, stand_off, 3.45)[0] == pytest.approx(field_mm)
    if USUAL_LENSES_MM[0] < held.wanted.exact_focal_mm:
        assert held.cameras[0].field_mm[0] >= field_mm * 0.9
        assert held.cameras[0].focal_mm in USUAL_LENSES_MM


def test_a_target_without_a_stand_off_tells_it():
    result = paper(Rig(plate=parse("dots 14x10 12mm")))
    assert 0.70 < result.target.share[0] < 0.80
    assert "stand_off_mm" in result.assumed


def test_a_target_without_a_lens_tells_it():
    result = paper(Rig(plate=parse("dots 14x10 14mm"), stand_off_mm=700.0))
    assert result.cameras[0].focal_mm == 25.0
    assert "focal_mm" in result.assumed


def test_nothing_said_is_the_reference_rig():
    result = paper(Rig())
    assert result.cameras == paper().cameras
    assert result.pair == paper().pair
    assert set(result.assumed) >= {"cameras", "focal_mm", "stand_off_mm", "stereo_angle_deg"}
    assert paper().assumed == ()


@pytest.mark.parametrize(
    ("rig", "key"),
    [
        (with_cameras(f_number=16.0), "paper.note.aperture"),
        (with_cameras(exposure_ms=20.0), "paper.note.exposure"),
        (replace(REFERENCE, stereo_angle_deg=8.0), "paper.note.narrow"),
        (replace(REFERENCE, stereo_angle_deg=45.0), "paper.note.wide"),
        (replace(REFERENCE, stand_off_mm=200.0), "paper.note.near"),
        (replace(REFERENCE, goal_displacement_um=1.0), "paper.note.goal"),
        (replace(REFERENCE, volume_mm=(400.0, 100.0, 50.0)), "paper.note.volume.width"),
        (replace(REFERENCE, volume_mm=(100.0, 400.0, 50.0)), "paper.note.volume.height"),
        (replace(REFERENCE, volume_mm=(100.0, 100.0, 400.0)), "paper.note.volume.depth"),
        (replace(REFERENCE, plate=parse("dots 14x10 20mm")), "paper.note.target-big"),
        (replace(REFERENCE, plate=parse("dots 14x10 6mm")), "paper.note.target-small"),
        (replace(REFERENCE, plate=parse("dots 140x100 1mm")), "paper.note.dots"),
        (with_cameras(f_number=1.4), "paper.note.tilt"),
        (replace(REFERENCE, cameras=REFERENCE.cameras[:1]), "paper.note.single"),
    ],
)
def test_what_speaks_against_a_rig_is_told(rig, key):
    assert key in keys(paper(rig))
    assert key not in keys(paper())


def test_what_can_not_be_is_nothing():
    near = on_paper(replace(REFERENCE, stand_off_mm=24.0))
    assert isinstance(near, Nothing)
    assert near.why == "nearer than the focal length"
    parallel = on_paper(replace(REFERENCE, stereo_angle_deg=0.0))
    assert isinstance(parallel, Nothing)
    assert parallel.why == "parallel axes"


@pytest.mark.parametrize(
    "rig",
    [
        REFERENCE,
        replace(REFERENCE, cameras=REFERENCE.cameras[:1]),
        replace(
            REFERENCE, cameras=(*REFERENCE.cameras, CameraDescription("third", 1024, 1280, 4.8, 16.0, 4.0))
        ),
        with_cameras(f_number=64.0, focal_mm=4.0),
        replace(REFERENCE, stereo_angle_deg=120.0),
    ],
)
def test_every_rig_has_finite_figures_and_a_drawing(rig):
    result = paper(rig)
    assert all(0 < side < math.inf for side in (*result.common.box_mm, *result.common_field_mm))
    drawing = rig_drawing(result)
    assert "nan" not in drawing
    assert "inf " not in drawing
