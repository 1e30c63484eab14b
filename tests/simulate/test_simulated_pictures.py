"""The simulator's pictures against brute force, cv2, formulas, and one path against the other."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from holdstill.records import FloatArray, Plate, PlateKind, Pose
from holdstill.simulate import (
    GLARING,
    OBLIQUE,
    Blur,
    BlurKind,
    Held,
    Lamp,
    QuickCamera,
    Sensor,
    Setting,
    SimCamera,
    Wash,
    binned,
    body,
    circle_of_confusion_mm,
    converging,
    demo_rig,
    exact,
    exact_level,
    exposed,
    mirror_point_mm,
    pose_of,
    true_points_px,
    variance_gray2,
    window,
)
from holdstill.simulate.coverage import polygon_coverage
from holdstill.simulate.hand import holding
from holdstill.simulate.optics import (
    after,
    back,
    distorted,
    moved,
    rotation_matrix,
    rotation_vector,
    undistorted,
)

DOTS = Plate(PlateKind.DOTS, 14, 10, 12.0, 6.0, dark_dots=False)


def small_camera() -> SimCamera:
    return binned(demo_rig().cameras[0], 4)


def test_coverage_of_an_ellipse_equals_counting_points() -> None:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    rim = np.stack([10.3 + 4.7 * np.cos(angle), 8.9 + 3.1 * np.sin(angle)], axis=1)
    cover = polygon_coverage(rim, 22, 18)
    fine = 64
    y, x = np.mgrid[0 : 18 * fine, 0 : 22 * fine]
    x, y = (x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5
    counted = (((x - 10.3) / 4.7) ** 2 + ((y - 8.9) / 3.1) ** 2 < 1).reshape(18, fine, 22, fine).mean((1, 3))
    assert np.abs(cover - counted).max() < 0.003  # counting itself errs by about 1/(2 * 64) of a rim's share
    assert cover.sum() == pytest.approx(np.pi * 4.7 * 3.1, rel=2e-5)


def test_coverage_is_cut_at_the_picture_and_turns_either_way() -> None:
    square = np.array([[-3.0, 1.25], [2.5, 1.25], [2.5, 9.0], [-3.0, 9.0]])
    for rim in (square, square[::-1]):
        cover = polygon_coverage(rim, 5, 4)
        assert np.allclose(cover[0], 0)
        assert np.allclose(cover[1], [0.25, 0.25, 0.25, 0, 0])
        assert np.allclose(cover[3], [1, 1, 1, 0, 0])


def test_projection_equals_cv2() -> None:
    rng = np.random.default_rng(4)
    camera = demo_rig().cameras[1]
    points = rng.uniform([-90, -70, 500], [90, 70, 600], (200, 3))
    r, t = camera.pose_cam_from_rig.arrays()
    told, _ = cv2.projectPoints(points, r, t, camera.lens.matrix(), camera.lens.distortion())
    assert np.abs(camera.project(points) - told.reshape(-1, 2)).max() < 1e-9


def test_undistortion_is_the_inverse_of_distortion() -> None:
    lens = demo_rig().cameras[0].lens
    xy = np.random.default_rng(1).uniform(-0.2, 0.2, (100, 2))
    assert np.abs(undistorted(distorted(xy, lens), lens) - xy).max() < 1e-11


def test_rotations_agree_with_cv2_and_come_back() -> None:
    rng = np.random.default_rng(2)
    for _ in range(50):
        v = rng.normal(0, 1, 3)
        v *= rng.uniform(0, np.pi - 1e-3) / np.linalg.norm(v)
        told, _ = cv2.Rodrigues(v)
        assert np.allclose(rotation_matrix(v), told, atol=1e-12)
        assert np.allclose(rotation_vector(told), v, atol=1e-9)


def test_cameras_converge_on_the_crossing_point() -> None:
    rig = converging(imperfect=False, stereo_angle_deg=20.0, stand_off_mm=550.0)
    crossing = moved(np.zeros((1, 3)), rig.pose_rig_from_bench)
    eyes = []
    for camera in rig.cameras:
        assert np.allclose(camera.project(crossing), [[639.5, 511.5]], atol=1e-9)
        eyes.append(back(camera.pose_cam_from_rig).arrays()[1])
    # baseline / stand-off = 2 sin(theta/2) with the stand-off measured along the axes (geometry)
    assert np.linalg.norm(eyes[1] - eyes[0]) == pytest.approx(2 * 550 * np.sin(np.radians(10)), rel=1e-12)
    ideal = demo_rig()
    spread = after(ideal.cameras[1].pose_cam_from_rig, back(ideal.cameras[0].pose_cam_from_rig)).arrays()[0]
    assert np.degrees(np.linalg.norm(spread)) == pytest.approx(20.0, abs=0.7)


def test_a_blurred_dot_equals_brute_force() -> None:
    """Exact path against counting 32 x 32 points per pixel, blurred there."""
    rows, columns, fine = 38, 40, 32
    camera = window(demo_rig().cameras[0], 593, 463, columns, rows)
    plate = Plate(PlateKind.DOTS, 3, 3, 12.0, 6.0, dark_dots=False)
    rig = demo_rig()
    thing = body(plate, margin_pitches=6.0)
    pose = pose_of(Held(24, -13, 8, -4.3, -3.1, 6), thing, rig)
    setting = Setting(rig, thing, pose, Wash(0.9), exposure=1.0)
    level = exact_level(setting, camera, blur=Blur(sigma_px=0.9))
    pixels_y, pixels_x = np.mgrid[0 : rows * fine, 0 : columns * fine]
    pixels = np.stack([(pixels_x + 0.5) / fine - 0.5, (pixels_y + 0.5) / fine - 0.5], axis=-1).reshape(-1, 2)
    lens = camera.lens
    xy = undistorted((pixels - [lens.cx, lens.cy]) / [lens.fx, lens.fy], lens, rounds=5)
    r, t = after(camera.pose_cam_from_rig, pose).arrays()
    m = rotation_matrix(r)
    h = np.linalg.inv(np.stack([m[:, 0], m[:, 1], t], axis=1))
    mm = np.concatenate([xy, np.ones((len(xy), 1))], axis=1) @ h.T
    mm = mm[:, :2] / mm[:, 2:]
    near = np.round(mm / 12.0)
    hit = (np.hypot(*(mm - near * 12.0).T) < 3.0) & np.all((near >= 0) & (near <= 2), axis=1)
    scene = np.where(hit, thing.bright_share, thing.dark_share).reshape(rows * fine, columns * fine)
    blurred = cv2.GaussianBlur(scene, (0, 0), 0.9 * fine)
    told = 0.9 * blurred.reshape(rows, fine, columns, fine).mean(axis=(1, 3))
    inner = (slice(5, -5), slice(5, -5))
    assert np.ptp(level[inner]) > 0.6
    assert np.abs(level[inner] - told[inner]).max() < 0.0015
    assert abs((level - told)[inner].sum() / level[inner].sum()) < 1e-4


@pytest.mark.parametrize("kind", [BlurKind.DISC, BlurKind.COMA, BlurKind.GAUSSIAN])
def test_blur_keeps_the_light_and_has_the_stated_width(kind: BlurKind) -> None:
    camera, rig = window(converging(imperfect=False).cameras[0], 560, 430, 160, 160), demo_rig()
    thing = body(Plate(PlateKind.DOTS, 1, 1, 12.0, 3.0, dark_dots=False), margin_pitches=4.0)
    pose = pose_of(Held(), thing, rig)
    setting = Setting(rig, thing, pose, Wash(1.0))
    sharp = exact_level(setting, camera, blur=Blur(sigma_px=0.0)) - thing.dark_share
    soft = exact_level(setting, camera, blur=Blur(kind=kind, sigma_px=2.5)) - thing.dark_share
    assert soft.sum() == pytest.approx(sharp.sum(), rel=1e-6)
    spread = _second_moment(soft) - _second_moment(sharp)
    tolerance = 0.02 if kind is not BlurKind.COMA else 0.9  # coma's sigma is nominal only
    assert np.sqrt(spread[1]) == pytest.approx(2.5, rel=tolerance)
    assert np.allclose(_centroid(soft), _centroid(sharp), atol=0.02)


def _centroid(level: FloatArray) -> FloatArray:
    y, x = np.mgrid[0 : level.shape[0], 0 : level.shape[1]]
    return np.array([(level * x).sum(), (level * y).sum()]) / level.sum()


def _second_moment(level: FloatArray) -> FloatArray:
    x0, y0 = _centroid(level)
    y, x = np.mgrid[0 : level.shape[0], 0 : level.shape[1]]
    return np.array([(level * (x - x0) ** 2).sum(), (level * (y - y0) ** 2).sum()]) / level.sum()


def test_motion_blur_is_a_box_along_the_way() -> None:
    camera, rig = window(converging(imperfect=False).cameras[0], 560, 430, 160, 160), demo_rig()
    thing = body(Plate(PlateKind.DOTS, 1, 1, 12.0, 3.0, dark_dots=False), margin_pitches=4.0)
    setting = Setting(rig, thing, pose_of(Held(), thing, rig), Wash(1.0))
    still = exact_level(setting, camera, blur=Blur(sigma_px=0.8)) - thing.dark_share
    moving = exact_level(setting, camera, blur=Blur(sigma_px=0.8, motion_px=(6.0, 0.0))) - thing.dark_share
    gained = _second_moment(moving) - _second_moment(still)
    assert gained[0] == pytest.approx(6.0**2 / 12, rel=0.02)
    assert gained[1] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("kind", [PlateKind.DOTS, PlateKind.CHESSBOARD])
def test_quick_and_exact_agree(kind: PlateKind) -> None:
    """Dots' centroids within 0.02 px, levels within 2 % of white rms inside the plate."""
    rig = demo_rig()
    plate = DOTS if kind is PlateKind.DOTS else Plate(kind, 12, 9, 12.0)
    thing = body(plate)
    setting = Setting(
        rig, thing, pose_of(Held(18, -10, 3, 4, -3, 8), thing, rig), OBLIQUE, holding(thing), 0.9
    )
    camera = rig.cameras[0]
    quick = QuickCamera(camera, thing, np.full((1024, 1280), 0.03, np.float32)).level(setting)
    true = exact_level(setting, camera, behind=0.03)
    truth = true_points_px(setting, camera)
    low, high = truth.min(axis=0).astype(int), truth.max(axis=0).astype(int)
    inner = (slice(low[1], high[1]), slice(low[0], high[0]))
    assert np.sqrt(np.mean((quick[inner] - true[inner]) ** 2)) < 0.02
    if kind is PlateKind.CHESSBOARD:
        return
    off = []
    for number in (16, 30, 66, 79, 96, 122):
        x, y = np.round(truth[number]).astype(int)
        patch = (slice(y - 24, y + 25), slice(x - 24, x + 25))
        off.append(
            _centroid(np.clip(quick[patch] - 0.1, 0, None)) - _centroid(np.clip(true[patch] - 0.1, 0, None))
        )
    assert np.abs(off).max() < 0.02


def test_noise_follows_the_photon_transfer_relation() -> None:
    """EMVA 1288 R4.0 Linear (from memory): var = K (mu - dark) + var_dark + 1/12."""
    sensor = Sensor(bits=12, full_well_e=9000, read_noise_e=8, offset_gray=64, fixed_pattern=0, gain_db=3.0)
    rng = np.random.default_rng(7)
    for level in (0.0, 0.02, 0.1, 0.3, 0.5):
        scene = np.full((400, 500), level)
        a = exposed(scene, sensor, rng).astype(float)
        b = exposed(scene, sensor, rng).astype(float)
        variance = np.mean((a - b) ** 2) / 2 - (a.mean() - b.mean()) ** 2 / 2
        assert variance == pytest.approx(float(variance_gray2(sensor, np.array(a.mean()))), rel=0.02)


def test_clipping_knee_and_shift() -> None:
    bright = np.full((8, 8), 3.0)
    assert exposed(bright, Sensor(), None).max() == 255
    knee = exposed(bright, Sensor(bits=12, knee=0.9), None)
    assert knee.max() == round(0.9 * 4095)
    shifted = exposed(bright, Sensor(bits=12, shifted=True), None)
    assert shifted.dtype == np.uint16
    assert shifted.max() == 4095 << 4


def test_over_exposed_dots_grow() -> None:
    camera, rig = small_camera(), demo_rig()
    thing = body(DOTS)
    sizes = []
    for exposure in (0.8, 4.0):
        setting = Setting(rig, thing, pose_of(Held(), thing, rig), Wash(1.0), exposure=exposure)
        picture = exact(setting, camera, Sensor(bloom=0.1), None)
        sizes.append(np.count_nonzero(picture > 127))
    assert sizes[1] > 1.04 * sizes[0]


def test_glare_sits_at_the_mirror_direction() -> None:
    """l = 2 (n.v) n - v: the brightest gloss on a dark plate is where the lamp is mirrored."""
    rig = demo_rig()
    camera = binned(rig.cameras[1], 2)
    thing = body(Plate(PlateKind.DOTS, 14, 10, 12.0, 1.0, dark_dots=False))
    pose = pose_of(Held(4, -3, 0, 2, 1, 0), thing, rig)
    lamp = Lamp(10.0, -40.0, -430.0, 0.3)
    level = exact_level(Setting(rig, thing, pose, (lamp,), exposure=0.2), camera, blur=Blur(sigma_px=3.0))
    y, x = np.unravel_index(int(np.argmax(level)), level.shape)
    bench_from_rig = back(rig.pose_rig_from_bench)
    bench_from_plate = after(bench_from_rig, pose)
    normal = -rotation_matrix(bench_from_plate.arrays()[0])[:, 2]
    eye = after(bench_from_rig, back(camera.pose_cam_from_rig)).arrays()[1]
    told = mirror_point_mm(bench_from_plate.arrays()[1], normal, eye, lamp.place_mm())
    px = camera.project(moved(told[None], rig.pose_rig_from_bench))[0]
    assert np.hypot(x - px[0], y - px[1]) < 6.0  # the fall of the light with distance pulls it a little


def test_the_badly_placed_lamp_shows_in_both_pictures_and_the_good_ones_in_none() -> None:
    rig, thing = demo_rig(), body(DOTS)
    pose = pose_of(Held(2, 1), thing, rig)
    for camera in (binned(c, 4) for c in rig.cameras):
        good = exact_level(Setting(rig, thing, pose, OBLIQUE), camera)
        bad = exact_level(Setting(rig, thing, pose, (*OBLIQUE, GLARING)), camera)
        assert good.max() < 1.05
        assert np.mean(bad > 1.2) > 0.005


def test_defocus_equals_the_depth_of_field_table() -> None:
    """Greenleaf, Photographic Optics (1950) pp 25-27 (read second-hand): at the near and far limit the
    disc has the diameter that defines them."""
    for focal, stop, c, focus, near, far in (
        (50.0, 8.0, 0.030, 3000.0, 2337.9, 4185.3),
        (100.0, 8.0, 0.030, 2000.0, 1912.8, 2095.6),
        (35.0, 8.0, 0.0069, 800.0, 773.34, 828.56),
    ):
        disc = circle_of_confusion_mm(focal, stop, focus, np.array([near, far, focus]))
        assert disc[:2] == pytest.approx([c, c], rel=2e-3)
        assert disc[2] == 0


def test_a_plate_out_of_focus_is_blurred_by_the_lens() -> None:
    rig = demo_rig()
    camera = rig.cameras[0]
    depth = np.array([470.0, 550.0, 630.0])
    told = np.hypot(circle_of_confusion_mm(16.0, 8.0, 550.0, depth) * 1e3 / 4.8 / 4, 0.55)
    assert camera.blur_sigma_px(depth) == pytest.approx(told)
    assert camera.blur_sigma_px(np.array([550.0]))[0] == pytest.approx(0.55)


def test_pictures_are_the_same_for_the_same_seed() -> None:
    rig, thing = demo_rig(), body(DOTS)
    setting = Setting(rig, thing, pose_of(Held(12, 4), thing, rig))
    camera = small_camera()
    one = exact(setting, camera, Sensor(), np.random.default_rng(5))
    two = exact(setting, camera, Sensor(), np.random.default_rng(5))
    other = exact(setting, camera, Sensor(), np.random.default_rng(6))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_cv2_finds_the_drawn_chessboard_where_the_truth_says() -> None:
    """OpenCV as an outside reader of the exact path's chessboard: corners within 0.05 px rms."""
    rig = demo_rig()
    plate = Plate(PlateKind.CHESSBOARD, 9, 6, 16.0)
    thing = body(plate)
    setting = Setting(rig, thing, pose_of(Held(20, 15, 4, 0, 0, 10), thing, rig), Wash(0.8))
    camera = rig.cameras[1]
    picture = exact(setting, camera, Sensor(), np.random.default_rng(3))
    found, corners = cv2.findChessboardCorners(picture, (9, 6))
    assert found
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    seen = cv2.cornerSubPix(picture, corners.astype(np.float32), (7, 7), (-1, -1), stop).reshape(-1, 2)
    truth = true_points_px(setting, camera)
    if np.linalg.norm(seen[0] - truth[0]) > np.linalg.norm(seen[-1] - truth[0]):
        seen = seen[::-1]
    assert np.sqrt(np.mean(np.sum((seen - truth) ** 2, axis=1))) < 0.05


def test_a_pose_read_back_is_the_pose_set() -> None:
    from holdstill.simulate import held_of

    rig, thing = demo_rig(), body(DOTS)
    held = Held(21.0, -13.0, 77.0, 12.0, -9.0, 31.0)
    again = held_of(pose_of(held, thing, rig), thing, rig)
    assert again.array() == pytest.approx(held.array(), abs=1e-9)
    centre = moved(np.array([[*thing.centre_mm(), 0.0]]), pose_of(held, thing, rig))
    told = moved(np.array([[12.0, -9.0, 31.0]]), rig.pose_rig_from_bench)
    assert centre == pytest.approx(told, abs=1e-9)
    assert isinstance(pose_of(held, thing, rig), Pose)


def test_tilt_signs_are_as_the_cameras_see_them() -> None:
    """tilt_x: right edge toward the cameras; tilt_y: top edge toward; turn: clockwise."""
    rig, thing = demo_rig(), body(DOTS)
    bench_from_rig = back(rig.pose_rig_from_bench)

    def corner(held: Held, x: float, y: float) -> FloatArray:
        mid = thing.centre_mm()
        point = np.array([[mid[0] + x, mid[1] + y, 0.0]])
        return moved(moved(point, pose_of(held, thing, rig)), bench_from_rig)[0]

    assert corner(Held(tilt_x_deg=20), 50, 0)[2] < -10
    assert corner(Held(tilt_y_deg=20), 0, -50)[2] < -10
    assert corner(Held(turn_deg=20), 50, 0)[1] > 10
