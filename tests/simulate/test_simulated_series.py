"""Series of a bench that stands still, more or less, and what every plate looks like."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import ndimage

from holdstill import target
from holdstill.records import FloatArray, Picture
from holdstill.simulate import (
    Held,
    Sensor,
    Setting,
    Shimmer,
    Unrest,
    Wash,
    binned,
    body,
    demo_rig,
    focus_series,
    focus_series_speckle,
    light_factor,
    pose_of,
    static_series,
)

SIZE = (256, 192)
CALM = Sensor(bits=12, full_well_e=1e6, read_noise_e=1, fixed_pattern=0)


def shift_px(a: Picture, b: Picture) -> FloatArray:
    """Displacement of b against a by one linear least-squares step on gradients, repeated."""
    fa = ndimage.gaussian_filter(a.astype(float), 1.0)
    fb = ndimage.gaussian_filter(b.astype(float), 1.0)
    total = np.zeros(2)
    for _ in range(6):
        gy, gx = np.gradient(fb)
        inner = (slice(12, -12), slice(12, -12))
        g = np.stack([gx[inner].ravel(), gy[inner].ravel()], axis=1)
        step, *_ = np.linalg.lstsq(g, (fb - fa)[inner].ravel(), rcond=None)
        total -= step
        fb = ndimage.shift(
            ndimage.gaussian_filter(b.astype(float), 1.0), (-total[1], -total[0]), order=3, mode="nearest"
        )
    return total


def test_a_step_of_a_fraction_of_a_pixel_is_drawn_as_told() -> None:
    unrest = Unrest(step_px=(0.07, -0.33), step_at_s=0.5)
    a, b = static_series(SIZE, [0.0, 1.0], CALM, np.random.default_rng(1), unrest=unrest)
    assert shift_px(a, b) == pytest.approx([0.07, -0.33], abs=0.004)


def test_a_calm_scene_does_not_move() -> None:
    a, b = static_series(SIZE, [0.0, 1.0], CALM, np.random.default_rng(1))
    assert shift_px(a, b) == pytest.approx([0, 0], abs=0.002)


def test_vibration_moves_the_whole_picture_along_one_line() -> None:
    unrest = Unrest(vibration_px=0.3, vibration_hz=23.0)
    frames = list(static_series(SIZE, np.arange(16) / 9.7, CALM, np.random.default_rng(4), unrest=unrest))
    path = np.array([shift_px(frames[0], f) for f in frames])
    path -= path.mean(axis=0)
    spread = np.linalg.svd(path, compute_uv=False) / np.sqrt(len(path))
    assert spread[0] == pytest.approx(0.3 / np.sqrt(2) * np.hypot(1, 1 / 3), rel=0.35)
    assert spread[1] < 0.05 * spread[0]


def test_shimmer_has_the_stated_strength_and_fades_with_distance_and_time() -> None:
    unrest = Unrest(shimmer_px=0.2, shimmer_s=0.4, shimmer_share=0.1)
    field = Shimmer((1280, 1024), unrest, np.random.default_rng(2))
    first = field.advance(0.0)
    draws = [first, *(field.advance(0.1) for _ in range(30))]
    assert np.std(draws) == pytest.approx(0.2, rel=0.1)
    near = np.mean([np.corrcoef(d[:, :-2].ravel(), d[:, 2:].ravel())[0, 1] for d in draws])
    far = np.mean([np.corrcoef(d[:, :-60].ravel(), d[:, 60:].ravel())[0, 1] for d in draws])
    assert near > 0.85
    assert abs(far) < 0.2
    assert abs(np.corrcoef(first.ravel(), draws[-1].ravel())[0, 1]) < 0.35


def test_flicker_is_averaged_by_the_exposure() -> None:
    unrest = Unrest(flicker_share=0.3, mains_hz=50.0)
    short = [light_factor(unrest, t, 1e-4, 0.0) for t in np.linspace(0, 0.01, 100, endpoint=False)]
    whole = [light_factor(unrest, t, 0.01, 0.0) for t in np.linspace(0, 0.01, 100, endpoint=False)]
    assert max(short) == pytest.approx(1.3, abs=2e-3)
    assert np.mean(short) == pytest.approx(1.0, abs=1e-3)
    assert whole == pytest.approx(np.ones(100), abs=1e-12)  # one full period of 2 x 50 Hz


def test_flicker_shows_in_the_frames_mean() -> None:
    unrest = Unrest(flicker_share=0.2)
    frames = static_series(SIZE, np.arange(12) * 0.1037, CALM, np.random.default_rng(1), unrest=unrest)
    means = np.array([f.mean() for f in frames])
    assert np.ptp(means) / means.mean() > 0.15


@pytest.mark.parametrize("scene", ["speckle", "dots", "chessboard"])
def test_a_focus_sweep_is_sharpest_at_the_distance(scene: str) -> None:
    rig = demo_rig()
    camera = binned(rig.cameras[0], 2)
    ring = [500.0, 520.0, 540.0, 560.0, 580.0, 600.0]
    camera = replace(camera, f_number=1.8)
    rng = np.random.default_rng(3)
    if scene == "speckle":
        frames = focus_series_speckle(rig, camera, ring, Sensor(), rng, depth_mm=560.0)
    else:
        plate = target.parse("dots 8x6 12mm" if scene == "dots" else "chessboard 8x6 12mm")
        thing = body(plate)
        setting = Setting(rig, thing, pose_of(Held(z_mm=10.0), thing, rig), Wash(0.9))
        frames = focus_series(setting, camera, ring, Sensor(), rng)
    energy = [float(np.mean(cv2.Laplacian(f, cv2.CV_64F)[20:-20, 20:-20] ** 2)) for f in frames]
    assert int(np.argmax(energy)) == 3
    assert energy[:4] == sorted(energy[:4])
    assert energy[3:] == sorted(energy[3:], reverse=True)


@pytest.mark.parametrize(
    "spec",
    [
        "dots 14x10 12mm d6mm bright",
        "dots 9x7 12mm ring@3,4 larger@7,2 smaller@5,6",
        "staggered-dots 4x11 14mm",
        "chessboard 9x6 16mm",
        "charuco 10x7 16mm 12mm",
        "coded-dots 14x10 10mm",
        "coded-dots 14x10 10mm bright",
    ],
)
def test_what_is_simulated_is_what_is_drawn_to_scale(spec: str) -> None:
    """The simulator's printed shapes against the drawing room's, area by area and place by place."""
    from holdstill.target.drawing import draw

    plate = target.parse(spec)
    thing, page = body(plate), draw(plate)
    origin = np.array(page.origin_mm)
    discs = sorted((d.x_mm - origin[0], d.y_mm - origin[1], 2 * d.radius_mm) for d in page.discs)
    ours = sorted(
        (f.x_mm, f.y_mm, f.diameter_mm)
        for f in thing.figures
        if f.diameter_mm > 0 and f.bright is not thing.ground_bright
    )
    assert np.allclose(np.array(ours), np.array(discs), atol=1e-9)
    holes = sum(np.pi * d.hole_mm**2 for d in page.discs)
    drawn = sum(_area(loop) for loop in page.loops)
    assert sum(
        _area(f.corners_mm) for f in thing.figures if f.corners_mm is not None and not _in_marker(f, plate)
    ) == (pytest.approx(drawn, rel=1e-9))
    assert holes == pytest.approx(
        sum(
            np.pi * f.diameter_mm**2 / 4
            for f in thing.figures
            if f.diameter_mm > 0 and f.bright is thing.ground_bright
        ),
        rel=1e-9,
    )
    x, y, wide, high = page.plate_mm
    assert np.allclose(thing.outline_mm[2] - thing.outline_mm[0], [wide, high], atol=1e-9)
    assert np.allclose(thing.outline_mm[0], np.array([x, y]) - origin, atol=1e-9)


def _in_marker(figure: object, plate: object) -> bool:
    return any(
        max(abs(figure.x_mm - m.x_mm), abs(figure.y_mm - m.y_mm)) < 0.66 * m.side_mm  # type: ignore[attr-defined]
        and float(np.ptp(figure.corners_mm[:, 0])) < 1.5 * m.side_mm  # type: ignore[attr-defined]
        for m in plate.markers  # type: ignore[attr-defined]
    )


def _area(loop: FloatArray | None) -> float:
    assert loop is not None
    following = np.roll(loop, -1, axis=0)
    return abs(float(np.sum(loop[:, 0] * following[:, 1] - following[:, 0] * loop[:, 1]))) / 2


@pytest.mark.parametrize(
    "spec", ["dots 14x10 12mm d6mm bright", "staggered-dots 5x13 12mm", "coded-dots 14x10 10mm"]
)
def test_the_eye_reads_both_paths_where_the_truth_says(spec: str) -> None:
    """Quick and exact pictures read by the real finder: every point, within 0.06 px of the truth."""
    from holdstill.records import Sighting
    from holdstill.simulate import Grain, QuickCamera, exact, quick_exposed, true_points_px

    rig = demo_rig()
    camera = rig.cameras[0]
    plate = target.parse(spec)
    thing = body(plate)
    setting = Setting(rig, thing, pose_of(Held(14, -9, 4, 3, 2, 5), thing, rig), exposure=0.95)
    truth = true_points_px(setting, camera)
    rng = np.random.default_rng(8)
    behind = np.full((1024, 1280), 0.05, np.float32)
    eye = QuickCamera(camera, thing, behind)
    pictures = {
        "exact": exact(setting, camera, Sensor(), rng, behind=behind),
        "quick": quick_exposed(eye.level(setting), Sensor(), Grain((1280, 1024), rng)),
    }
    seen: dict[str, FloatArray] = {}
    for path, picture in pictures.items():
        sighting = target.find(picture, plate, camera="left", full_scale=255)
        assert isinstance(sighting, Sighting), (path, sighting)
        assert len(sighting.point_ids) == plate.point_count - len(plate.absent)
        points = sighting.points_px
        turned = plate.turned_ids()
        if turned is not None and np.abs(points - truth[sighting.point_ids]).max() > 5:
            points = points[::-1]
        assert np.sqrt(np.mean((points - truth[sighting.point_ids]) ** 2)) < 0.06
        seen[path] = points
    assert np.sqrt(np.mean((seen["exact"] - seen["quick"]) ** 2)) < 0.012
