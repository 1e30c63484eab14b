"""What a worker process does with a shot: decode, find, measure, make small pictures.

Pixels stop here; numbers, digests and small pictures go back.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from holdstill import measure, solve, target
from holdstill.errors import BadFrame
from holdstill.intake.consistency import Depths
from holdstill.intake.decode import decode
from holdstill.intake.preview import preview_jpeg, saturated_png
from holdstill.measure.lighting import Aim
from holdstill.records import (
    Frame,
    FrameMeasures,
    Nothing,
    Original,
    Plate,
    PlateKind,
    Shot,
    ShotReport,
    Sighting,
    SpecimenLight,
    Standstill,
)
from holdstill.records.setup import Box
from holdstill.session import PlanWork, ProveWork, RecheckWork, SecondWork, SolveWork, Work

from .closer import Closer
from .planning import plan_next
from .warm import warm_eye

NOT_LOOKED_FOR = "not looked for"
SEARCH_EVERY = 10
"""Pictures of a camera that are passed over between searches for a plate while lenses are focused: a search
through a patterned scene without one takes a tenth of a second of CPU at 5 MP, and the gauge needs its ten
readings a second."""


@dataclass(slots=True)
class Eye:
    """Looks at shots; remembers each camera's last sighting to track from."""

    plate: Plate
    previews: bool = True
    hints: dict[str, Sighting] = field(default_factory=dict)
    depths: Depths = field(default_factory=Depths)
    closer: Closer = field(default_factory=Closer)
    focusing: bool = False
    """While lenses are focused no plate is needed: one that is not in sight is looked for now and then."""
    searched: dict[str, int] = field(default_factory=dict)
    """camera -> pictures passed over since its plate was last looked for."""
    threads: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(2, "eye"))

    def look_at(self, shot: Shot) -> ShotReport:
        """Everything that can be told about `shot` by looking at it alone."""
        began = time.perf_counter()
        cameras = list(shot.originals)
        looked = list(self.threads.map(lambda c: self._one(shot.originals[c], shot.single), cameras))
        frames = {c: one.frame for c, one in zip(cameras, looked, strict=True) if one.frame is not None}
        for camera, one in zip(cameras, looked, strict=True):
            if isinstance(one.sighting, Sighting):
                self.hints[camera] = one.sighting
            else:
                self.hints.pop(camera, None)
        by = dict(zip(cameras, looked, strict=True))
        return ShotReport(
            number=shot.number,
            name=shot.name,
            taken_at_ms=shot.taken_at_ms,
            single=shot.single,
            sightings={c: o.sighting for c, o in by.items() if o.sighting is not None},
            measures={c: o.measures for c, o in by.items() if o.measures is not None},
            digests={c: f.digest for c, f in frames.items()},
            sizes_px={c: (f.image.shape[1], f.image.shape[0]) for c, f in frames.items()},
            bit_depths={c: 8 * f.image.dtype.itemsize for c, f in frames.items()},
            previews={c: o.preview for c, o in by.items() if o.preview},
            saturated={c: o.saturated for c, o in by.items() if o.saturated},
            refused={c: o.refused for c, o in by.items() if o.refused},
            notes=tuple(note for f in frames.values() for note in f.notes),
            exposure_ms={c: f.exposure_ms for c, f in frames.items() if f.exposure_ms is not None},
            gain_db={c: f.gain_db for c, f in frames.items() if f.gain_db is not None},
            apart_ms=shot.facts.get("apart_ms"),
            took_ms=1000.0 * (time.perf_counter() - began),
        )

    def _one(self, original: Original, single: bool) -> _Looked:
        try:
            frame = self.depths.check(decode(original))
        except BadFrame as error:
            return _Looked(refused=str(error))
        self.closer.see(frame)
        hint = None if single else self.hints.get(original.camera)
        sighting: Sighting | Nothing = Nothing(NOT_LOOKED_FOR)
        if hint is not None or self._due(original.camera, single):
            sighting = target.find(
                frame.image, self.plate, camera=frame.camera, full_scale=frame.full_scale, hint=hint
            )
        seen = sighting if isinstance(sighting, Sighting) else None
        measures = measure.frame_measures(
            frame.image, camera=frame.camera, full_scale=frame.full_scale, plate=self.plate, sighting=seen
        )
        looked = _Looked(frame, sighting, measures)
        if self.previews:
            looked.preview = preview_jpeg(frame.image, frame.full_scale)
            looked.saturated = saturated_png(frame.image, measures.clip_level)
        return looked

    def _due(self, camera: str, single: bool) -> bool:
        """Whether a plate that is not in sight is looked for in this picture."""
        passed = self.searched.get(camera, SEARCH_EVERY)
        due = single or not self.focusing or passed >= SEARCH_EVERY
        self.searched[camera] = 0 if due else passed + 1
        return due


@dataclass(slots=True)
class _Looked:
    frame: Frame | None = None
    sighting: Sighting | Nothing | None = None
    measures: FrameMeasures | None = None
    preview: bytes = b""
    saturated: bytes = b""
    refused: str = ""


def do(work: Work) -> object:
    """Carry out what a session wants: an `Estimate`, `Cue`, `ProofResult`, or `Nothing`."""
    match work:
        case SolveWork():
            return solve.solve(
                work.plate, work.rig, work.views, cameras=work.cameras, start=work.start, forced=work.forced
            )
        case PlanWork():
            return plan_next(work)
        case ProveWork():
            return solve.prove(work.plate, work.rig, work.estimate, work.proof_views or work.views)
        case RecheckWork():
            return solve.recheck(work.plate, work.rig, work.estimate, work.views)
        case SecondWork():
            return solve.measure_second(work.second, work.plate, work.estimate, work.views)


_EYES: dict[int, Eye] = {}
"""The worker process's own eye, by process-wide key: 0 the session's plate's (filled by
`open_eye`), 1 a second plate's."""


def open_eye(plate: Plate) -> None:
    """Make this process's eye for `plate` (runs once, at the worker's start)."""
    _EYES[0] = Eye(plate)
    if plate.kind not in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        warm_eye()


def look_at(shot: Shot) -> ShotReport:
    """`Eye.look_at` by this process's eye."""
    _EYES[0].focusing = False
    return _EYES[0].look_at(shot)


def look_second(plate: Plate, shot: Shot) -> ShotReport:
    """As `look_at`, for a plate that is not the session's."""
    eye = _EYES.get(1)
    if eye is None or eye.plate != plate:
        eye = _EYES[1] = Eye(plate)
    return eye.look_at(shot)


def look_sharp(shot: Shot) -> ShotReport:
    """As `look_at`, while lenses are focused: quick, whatever is in view."""
    _EYES[0].focusing = True
    return _EYES[0].look_at(shot)


def watch_still() -> None:
    """Keep the frames of the next shots, to be judged together."""
    _EYES[0].closer.watch()


def judge_watch() -> list[Standstill]:
    """What the frames kept since `watch_still` show of flicker, vibration, warm air, a moved camera."""
    return _EYES[0].closer.judge_watch()


def judge_specimen(scale_um_per_px: dict[str, float], boxes: dict[str, Box]) -> dict[str, SpecimenLight]:
    """What the newest frame of each camera is worth to a correlation."""
    return _EYES[0].closer.judge_specimen(scale_um_per_px, boxes)


def judge_drift() -> dict[str, tuple[float, float] | None]:
    """How far a scene at rest has moved since the watch over the cameras' warm-up began."""
    return _EYES[0].closer.judge_drift()


def judge_aim() -> dict[str, Aim]:
    """Aim of the cameras against the first, from whatever they see."""
    return _EYES[0].closer.judge_aim()
