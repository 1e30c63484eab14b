"""Time of the whole set of frame measures against the eye's on the same 5-MP pair. Run by hand:

python -m pytest tests/bench/bench_measure.py -m bench -s
"""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from holdstill.measure import frame_measures
from holdstill.measure.focus import FocusState, focus_sample, focus_step
from holdstill.measure.levels import levels
from holdstill.measure.noise import noise_model
from holdstill.measure.sharpness import grid_sharpness
from holdstill.records import Plate, PlateKind, Sighting
from holdstill.target import find
from measure.focus_sweeps import Stack, shoot

PLATE = Plate(PlateKind.DOTS, 14, 10, 14.0, 7.0)


def frame(rng: np.random.Generator, tilt: float, full: int) -> np.ndarray:
    """A 2448 x 2048 frame of a plate of bright dots, slightly turned, just saturated."""
    light = np.full((2048, 2448), 0.12, np.float32)
    for row in range(10):
        for column in range(14):
            x = 1224 + (column - 6.5) * 150 + tilt * (row - 4.5) * 150
            y = 1024 + (row - 4.5) * 150 - tilt * (column - 6.5) * 150
            cv2.circle(light, (round(x * 16), round(y * 16)), 37 * 16, 1.05, -1, cv2.LINE_AA, 4)
    level = cv2.GaussianBlur(light, (0, 0), 1.0) * full
    noisy = level + rng.normal(size=level.shape).astype(np.float32) * np.sqrt(level * full / 255 * 0.03 + 1)
    return np.clip(np.rint(noisy), 0, full).astype(np.uint8 if full == 255 else np.uint16)


def best_ms(runs: dict[str, Callable[[], object]], rounds: int = 15) -> dict[str, float]:
    """Least CPU time of each, taken in turns so that a busy machine hurts all alike."""
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            begin = time.process_time()
            run()
            times[name].append(time.process_time() - begin)
    return {name: 1000.0 * min(taken) for name, taken in times.items()}


@pytest.mark.bench
@pytest.mark.parametrize("full", [255, 4095])
def test_measures_cost_at_most_a_quarter_of_the_eye(full: int) -> None:
    cv2.setNumThreads(1)
    rng = np.random.default_rng(1)
    pair = {"left": frame(rng, 0.02, full), "right": frame(rng, -0.03, full)}
    seen = {name: find(f, PLATE, camera=name, full_scale=full) for name, f in pair.items()}
    assert all(isinstance(s, Sighting) for s in seen.values())

    def eye() -> None:
        for name, f in pair.items():
            find(f, PLATE, camera=name, full_scale=full)

    def eye_tracking() -> None:
        for name, f in pair.items():
            find(f, PLATE, camera=name, full_scale=full, hint=seen[name])

    def measures() -> None:
        for name, f in pair.items():
            frame_measures(f, camera=name, full_scale=full, plate=PLATE, sighting=seen[name])

    def sharpness() -> None:
        for f in pair.values():
            grid_sharpness(f, noise_model(f, clip_from=levels(f, full_scale=full).clip_from))

    got = best_ms(
        {"eye": eye, "eye, tracking": eye_tracking, "all measures": measures, "sharpness alone": sharpness}
    )
    print(f"\nfull scale {full}, 2448x2048 pair, CPU of one thread, OpenCV {cv2.__version__}")
    print("| what | ms per pair | of the eye |\n|---|---|---|")
    for name, taken in got.items():
        print(f"| {name} | {taken:.1f} | {taken / got['eye']:.2f} |")
    assert got["all measures"] <= 0.25 * got["eye"]


@pytest.mark.bench
def test_the_gauge_keeps_up_with_ten_pairs_a_second() -> None:
    cv2.setNumThreads(1)
    picture = cv2.resize(
        shoot(Stack("speckle", reach_px=1, step_px=1).at(0), np.random.default_rng(1)), (2448, 2048)
    )
    state = FocusState()

    def once() -> None:
        nonlocal state
        for camera in ("left", "right"):
            m = frame_measures(picture, camera=camera, full_scale=255)
            state = focus_step(state, focus_sample(m, at_ms=0.0))

    got = best_ms({"pair": once})["pair"]
    print(f"\nframe measures and focus gauge, 5-MP pair: {got:.1f} ms CPU")
    assert got < 100.0
