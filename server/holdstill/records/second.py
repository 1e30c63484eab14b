"""A second plate shown to a finished calibration: an independent length."""

from __future__ import annotations

from dataclasses import dataclass

from .estimate import Check


@dataclass(frozen=True, slots=True)
class SecondPlate:
    """What a second plate says of the scale (see ``solve.measure_second``). Sigmas are standard
    uncertainties.

    pitch_mm, pitch_sigma_mm
        The plate's own pitch, and how well it is known.
    measured_mm, measured_sigma_mm
        Its pitch as measured through the calibration: by the dots' scatter within and between the
        shots, and by the calibration's own length error.
    share, share_sigma
        Measured over own pitch, less one; its uncertainty from both, which is what the scale is
        verified to.
    length_mm
        The plate's longest known length; `length_max_um` and `length_rms_um`: errors of `length_count`
        known lengths as measured, the scale not fitted.
    check
        ``second plate``: value, limit, source, remedy.
    """

    shots: tuple[str, ...]
    points: int
    pitch_mm: float
    pitch_sigma_mm: float
    measured_mm: float
    measured_sigma_mm: float
    share: float
    share_sigma: float
    length_mm: float
    length_count: int
    length_max_um: float
    length_rms_um: float
    check: Check


@dataclass(frozen=True, slots=True)
class SecondShown:
    """What the pages show of it: its SPEC, shots used of how many, whether it is looked for now, and
    what came of it, or why (a phrase's ending) nothing did."""

    words: str
    taken: int
    wanted: int
    looking: bool
    result: SecondPlate | None = None
    why: str = ""
