"""The focus gauge: a run of sharpness values in, what to do with the ring out. Pure state machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from holdstill.limits import limit
from holdstill.records import FloatArray, FrameMeasures


class FocusOrder(StrEnum):
    """What the gauge says about the ring."""

    TURN = "turn"
    """Not turned yet: turn the ring, either way."""
    KEEP_TURNING = "keep turning"
    """It gets sharper."""
    OTHER_WAY = "other way"
    """It has only got softer since the start: turn the other way."""
    TURN_BACK = "past it, turn back"
    """The peak was passed."""
    THERE = "there"
    """As sharp as the best seen, which was seen from both sides."""


class StaleReason(StrEnum):
    """Why the best value remembered no longer stands."""

    SCENE = "the scene moved"
    APERTURE = "the aperture or the light changed"


@dataclass(frozen=True, slots=True, eq=False)
class FocusSample:
    """What the gauge needs of one frame.

    sharpness, sigma: of the region watched (see `grid_sharpness`). regions, means: of the grid,
    float64 (n,). saturated_share, edge_width_px: of the frame. exposure_ms: as the source tells,
    with the gain in it (exposure x linear gain), or None.
    """

    at_ms: float
    sharpness: float
    sigma: float
    regions: FloatArray
    means: FloatArray
    saturated_share: float
    edge_width_px: float | None = None
    exposure_ms: float | None = None


def focus_sample(
    measures: FrameMeasures,
    *,
    at_ms: float,
    exposure_ms: float | None = None,
    regions: Sequence[int] | None = None,
) -> FocusSample:
    """A frame's part in the gauge; `regions`: numbers of the grid's regions to watch (all: None)."""
    values = np.asarray(measures.sharpness_regions)
    means = np.asarray(measures.region_means)
    sharpness = measures.sharpness
    sigma = measures.sharpness_sigma or 0.0
    if regions is not None:
        chosen = list(regions)
        weights = means[chosen] ** 2
        sharpness = float(
            (values[chosen] * weights).sum() / max(float(means[chosen].mean()) ** 2 * len(chosen), 1e-9)
        )
        sigma *= math.sqrt(len(values) / max(len(chosen), 1))
    return FocusSample(
        at_ms, sharpness, sigma, values, means, measures.saturated_share, measures.edge_width_px, exposure_ms
    )


@dataclass(frozen=True, slots=True, eq=False)
class FocusState:
    """Where the gauge stands. Logs are natural logs of sharpness, put on one scale across changes
    of exposure.

    order
        What to say. `closer`: +1 it gets sharper, -1 softer, 0 neither (two clearly different
        sounds). `share`: sharpness now over the best, 0..1.
    best, best_at_ms
        Log of the best value and when; None before any. `best_edge_width_px` at that moment.
    stale
        Why the best was forgotten, until a new one is established.
    path
        The last log values (oldest first) for drawing.
    """

    order: FocusOrder = FocusOrder.TURN
    closer: int = 0
    share: float = 0.0
    best: float | None = None
    best_at_ms: float | None = None
    best_edge_width_px: float | None = None
    stale: StaleReason | None = None
    path: tuple[float, ...] = ()
    low: float = math.inf
    """Lowest value since the start, and `rise_from`: lowest before the best."""
    rise_from: float = math.inf
    passed: bool = False
    """True once the peak has been seen from both sides."""
    below: int = 0
    """Values in a row that were clearly below the best."""
    offset: float = 0.0
    """Added to the logs to bridge changes of exposure."""
    last: FocusSample | None = None
    recent: tuple[float, ...] = ()
    recent_ms: tuple[float, ...] = ()
    region_best: FloatArray = field(default_factory=lambda: np.zeros(0))
    reference: FloatArray = field(default_factory=lambda: np.zeros(0))
    """Pattern of the regions' means when the scene was last taken as the same."""
    noise: float = 0.005
    """Running scatter of the values about their own trend (log)."""


_PATH = 120
_RECENT = 9


def _window(noise: float) -> int:
    """How many frames are averaged: as many as bring the scatter below a fifth of `focus_drop`."""
    wanted = (noise / (0.2 * limit("focus_drop"))) ** 2
    return int(min(max(3, 2 * math.ceil(wanted / 2.0) + 1), _RECENT))


def focus_step(state: FocusState, sample: FocusSample) -> FocusState:
    """The gauge after one more frame.

    The value smoothed over three frames (up to nine in noise) is compared with the best remembered:
    *past it* needs a drop by `focus_drop` (and clear of the scatter) twice in a row after a rise;
    *there* needs the best to be known from both sides and the value to be within `focus_there` of
    it. Changes of exposure leave the sharpness unchanged; where clipping or a black level makes
    it jump at a brightness step, the trend is carried across. A jump too large for that is a changed
    aperture, a changed pattern of the regions' means a moved scene: the best is then forgotten and
    `stale` says why. Indifferent to how fast the ring is turned, up to about a blur circle of
    four px between frames.
    """
    if sample.sharpness <= 0 or not math.isfinite(sample.sharpness):
        return replace(state, last=sample, closer=0)
    stale, offset = _bridge(state, sample)
    if stale is not None:
        state = FocusState(stale=stale, noise=state.noise)
        offset = 0.0
    value = math.log(sample.sharpness) + offset
    error = math.hypot(sample.sigma / sample.sharpness, 0.003)
    recent = (*state.recent, value)[-_RECENT:]
    noise = _scatter(state.noise, recent, error)
    window = _window(noise)
    smooth = float(np.mean(recent[-window:])) if window > 3 else float(np.median(recent[-3:]))
    margin = max(limit("focus_drop"), 4.5 * noise / math.sqrt(window / 3.0))
    reference = sample.means / max(float(sample.means.mean()), 1e-9)
    state = replace(
        state,
        offset=offset,
        last=sample,
        recent=recent,
        recent_ms=(*state.recent_ms, sample.at_ms)[-_RECENT:],
        noise=noise,
        path=(*state.path, value)[-_PATH:],
        region_best=_region_best(state.region_best, sample),
        reference=reference,
        low=min(state.low, smooth),
    )
    if len(recent) < 3:
        return state
    return _ordered(state, sample, smooth, margin)


def _ordered(state: FocusState, sample: FocusSample, smooth: float, margin: float) -> FocusState:
    """Best, order and sound from the smoothed value."""
    best = state.best if state.best is not None else -math.inf
    if smooth > best:
        state = replace(
            state,
            best=smooth,
            best_at_ms=_middle_ms(state),
            best_edge_width_px=sample.edge_width_px,
            below=0,
            rise_from=min(state.low, state.rise_from),
            passed=state.passed and smooth - best < margin,
        )
        best = smooth
    drop = best - smooth
    risen = best - state.rise_from >= margin
    softer = _softer_edges(state, sample)
    below = state.below + 1 if drop > margin and softer else 0
    passed = state.passed or (below >= 2 and risen)
    sound = _sound(state)
    order = state.order
    there = limit("focus_there") + 1.5 * state.noise
    if passed and drop <= there:
        order = FocusOrder.THERE
    elif passed and below >= 2 and sound <= 0:
        order = FocusOrder.TURN_BACK
    elif passed and sound > 0:
        order = FocusOrder.KEEP_TURNING
    elif not passed and below >= 2 and not risen:
        order = FocusOrder.OTHER_WAY
    elif not passed and (sound > 0 or risen):
        order = FocusOrder.KEEP_TURNING
    stale = None if passed else state.stale
    return replace(
        state,
        passed=passed,
        below=below,
        order=order,
        closer=sound,
        share=min(math.exp(smooth - best), 1.0),
        stale=stale,
    )


def _middle_ms(state: FocusState) -> float:
    """Time of the middle of the frames averaged."""
    times = state.recent_ms[-_window(state.noise) :]
    return times[len(times) // 2]


def _sound(state: FocusState) -> int:
    """+1 while it gets sharper, -1 softer: the newest frames against those before them."""
    half = 2 if _window(state.noise) <= 3 else 4
    if len(state.recent) < 2 * half:
        return 0
    change = float(np.mean(state.recent[-half:]) - np.mean(state.recent[-2 * half : -half]))
    if abs(change) < 2.0 * state.noise * math.sqrt(2.0 / half):
        return 0
    return 1 if change > 0 else -1


def _softer_edges(state: FocusState, sample: FocusSample) -> bool:
    """False when the edges have not become wider since the best: then it was no focus that went."""
    if state.best_edge_width_px is None or sample.edge_width_px is None:
        return True
    return sample.edge_width_px > 1.01 * state.best_edge_width_px


def _scatter(before: float, recent: Sequence[float], error: float) -> float:
    """Scatter of the values about a straight line through their neighbours, slowly updated."""
    if len(recent) < 3:
        return max(before, error)
    bend = abs(recent[-1] - 2 * recent[-2] + recent[-3]) / (0.8 * math.sqrt(6.0))
    return max(0.9 * before + 0.1 * min(bend, 0.2), error)


def _region_best(before: FloatArray, sample: FocusSample) -> FloatArray:
    """Best of each region so far (normalised sharpness)."""
    return (
        sample.regions.copy() if before.shape != sample.regions.shape else np.maximum(before, sample.regions)
    )


def _bridge(state: FocusState, sample: FocusSample) -> tuple[StaleReason | None, float]:
    """Whether the best is stale, and the offset that carries the trend across a brightness step."""
    last = state.last
    if last is None or last.means.shape != sample.means.shape or last.sharpness <= 0:
        return None, state.offset
    brightness = math.log2(max(float(sample.means.mean()), 1e-6) / max(float(last.means.mean()), 1e-6))
    pattern = sample.means / max(float(sample.means.mean()), 1e-9)
    clipping = max(sample.saturated_share, last.saturated_share) > limit("focus_clipping")
    # A changed exposure brings out or hides what a black level and coarse codes do to the pattern.
    reset = _told_stops(last.exposure_ms, sample.exposure_ms) > limit("focus_brightness_step")
    if not clipping and not reset and state.reference.shape == pattern.shape:
        change = float(np.sqrt(np.mean((pattern - state.reference) ** 2)))
        if change > limit("focus_scene_change"):
            return StaleReason.SCENE, 0.0
    if abs(brightness) < limit("focus_brightness_step"):
        return None, state.offset
    jump = math.log(sample.sharpness) - math.log(last.sharpness) - _slope(state)
    error = max(state.noise, sample.sigma / sample.sharpness, last.sigma / last.sharpness)
    told = _explained(last.exposure_ms, sample.exposure_ms, brightness)
    if told is False and abs(jump) > max(0.05, 5.0 * error):
        return StaleReason.APERTURE, 0.0
    if told is None and abs(jump) > max(limit("focus_aperture_jump"), 14.0 * error) and not clipping:
        return StaleReason.APERTURE, 0.0
    if abs(jump) > max(0.02, 3.0 * error):
        return None, state.offset - jump
    return None, state.offset


def _slope(state: FocusState) -> float:
    """Change of the log value expected from one frame to the next."""
    if len(state.recent) < 3:
        return 0.0
    return (state.recent[-1] - state.recent[-3]) / 2.0


def _told_stops(before_ms: float | None, after_ms: float | None) -> float:
    """Size of a told change of exposure, stops; 0 where none is told."""
    return abs(math.log2(after_ms / before_ms)) if before_ms and after_ms else 0.0


def _explained(before_ms: float | None, after_ms: float | None, brightness: float) -> bool | None:
    """Whether a told change of exposure explains a step of brightness (stops); None if not told."""
    if before_ms is None or after_ms is None or before_ms <= 0 or after_ms <= 0:
        return None
    return abs(math.log2(after_ms / before_ms) - brightness) < 0.3


@dataclass(frozen=True, slots=True)
class FocusField:
    """How the focus lies over the picture, from the regions.

    softest_share
        Sharpness now over the region's own best, in the softest ninth of the picture, 0..1.
    slope_x, slope_y
        Change of log(now/best) over the half width and half height (signed; towards right, down).
    tilted
        True when one side is past or before its own best while the opposite one isn't: a focus
        plane that is tilted against the object.
    soft_side
        ``"left"``, ``"right"``, ``"top"``, ``"bottom"``, or None: the side whose *best* stays
        behind the opposite side's although the pattern is the same everywhere (a lens softer on one
        side), only told when asked for with `uniform`.
    """

    softest_share: float
    slope_x: float
    slope_y: float
    tilted: bool
    soft_side: str | None


def focus_field(state: FocusState, grid: tuple[int, int], *, uniform: bool = False) -> FocusField | None:
    """Tilt of the focus plane and a softer side, from the regions' own bests; None before a sweep.

    grid: (rows, columns) of the regions. A sweep must have gone past the peak, so that every region
    has shown its best. Regions with less than a twentieth of the median energy are left out (nothing
    to focus on there). `uniform`: the pattern is alike everywhere (a plate or a speckled surface
    that fills the picture), so that the bests themselves may be compared.
    """
    if not state.passed or state.last is None or state.region_best.size != grid[0] * grid[1]:
        return None
    best, now = state.region_best, state.last.regions
    ok = best > 0.05 * float(np.median(best))
    if int(ok.sum()) < 9:
        return None
    row, column = np.divmod(np.arange(best.size), grid[1])
    x = (column + 0.5) / grid[1] * 2 - 1
    y = (row + 0.5) / grid[0] * 2 - 1
    ratio = np.log(np.clip(now[ok] / best[ok], 0.02, 1.0))
    terms = np.stack([np.ones(int(ok.sum())), x[ok], y[ok]], axis=1)
    fit, *_ = np.linalg.lstsq(terms, ratio, rcond=None)
    low = float(np.exp(np.percentile(ratio, 11)))
    ends = np.abs(fit[1:])
    tilted = bool(float(ends.max()) > limit("focus_tilt") and low < 1 - limit("focus_tilt"))
    side = None
    if uniform:
        bests, *_ = np.linalg.lstsq(terms, np.log(best[ok]), rcond=None)
        k = int(np.argmax(np.abs(bests[1:])))
        if abs(bests[1 + k]) > limit("focus_soft_side"):
            names = ("left", "right") if k == 0 else ("top", "bottom")
            side = names[0] if bests[1 + k] > 0 else names[1]
    return FocusField(low, float(fit[1]), float(fit[2]), tilted, side)
