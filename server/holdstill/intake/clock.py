"""A camera's clock against this machine's, and how fast frames come. No I/O: times are handed in."""

from __future__ import annotations

from collections import deque

import numpy as np

from holdstill.limits import limit
from holdstill.records import ClockFit

_KEPT = 600
"""Frames that the fit looks back over: a minute at ten per second."""
_BINS = 12
"""Stretches of that time; each gives its quickest arrival."""
_DRIFT_FROM_S = 5.0
"""Shortest time from which a drift can be told at all: 1 ms of jitter over 5 s is 200 ppm."""
_LATE_IN_A_ROW = 5
"""So many frames in a row that are late beyond belief mean that the camera's clock was set back."""


class CameraClock:
    """Camera times to this machine's, from when frames arrive.

    A frame can arrive late but never early, so the quickest arrivals tell the offset: the lower
    envelope of (arrival - camera time), one minimum per stretch, a straight line through them.  What
    every frame takes alike (read-out, transfer) stays in the offset; between two cameras of one kind
    it cancels.  The idea of minimum filtering: V. Paxson, On calibrating measurements of packet
    transit times, SIGMETRICS 1998 (from memory).
    """

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._late = 0
        self._fit: ClockFit | None = None
        self._fitted = 0
        self.jumps = 0
        """How often the camera's clock jumped."""

    def add(self, camera_s: float, arrived_s: float) -> bool:
        """Note a frame; True when the camera's clock has jumped (the fit then starts afresh)."""
        jumped = self._jumped(camera_s, arrived_s)
        if jumped:
            self.jumps += 1
            self._seen.clear()
            self._fit, self._fitted, self._late = None, 0, 0
        self._seen.append((camera_s, arrived_s))
        self._fitted += 1
        # early on with every frame, later with every tenth: what is fitted then hardly changes
        if self._fit is None or len(self._seen) < 30 or self._fitted % 10 == 0:
            self._fit = _fit(np.array(self._seen))
        return jumped

    def _jumped(self, camera_s: float, arrived_s: float) -> bool:
        if self._fit is None or not self._seen:
            return False
        if camera_s <= self._seen[-1][0]:  # a camera's time only goes up
            return True
        over_s = arrived_s - self._fit.host_s(camera_s)
        step_s = limit("feed_clock_step_ms") / 1000.0
        self._late = self._late + 1 if over_s > step_s else 0
        return over_s < -step_s or self._late >= _LATE_IN_A_ROW

    def fit(self) -> ClockFit | None:
        """The fit now; None before the first frame."""
        return self._fit


def _fit(seen: np.ndarray) -> ClockFit:
    """The lower envelope of arrivals over camera times ((n, 2): camera s, arrival s)."""
    camera, delay = seen[:, 0], seen[:, 1] - seen[:, 0]
    span = camera[-1] - camera[0]
    if span < _DRIFT_FROM_S or len(seen) < 3 * _BINS:
        offset = float(delay.min())
        jitter = float(np.median(delay - offset)) if len(seen) > 1 else 0.0
        return ClockFit(offset, 0.0, 1000.0 * jitter, len(seen))
    bins = np.minimum((_BINS * (camera - camera[0]) / span).astype(int), _BINS - 1)
    lowest = [int(np.flatnonzero(bins == b)[np.argmin(delay[bins == b])]) for b in np.unique(bins)]
    x, y = camera[lowest], delay[lowest]
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    offset = float(np.median(y - slope * x))
    jitter = float(np.median(delay - (offset + slope * camera)))
    return ClockFit(offset, 1e6 * slope, 1000.0 * max(jitter, 0.0), len(seen))


class Rate:
    """Frames per second over the last few seconds."""

    def __init__(self, over_s: float = 3.0) -> None:
        self._over_s = over_s
        self._times: deque[float] = deque(maxlen=512)

    def add(self, at_s: float) -> None:
        """Note a frame."""
        self._times.append(at_s)

    def forget(self) -> None:
        """Begin afresh."""
        self._times.clear()

    def hz(self, now_s: float) -> float | None:
        """Frames per second up to now; None before four have come."""
        recent = [t for t in self._times if now_s - t <= self._over_s]
        if len(recent) < 4:
            return 0.0 if self._times and now_s - self._times[-1] > self._over_s else None
        return (len(recent) - 1) / (recent[-1] - recent[0]) if recent[-1] > recent[0] else None


class Period:
    """The usual time between a camera's frames, s: the median of the last ones."""

    def __init__(self) -> None:
        self._times: deque[float] = deque(maxlen=17)

    def add(self, at_s: float) -> None:
        """Note a frame's time."""
        if self._times and at_s <= self._times[-1]:
            self._times.clear()
        self._times.append(at_s)

    def seconds(self) -> float | None:
        """The period; None before three frames."""
        if len(self._times) < 3:
            return None
        return float(np.median(np.diff(np.array(self._times))))


class Answers:
    """Which trigger a frame belongs to, told by the camera's own time.

    The difference between a frame's camera time and its trigger is the same for every frame, whatever
    the clocks; a frame whose difference is off by about a trigger's interval answers another one.
    """

    def __init__(self) -> None:
        self._lags: deque[float] = deque(maxlen=31)
        self._took: deque[float] = deque(maxlen=31)
        self._off = 0

    @property
    def known(self) -> bool:
        """Whether enough frames were seen to tell."""
        return len(self._lags) >= _LAGS_KNOWN

    @property
    def longest_s(self) -> float:
        """The longest way from trigger to here among the last frames, s."""
        return max(self._took, default=0.0)

    def behind_s(self, camera_s: float, arrived_s: float, triggered_s: float, slack_s: float) -> float | None:
        """How much later than usual after its trigger a frame was taken (s, may be negative); None when
        it is another trigger's.  When several in a row are off, the camera's clock has jumped, and what
        is usual is learnt anew."""
        lag = camera_s - triggered_s
        usual = float(np.median(np.array(self._lags))) if self.known else None
        if usual is not None and abs(lag - usual) > slack_s:
            self._off += 1
            if self._off < _LATE_IN_A_ROW:
                return None
            self._lags.clear()
            usual = None
        self._off = 0
        self._lags.append(lag)
        self._took.append(arrived_s - triggered_s)
        return lag - usual if usual is not None else 0.0


_LAGS_KNOWN = 3
"""Frames after which the usual difference is taken as known; until then each trigger waits for its own."""
