"""A hand on a focus ring: past the sharpest point and back."""

from __future__ import annotations

import numpy as np


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
        t = now_s - self._begin_s - 8.5 * number
        self.focus_mm = self._sharp_mm * (1 + float(np.interp(t, self._path[:, 0], self._path[:, 1])))
