"""Whether the plate is still: its motion from frame to frame, and how far it may travel in an exposure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from holdstill.limits import limit
from holdstill.measure.unrest import Unrest, longest_exposure_ms, travel_px, unrest
from holdstill.records import ShotReport, Sighting, Stillness

RUN = 5
"""Frames that are looked at together, at most (half a second at ten frames a second): in a longer run the
slow sway of hands passes for tremor."""
_RUN_MS = 650.0
"""Frames further back than this tell nothing of tremor: slow frames see the hands' sway instead."""
_TELLING = 4
"""Frames in a run from which it tells the hands' tremor: three may all have met it at a turning point."""
_FORGOTTEN = 0.15
"""Share of the remembered tremor (squared) that each calmer run takes off."""


@dataclass(frozen=True, slots=True, eq=False)
class Steadiness:
    """What the hands have done lately.

    run
        Times (ms) and sightings since the plate last moved far from one frame to the next, the newest
        last, at most `RUN`.
    tremor_px
        camera -> rms tremor, as this and earlier runs showed it.
    looks
        How many frames of the session ended a run long enough to tell tremor.
    slow
        Frames come too far apart for any run to tell it.
    travel_px
        camera -> how far the dots may travel during one exposure, now.
    longest_ms
        The longest exposure at which these hands would keep within the limit; None when not known.
    """

    run: tuple[tuple[float, Mapping[str, Sighting]], ...] = ()
    tremor_px: Mapping[str, float] = field(default_factory=dict)
    travel_px: Mapping[str, float] = field(default_factory=dict)
    longest_ms: float | None = None
    looks: int = 0
    slow: bool = False

    @property
    def looked(self) -> bool:
        """Whether these hands were seen for long enough to judge their tremor, as far as that can be."""
        return self.slow or self.looks >= limit("still_first_looks")

    @property
    def worst_px(self) -> float:
        """The largest of the cameras' `travel_px`; 0 when nothing is known."""
        return max(self.travel_px.values(), default=0.0)


def steadied(
    before: Steadiness,
    report: ShotReport,
    sightings: Mapping[str, Sighting],
    still: Mapping[str, Stillness],
    *,
    most_px: float,
) -> Steadiness:
    """The hands' steadiness after one more frame of a stream."""
    moved = not still or any(s.shift_px > limit("still_run_px") for s in still.values())
    last_ms = before.run[-1][0] if before.run else report.taken_at_ms
    slow = report.taken_at_ms - last_ms > _RUN_MS / (_TELLING - 1)
    run = () if moved else before.run[-(RUN - 1) :]
    run = tuple(one for one in run if report.taken_at_ms - one[0] <= _RUN_MS)
    run = (*run, (report.taken_at_ms, dict(sightings)))
    tremor, travel, longest, telling = dict(before.tremor_px), {}, [], False
    for camera in sightings:
        found = _unrest(run, camera)
        if found is None:
            continue
        telling = telling or found.frames >= _TELLING
        tremor[camera] = _remembered(tremor.get(camera), found)
        exposure_ms = report.exposure_ms.get(camera, limit("still_unknown_exposure_ms"))
        shown = max(tremor[camera], _upper(found))
        travel[camera] = travel_px(found.drift_px_per_s, shown, exposure_ms=exposure_ms)
        believed_px = limit("still_margin") * most_px
        longest.append(longest_exposure_ms(0.0, max(tremor[camera], 1e-3), most_px=believed_px))
    longest_ms = min(longest, default=before.longest_ms)
    return Steadiness(run, tremor, travel, longest_ms, before.looks + telling, slow)


def _unrest(run: tuple[tuple[float, Mapping[str, Sighting]], ...], camera: str) -> Unrest | None:
    seen = [(at_ms, by[camera]) for at_ms, by in run if camera in by]
    found = unrest([s for _, s in seen], [at_ms / 1000.0 for at_ms, _ in seen])
    return found if isinstance(found, Unrest) else None


def _upper(found: Unrest) -> float:
    """The tremor that the run allows for: few frames may have caught it at its turning points."""
    if found.tremor_px is None:
        return 0.0
    return found.tremor_px * (1.0 + limit("still_tremor_doubt") / (found.frames - 2))


def _remembered(known: float | None, found: Unrest) -> float:
    """The tremor of these hands over the session: rises at once, falls slowly.

    Frames that nearly keep step with a tremor see little of it now and more a moment later, so what was
    seen before is believed longer than what is seen now.
    """
    if found.tremor_px is None or found.frames < _TELLING:
        return known or 0.0
    if known is None or found.tremor_px > known:
        return found.tremor_px
    return float((known**2 + _FORGOTTEN * (found.tremor_px**2 - known**2)) ** 0.5)
