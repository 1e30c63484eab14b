"""A sensor: electrons to grey values, with photon noise, read noise, clipping and blooming."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture


@dataclass(frozen=True, slots=True)
class Sensor:
    """An industrial sensor by the linear model of EMVA 1288 R4.0.

    bits
        Depth of the grey values; 12-bit data travel in 16 bits (`shifted`: moved left by four).
    full_well_e
        Electrons at which a pixel is full; `gain_db` 0 puts that at `knee` of the full scale.
    read_noise_e, offset_gray
        Temporal dark noise (electrons) and dark level (grey values of `bits`).
    fixed_pattern
        Pixel-to-pixel spread of the response, share (photo response non-uniformity).
    bloom
        Share of the charge above full well that spills over to neighbours.
    """

    bits: int = 8
    full_well_e: float = 10000.0
    read_noise_e: float = 7.0
    offset_gray: float = 3.0
    gain_db: float = 0.0
    knee: float = 1.0
    shifted: bool = False
    fixed_pattern: float = 0.004
    bloom: float = 0.02

    @property
    def full_scale(self) -> int:
        """Largest grey value of the delivered picture (255, 4095, or 65520 when shifted)."""
        top = (1 << self.bits) - 1
        return top << 4 if self.shifted and self.bits == 12 else top

    @property
    def gain_gray_per_e(self) -> float:
        """K of EMVA 1288: grey values (of `bits`) per electron."""
        top = (1 << self.bits) - 1
        return float((self.knee * top - self.offset_gray) / self.full_well_e * 10 ** (self.gain_db / 20))


def variance_gray2(sensor: Sensor, mean_gray: FloatArray) -> FloatArray:
    """Expected temporal variance (grey values squared) at mean levels below clipping.

    ``σ² = K (μ − μ_dark) + K² σ_d² + 1/12`` (EMVA 1288 R4.0 Linear; from memory).
    """
    k = sensor.gain_gray_per_e
    return np.asarray(
        k * np.clip(np.asarray(mean_gray) - sensor.offset_gray, 0, None)
        + (k * sensor.read_noise_e) ** 2
        + 1 / 12
    )


def exposed(
    level: NDArray[np.float32] | FloatArray, sensor: Sensor, rng: np.random.Generator | None
) -> Picture:
    """Picture of a scene, uint8 or uint16, from its level (1 = full well at this exposure).

    level: (h, w), >= 0.  `rng` None: the noiseless picture, rounded.  Photon noise is Poisson,
    drawn as a normal above 50 electrons.
    """
    electrons = np.asarray(level, dtype=np.float64) * sensor.full_well_e
    if rng is not None and sensor.fixed_pattern > 0:
        pattern = np.random.default_rng(20_11).standard_normal(electrons.shape)
        electrons = electrons * (1 + sensor.fixed_pattern * pattern)
    if rng is not None:
        normal = electrons + np.sqrt(np.clip(electrons, 0, None)) * rng.standard_normal(electrons.shape)
        few = electrons < 50
        if np.any(few):
            normal[few] = rng.poisson(np.clip(electrons[few], 0, None))
        electrons = normal
    electrons = spilled(electrons, sensor)
    if rng is not None:
        electrons = electrons + sensor.read_noise_e * rng.standard_normal(electrons.shape)
    gray = np.round(sensor.gain_gray_per_e * electrons + sensor.offset_gray)
    top = (1 << sensor.bits) - 1
    gray = np.clip(gray, 0, top)
    if sensor.bits <= 8:
        return gray.astype(np.uint8)
    shift = 4 if sensor.shifted and sensor.bits == 12 else 0
    return (gray.astype(np.uint16) << shift).astype(np.uint16)


def spilled(electrons: FloatArray, sensor: Sensor) -> FloatArray:
    """Electrons after full well: a share of the surplus runs to neighbours, the rest is drained.

    So a bright dot grows by a little when it is far over-exposed (common practice; the law of growth
    differs from sensor to sensor and stops meaning anything above about ten times full well).
    """
    surplus = np.clip(electrons - sensor.full_well_e, 0, None)
    held = electrons - surplus
    if sensor.bloom <= 0 or not np.any(surplus > 0):
        return held
    spread = cv2.GaussianBlur(surplus * sensor.bloom, (0, 0), 1.3)
    return np.asarray(np.minimum(held + spread, sensor.full_well_e))
