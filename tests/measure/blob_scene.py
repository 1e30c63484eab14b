"""A speckled ground drawn by its formula, wherever it is shifted or turned to."""

from __future__ import annotations

import numpy as np

HIGH, WIDE = 480, 640


class Blobs:
    """A speckled ground as a sum of Gaussian blobs, drawn where it is by its formula."""

    def __init__(self, seed: int = 0, count: int = 3000, size_px: float = 2.2) -> None:
        rng = np.random.default_rng(seed)
        self.at = rng.uniform((-40, -40), (WIDE + 40, HIGH + 40), (count, 2))
        self.size = size_px

    def picture(self, shift: tuple[float, float] = (0.0, 0.0), turn_deg: float = 0.0, *, noise: float = 2.0,
                gain: float = 1.0, seed: int = 1) -> np.ndarray:
        angle, middle = np.radians(turn_deg), np.array([WIDE / 2, HIGH / 2])
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        ground = np.zeros((HIGH, WIDE))
        reach = 9
        for x, y in (self.at - middle) @ turn.T + middle + shift:
            c, r = round(x), round(y)
            if not (reach < c < WIDE - reach and reach < r < HIGH - reach):
                continue
            gx = np.exp(-0.5 * ((np.arange(c - reach, c + reach + 1) - x) / self.size) ** 2)
            gy = np.exp(-0.5 * ((np.arange(r - reach, r + reach + 1) - y) / self.size) ** 2)
            ground[r - reach : r + reach + 1, c - reach : c + reach + 1] += np.outer(gy, gx)
        bright = 30 + gain * 170 * (1 - np.exp(-ground))
        noisy = bright + np.random.default_rng(seed).normal(0, noise, bright.shape)
        return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
