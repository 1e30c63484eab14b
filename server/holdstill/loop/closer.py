"""Closer looks by the eye's own process, asked for on the Light and Rig steps: pixels of several frames."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from holdstill.limits import limit
from holdstill.measure.levels import levels
from holdstill.measure.noise import halved
from holdstill.measure.shake import ApparentMotion, Shake, apparent_motion, shake
from holdstill.measure.specimen import specimen_measures
from holdstill.records import Frame, Nothing, Picture, SpecimenLight, Standstill

HALF_FROM_PX = 2_000_000
"""Pictures above this size are kept at half size while a scene is watched."""
BINS = 64


@dataclass(slots=True)
class Closer:
    """The newest frame of each camera, and those kept while a still scene is watched."""

    newest: dict[str, Frame] = field(default_factory=dict)
    kept: dict[str, list[Picture]] = field(default_factory=dict)
    keeping: bool = False

    def see(self, frame: Frame) -> None:
        """One more frame; called by the eye for each."""
        self.newest[frame.camera] = frame
        if self.keeping:
            small = frame.image if frame.image.size < HALF_FROM_PX else halved(frame.image)
            self.kept.setdefault(frame.camera, []).append(small)

    def watch(self) -> None:
        """Keep frames from now on."""
        self.kept, self.keeping = {}, True

    def judge_watch(self) -> list[Standstill]:
        """What the frames kept show, per camera; they are let go of."""
        kept, self.kept, self.keeping = self.kept, {}, False
        return [self._standstill(camera, frames) for camera, frames in kept.items()]

    def _standstill(self, camera: str, frames: list[Picture]) -> Standstill:
        newest = self.newest[camera]
        motion = apparent_motion(frames, full_scale=newest.full_scale)
        if isinstance(motion, Nothing):
            return Standstill(camera, "unknown")
        factor = newest.image.shape[0] / frames[0].shape[0]
        return standstill(camera, scaled(motion, factor))

    def judge_specimen(self, scale_um_per_px: dict[str, float]) -> dict[str, SpecimenLight]:
        """What each camera's newest frame is worth to a correlation."""
        return {c: specimen_light(f, scale_um_per_px.get(c)) for c, f in self.newest.items()}


def scaled(motion: ApparentMotion, factor: float) -> ApparentMotion:
    """Motion found in pictures `factor` times smaller, in the original's px."""
    return replace(motion, shift_px=motion.shift_px * factor, sigma_px=motion.sigma_px * factor)


def standstill(camera: str, motion: ApparentMotion) -> Standstill:
    """A camera's part in a watch."""
    told: Shake = shake(motion)
    return Standstill(
        camera,
        told.cause.value,
        tuple(other.value for other in told.others),
        told.flicker_share,
        told.vibration_px,
        told.step_px,
        told.shimmer_px,
    )


def specimen_light(frame: Frame, scale_um_per_px: float | None) -> SpecimenLight:
    """Everything about a specimen's frame; `scale_um_per_px` on the specimen, if known."""
    got = specimen_measures(frame.image, full_scale=frame.full_scale)
    level = levels(frame.image, full_scale=frame.full_scale)
    values = np.arange(level.histogram.size) * level.step / max(level.clip_level, 1.0)
    counts, _ = np.histogram(np.minimum(values, 1.0), bins=BINS, range=(0.0, 1.0), weights=level.histogram)
    shares = counts / max(float(counts.sum()), 1.0)
    fastest = None
    if scale_um_per_px is not None and frame.exposure_ms:
        fastest = limit("specimen_blur_px") * scale_um_per_px / frame.exposure_ms
    return SpecimenLight(
        saturated_share=got.saturated_share,
        high_share=got.high_share,
        low_share=got.low_share,
        contrast=got.contrast,
        speckle_px=got.speckle_px,
        cover=got.cover,
        match_sigma_px=got.match_sigma_px,
        match_worst_px=got.match_worst_px,
        subset_px=got.subset_px,
        histogram=tuple(round(float(v), 5) for v in shares),
        fastest_mm_per_s=fastest,
    )
