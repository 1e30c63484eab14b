"""Hands on a lens: open the aperture, turn the focus ring past the sharpest point and back, stop down."""

from __future__ import annotations

import numpy as np

WIDE_OPEN = 2.0
"""f-number at which the operator focuses."""
_OPENED = (0.5, 1.5)
_SHORTENED_S = 2.0
_RINGS_S = 2.5
_TURN_S = 8.5
_STOP_DOWN_S = (1.8, 3.0)
_RAISED_S = 5.2


class Ring:
    """A focus ring; `focus_mm` is where it stands.

    In the focus step the hand starts off the mark, turns through the sharpest point, sees that it is
    past, and comes back to it, one camera after the other.
    """

    def __init__(self, sharp_mm: float, rng: np.random.Generator) -> None:
        self.focus_mm = sharp_mm
        self._sharp_mm = sharp_mm
        self._begin_s: float | None = None
        far = float(rng.uniform(0.07, 0.11))
        past = float(rng.uniform(0.035, 0.05))
        rest = float(rng.normal(0, 0.0015))
        self._path = np.array([[0.0, -far], [4.5, past], [5.3, past], [8.0, rest]])

    def advance(self, now_s: float, focusing: bool, number: int) -> None:
        """The ring at a time; `number`: which camera in turn."""
        if not focusing:
            if self._begin_s is not None:
                self.focus_mm = self._sharp_mm * (1 + float(self._path[-1, 1]))
                self._begin_s = None
            return
        if self._begin_s is None:
            self._begin_s = now_s
        t = now_s - self._begin_s - _RINGS_S - _TURN_S * number
        self.focus_mm = self._sharp_mm * (1 + float(np.interp(t, self._path[:, 0], self._path[:, 1])))


class Iris:
    """Aperture and exposure time of all lenses through the focus step.

    The aperture is opened, the exposure shortened to match, the rings turned one after the other, the
    aperture closed again, and the exposure raised to match.
    """

    def __init__(self, rings: int) -> None:
        self._begin_s: float | None = None
        self._now_s = 0.0
        self._turned_s = _RINGS_S + _TURN_S * rings

    def advance(self, now_s: float, focusing: bool) -> None:
        """The hands at a time."""
        self._now_s = now_s
        self._begin_s = (now_s if self._begin_s is None else self._begin_s) if focusing else None

    def f_number(self, usual: float) -> float:
        """f-number now of a lens that is used at `usual`."""
        if self._begin_s is None:
            return usual
        t = self._now_s - self._begin_s
        closes = [self._turned_s + s for s in _STOP_DOWN_S]
        opened = float(np.interp(t, [*_OPENED, *closes], [0.0, 1.0, 1.0, 0.0]))
        return float(usual * (WIDE_OPEN / usual) ** opened)

    def time_share(self, usual: float) -> float:
        """Exposure time over the usual one: shorter from a little after the opening to the end."""
        if self._begin_s is None:
            return 1.0
        t = self._now_s - self._begin_s
        short = _SHORTENED_S <= t < self._turned_s + _RAISED_S
        return float((WIDE_OPEN / usual) ** 2) if short else 1.0

    def light_share(self, usual: float) -> float:
        """Light caught over the usual: what aperture and time make together."""
        return self.time_share(usual) * (usual / self.f_number(usual)) ** 2
