"""Closer looks by the eye: standstill, specimen, drift and aim from the frames it has just seen."""

import cv2
import numpy as np
import pytest

from holdstill.loop.closer import Closer
from holdstill.loop.worker import NOT_LOOKED_FOR, SEARCH_EVERY, Eye
from holdstill.records import Frame, Nothing, Shot
from holdstill.simulate import Bench, BenchSettings


@pytest.fixture(scope="module")
def scene() -> dict[str, np.ndarray]:
    """What two simulated cameras see of the specimen."""
    bench = Bench(BenchSettings(), np.random.default_rng(1))
    bench.advance(0.1, None)
    return {name: frame.image for name, frame in bench.shoot(0.0).items()}  # type: ignore[misc]


def seen(
    closer: Closer,
    scene: dict[str, np.ndarray],
    rng: np.random.Generator,
    *,
    light: float = 1.0,
    x: float = 0.0,
) -> None:
    for camera, image in scene.items():
        moved = cv2.warpAffine(
            image.astype(np.float32),
            np.float32([[1, 0, x], [0, 1, 0]]),
            image.shape[::-1],
            flags=cv2.INTER_CUBIC,
        )
        noise = rng.normal(0, 1.0, image.shape)
        picture = np.clip(np.rint(light * moved + noise), 0, 255).astype(np.uint8)
        closer.see(Frame(camera, picture, 255, camera, 0.0, "0", exposure_ms=4.0))


def test_a_watch_tells_flicker_and_lets_the_frames_go(scene: dict[str, np.ndarray]) -> None:
    closer, rng = Closer(), np.random.default_rng(2)
    scene = {camera: image[:448, 300:860] for camera, image in scene.items()}
    seen(closer, scene, rng)
    assert closer.kept == {}
    closer.watch()
    for k in range(10):
        seen(closer, scene, rng, light=1.0 + 0.03 * (-1) ** k)
    told = closer.judge_watch()
    assert {one.camera for one in told} == set(scene)
    assert {one.cause for one in told} == {"flicker"}
    assert told[0].flicker_share == pytest.approx(0.03, abs=0.01)
    assert closer.kept == {}
    assert not closer.keeping


def test_a_specimen_has_its_histogram_and_the_fastest_motion(scene: dict[str, np.ndarray]) -> None:
    closer = Closer()
    seen(closer, scene, np.random.default_rng(3))
    told = closer.judge_specimen({"left": 160.0}, {})
    assert told["left"].speckle_px == pytest.approx(4.9, abs=1.0)
    assert sum(told["left"].histogram) == pytest.approx(1.0, abs=0.01)
    # A tenth of a pixel of 160 um in 4 ms.
    assert told["left"].fastest_mm_per_s == pytest.approx(4.0)
    assert told["right"].fastest_mm_per_s is None


def test_drift_is_told_against_the_first_look(scene: dict[str, np.ndarray]) -> None:
    closer, rng = Closer(), np.random.default_rng(4)
    scene = {camera: image[:448, 300:860] for camera, image in scene.items()}
    seen(closer, scene, rng)
    assert closer.judge_drift() == {"left": None, "right": None}
    seen(closer, scene, rng, x=0.3)
    told = closer.judge_drift()
    assert told["left"] == pytest.approx((0.3, 0.0), abs=0.03)
    seen(closer, scene, rng, x=9.0)
    assert closer.judge_drift()["left"] is None, "a camera that was touched begins anew"


def test_aim_from_the_specimen(scene: dict[str, np.ndarray]) -> None:
    closer = Closer()
    seen(closer, scene, np.random.default_rng(5))
    told = closer.judge_aim()
    assert set(told) == {"right"}
    assert abs(told["right"].roll_deg) < 3
    assert told["right"].overlap > 0.7


def test_while_focusing_a_plate_that_is_away_is_looked_for_now_and_then() -> None:
    bench = Bench(BenchSettings(), np.random.default_rng(7))
    eye = Eye(bench.settings.plate, previews=False)

    def looked(number: int) -> list[bool]:
        bench.advance(0.1, None)
        shot = Shot(number, str(number), 100.0 * number, bench.shoot(100.0 * number), single=False)
        report = eye.look_at(shot)
        assert set(report.measures) == {"left", "right"}
        whys = [s.why if isinstance(s, Nothing) else "" for s in report.sightings.values()]
        return [why != NOT_LOOKED_FOR for why in whys]

    assert looked(1) == [True, True]
    eye.focusing = True
    searched = [looked(number)[0] for number in range(2, 2 + 2 * (SEARCH_EVERY + 1))]
    assert searched.count(True) == 2
    eye.focusing = False
    assert looked(99) == [True, True]
