"""Closer looks by the eye's own process, asked for on the Light and Rig steps: pixels of several frames."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from holdstill.limits import limit
from holdstill.measure.lighting import Aim, aim_at
from holdstill.measure.matching import matched_points, scene_shift
from holdstill.measure.noise import halved
from holdstill.measure.shake import ApparentMotion, Shake, apparent_motion, shake
from holdstill.measure.specimen import specimen_measures
from holdstill.records import Frame, Nothing, Picture, SpecimenLight, Standstill
from holdstill.records.setup import Box

HALF_FROM_PX = 2_000_000
"""Pictures above this size are kept at half size while a scene is watched."""
MOST_SHIFT_PX = 3.0
"""A larger step is no drift: the camera was touched, and the watch begins anew."""


@dataclass(slots=True)
class Closer:
    """The newest frame of each camera, and those kept while a still scene is watched."""

    newest: dict[str, Frame] = field(default_factory=dict)
    kept: dict[str, list[Picture]] = field(default_factory=dict)
    keeping: bool = False
    references: dict[str, Picture] = field(default_factory=dict)
    """What each camera saw, at half size, when the watch over its warm-up began."""

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

    def judge_specimen(
        self, scale_um_per_px: dict[str, float], boxes: dict[str, Box]
    ) -> dict[str, SpecimenLight]:
        """What each camera's newest frame (the part of it that was dragged) is worth to a correlation."""
        return {c: specimen_light(f, scale_um_per_px.get(c), boxes.get(c)) for c, f in self.newest.items()}

    def judge_drift(self) -> dict[str, tuple[float, float] | None]:
        """How far each camera's scene, if it is at rest, has moved since the watch began (px); None
        where the watch begins now. Cameras whose scene is not at rest are left out."""
        found: dict[str, tuple[float, float] | None] = {}
        for camera, frame in self.newest.items():
            whole = frame.image.size < HALF_FROM_PX
            small = frame.image if whole else halved(frame.image)
            shift = None
            if camera in self.references:
                shift = scene_shift(self.references[camera], small, full_scale=frame.full_scale)
            if isinstance(shift, Nothing) and shift.why == "not at rest":
                continue
            if shift is None or isinstance(shift, Nothing) or max(map(abs, shift)) > MOST_SHIFT_PX:
                self.references[camera] = small
                found[camera] = None
            else:
                factor = 1.0 if whole else 2.0
                found[camera] = (shift[0] * factor, shift[1] * factor)
        return found

    def judge_aim(self) -> dict[str, Aim]:
        """Aim of each camera against the first one, from whatever both see."""
        cameras = list(self.newest)
        found = {}
        for camera in cameras[1:]:
            first, second = self.newest[cameras[0]].image, self.newest[camera].image
            points = matched_points(first, second)
            if not isinstance(points, Nothing):
                sizes = ((first.shape[1], first.shape[0]), (second.shape[1], second.shape[0]))
                found[camera] = aim_at(*points, *sizes)
        return found


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


def specimen_light(frame: Frame, scale_um_per_px: float | None, part: Box | None = None) -> SpecimenLight:
    """Everything about a specimen's frame, or a part of it; `scale_um_per_px` on the specimen, if known."""
    height, width = frame.image.shape
    box = None
    if part is not None:
        box = (int(part[0] * width), int(part[1] * height), int(part[2] * width), int(part[3] * height))
    got = specimen_measures(frame.image, full_scale=frame.full_scale, box=box)
    fastest = None
    if scale_um_per_px is not None and frame.exposure_ms:
        fastest = limit("specimen_blur_px") * scale_um_per_px / frame.exposure_ms
    return replace(got, fastest_mm_per_s=fastest)
