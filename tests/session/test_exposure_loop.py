"""The exposure sets itself: from four stops under to three over, in at most three shots, without hunting."""

import math

import numpy as np
import pytest

from holdstill.limits import limit
from holdstill.loop.exposure import Seen, begin, exposure_step
from holdstill.measure.exposure import ExposureGoal, ExposureShot, plate_goal


class Light:
    """Two cameras over one plate: straight lines until they clip, frames that lag behind the setting."""

    def __init__(
        self, rng: np.random.Generator, *, gap_stops: float, told: bool = True, lag: int = 1
    ) -> None:
        self.contrast = rng.uniform(3.0, 18.0)
        self.black = rng.uniform(0.0, 0.06)
        self.goal = plate_goal(bright_dots=True)
        off = rng.uniform(-4.0, 3.0)
        self.gain = {
            "left": (self.goal.bright - self.black) * 2.0 ** (off + gap_stops / 2),
            "right": (self.goal.bright - self.black) * 2.0 ** (off - gap_stops / 2),
        }
        self.exposure = dict.fromkeys(self.gain, 1.0)
        self.told, self.lag, self.rng = told, lag, rng
        self.waiting: list[dict[str, float]] = []

    def bright(self, camera: str) -> float:
        """Where the dots would stand if they never clipped."""
        return self.black + self.gain[camera] * self.exposure[camera]

    def error_stops(self) -> float:
        """Largest distance from what is wanted: the dots' goal, or the most the ground may have."""
        worst = 0.0
        for camera in self.gain:
            most = min(self.goal.bright, self.black + self.contrast * (self.goal.dark_most - self.black))
            got = self.bright(camera)
            worst = max(worst, abs(math.log2((got - self.black) / (most - self.black))))
        return worst

    def frame(self) -> dict[str, Seen]:
        if len(self.waiting) >= self.lag:
            self.exposure = self.waiting.pop(0)
            self.waiting.clear()
        elif self.waiting:
            self.waiting.append(self.waiting[-1])
        out = {}
        for camera in self.gain:
            noise = self.rng.normal(0, 0.002, 2)
            level = self.bright(camera)
            dark = self.black + (level - self.black) / self.contrast
            shot = ExposureShot(
                self.exposure[camera] if self.told else 1.0,
                float(np.clip(level + noise[0], 0, 1)),
                float(np.clip(dark + noise[1], 0, 1)),
            )
            out[camera] = Seen(shot, self.goal, self.told)
        return out

    def set(self, stops: dict[str, float]) -> None:
        last = self.waiting[-1] if self.waiting else self.exposure
        self.waiting = [{c: last[c] * 2.0 ** stops.get(c, 0.0) for c in last}] * max(self.lag, 1)
        if self.lag == 0:
            self.exposure = self.waiting[-1]
            self.waiting = []


def played(light: Light, most: int = 80) -> tuple[str, int, int]:
    """Outcome, shots judged, settings made."""
    run, settings = begin(), 0
    for _ in range(most):
        run, change = exposure_step(run, light.frame())
        if change:
            settings += 1
            light.set(dict(change))
        if run.state != "setting":
            return run.state, run.judged, settings
    return "endless", run.judged, settings


@pytest.mark.parametrize(
    ("gap", "told", "lag"), [(0.0, True, 1), (0.4, True, 3), (1.2, True, 2), (0.2, False, 2)]
)
def test_it_is_right_within_three_shots(gap: float, told: bool, lag: int) -> None:
    rng = np.random.default_rng(77)
    good, judged = 0, []
    cases = 500
    for _ in range(cases):
        light = Light(rng, gap_stops=gap, told=told, lag=lag)
        outcome, shots, settings = played(light)
        judged.append(shots)
        assert settings < shots
        good += outcome == "set" and shots <= 3 and light.error_stops() <= limit("light_good_stops") + 0.02
    assert good >= 0.99 * cases
    assert max(judged) <= limit("exposure_shots_most") + 1


def test_what_is_right_is_left_alone() -> None:
    light = Light(np.random.default_rng(1), gap_stops=0.0)
    for camera in light.gain:
        light.gain[camera] = 0.972  # as near the goal as can still be measured
    light.contrast, light.black = 10.0, 0.0
    assert played(light) == ("set", 1, 0)


def test_frames_on_their_way_are_not_judged() -> None:
    light = Light(np.random.default_rng(2), gap_stops=0.0, lag=6)
    light.gain = dict.fromkeys(light.gain, 0.2)
    outcome, shots, settings = played(light)
    assert outcome == "set"
    assert settings == shots - 1 <= 2


def test_a_camera_that_can_go_no_further_ends_it_in_words() -> None:
    light = Light(np.random.default_rng(3), gap_stops=0.0)
    light.gain = dict.fromkeys(light.gain, 0.01)
    light.set = lambda stops: None  # type: ignore[method-assign, assignment]
    outcome, _, settings = played(light)
    assert outcome == "gave up"
    assert settings == 1


def test_without_a_plate_it_feels_its_way_by_the_whole_picture() -> None:
    goal = ExposureGoal(0.8, 1.0)
    run, change = exposure_step(begin(), {"left": Seen(ExposureShot(1.0, 0.05, 0.01), goal, coarse=True)})
    assert change["left"] == pytest.approx(4.0, abs=0.01)
    exposure = 2.0 ** change["left"]
    plate = Seen(ExposureShot(exposure, 0.7, 0.1), plate_goal(bright_dots=True))
    run, change = exposure_step(run, {"left": plate})
    assert run.state == "setting"
    assert 0.4 < change["left"] < 0.8
