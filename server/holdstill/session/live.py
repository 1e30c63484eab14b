"""The passing moment: what the newest shot shows, folded from shot to shot and never journalled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import median

import numpy as np

from holdstill import measure, plan, solve
from holdstill.limits import limit
from holdstill.measure.unrest import travel_px
from holdstill.records import (
    FeedsState,
    Guide,
    Nothing,
    Part,
    Place,
    Pose,
    ShotReport,
    Sighting,
    Stillness,
    Trouble,
)

from .exercise import Exercise
from .focusing import Focusing
from .habits import repeated, restless, turned
from .setup import SettingUp, setting_up_step
from .state import State
from .steadiness import Steadiness, steadied
from .troubles import Found, first_trouble
from .work import kept_poses

PATH_LENGTH = 60
"""How many sharpness readings the gauge's path remembers (about 6 s at ten frames a second)."""


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """One shot of a stream as it looked: what a view is made of once the next shot shows that the
    plate was still on both sides of it."""

    report: ShotReport
    sightings: Mapping[str, Sighting]
    pose: Pose | None
    guide: Guide | None
    seen_trouble: Found | None


@dataclass(frozen=True, slots=True)
class Told:
    """A move that is asked for: of which cue, which part, and since when it has been said (ms)."""

    cue_number: int
    part: Part
    at_ms: float


@dataclass(frozen=True, slots=True, eq=False)
class Live:
    """The newest shot in the light of the session. Disposable: lost on restart without harm."""

    report: ShotReport | None = None
    sightings: Mapping[str, Sighting] = field(default_factory=dict)
    pose: Pose | None = None
    still: Mapping[str, Stillness] = field(default_factory=dict)
    still_frames: int = 0
    steady: Steadiness = field(default_factory=Steadiness)
    """What the hands have done lately; it tells how far the dots may travel during an exposure."""
    guide: Guide | None = None
    told: Told | None = None
    """The move asked for, since when."""
    earlier: Moment | None = None
    """The shot before this one, in a stream."""
    seen_trouble: Found | None = None
    """What this shot shows."""
    restless: int = 0
    """Frames in a row at the wished pose without rest."""
    trouble_frames: int = 0
    where_frames: int = 0
    """Frames in a row that showed it in the same camera and place."""
    trouble: Found | None = None
    """What the phone says: a trouble that has stood for some frames."""
    trouble_at_ms: float = 0.0
    """Since when."""
    kept_at_ms: float | None = None
    refused: tuple[int, Trouble] | None = None
    """The (cue number, trouble) last refused, so that a stream refuses once."""
    take_now: bool = False
    recheck_next: bool = False
    sharpness_best: Mapping[str, float] = field(default_factory=dict)
    sharpness_path: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    setup: SettingUp = field(default_factory=SettingUp)
    """Focus gauges, light, aim and warmth: the moment of the first three steps."""
    shot_times_ms: tuple[float, ...] = ()
    shots: int = 0
    dropped: int = 0
    exercise: Exercise | None = None
    """The start-of-shift exercise, on a simulated rig."""
    second: Live | None = None
    """The same of a second plate, while one is looked for."""
    feeds: FeedsState | None = None
    """The cameras themselves, where the source knows them."""


def look(live: Live, state: State, report: ShotReport) -> Live:
    """The moment after `report` (one shot, looked at by a worker). Pure."""
    seen = {c: s for c, s in report.sightings.items() if isinstance(s, Sighting)}
    rig_known = state.estimate if state.estimate is not None else state.rig
    sightings = solve.agree(seen, state.plate, rig_known) if seen else {}
    pose = solve.live_pose(state.plate, sightings, rig_known) if sightings else None
    pose = None if isinstance(pose, Nothing) else pose
    still = _stillness(live, sightings, report)
    most_px = float(state.setting("motion_px"))
    steady = live.steady
    if not report.single:
        steady = steadied(steady, report, sightings, still, most_px=most_px)
    at_rest = _is_still(still, steady, most_px) and together(still, report.apart_ms)
    frames = live.still_frames + 1 if at_rest else 0
    after = replace(
        live,
        report=report,
        sightings=sightings,
        pose=pose,
        still=still,
        still_frames=frames,
        steady=steady,
        earlier=_earlier(live, report),
        shots=live.shots + 1,
        shot_times_ms=(*live.shot_times_ms[-39:], report.taken_at_ms),
    )
    after = _remember_sharpness(after)
    after = replace(after, setup=setting_up_step(live.setup, state, report, sightings))
    after = replace(after, guide=_guide(after, state))
    after = replace(after, told=_told(after, state))
    found = first_trouble(
        state, report, sightings, still, typical_blur_px=typical_blur_px(state), plate_expected=True
    )
    if found is None and _is_still(still, steady, most_px) and not at_rest:
        found = _fired_apart(still, report)
    if found is None and not report.single:
        after, found = _of_habit(after, state, report)
    return _settle(after, found, single=report.single)


def _of_habit(live: Live, state: State, report: ShotReport) -> tuple[Live, Found | None]:
    """The troubles that only time shows, once the picture itself shows none."""
    there = live.guide is not None and live.guide.good_enough
    live = replace(live, restless=live.restless + 1 if there and live.still_frames == 0 else 0)
    found = turned(state, live.pose) or restless(live.restless, live.steady, report)
    if found is None and not there:
        found = repeated(state, live.pose, report, live.still_frames)
    return live, found


def _earlier(live: Live, report: ShotReport) -> Moment | None:
    if live.report is None or report.single:
        return None
    return Moment(live.report, live.sightings, live.pose, live.guide, live.seen_trouble)


def _stillness(live: Live, sightings: Mapping[str, Sighting], report: ShotReport) -> dict[str, Stillness]:
    if live.report is None or report.single:
        return {}
    seconds = (report.taken_at_ms - live.report.taken_at_ms) / 1000.0
    if seconds <= 0:
        return {}
    out: dict[str, Stillness] = {}
    for camera, now in sightings.items():
        before = live.sightings.get(camera)
        if before is None:
            continue
        motion = measure.stillness(before, now, seconds=seconds, exposure_ms=report.exposure_ms.get(camera))
        if isinstance(motion, Stillness):
            out[camera] = motion
    return out


def _is_still(still: Mapping[str, Stillness], steady: Steadiness, most_px: float) -> bool:
    """Whether no camera saw the plate move, and the dots can't have travelled far within the exposure."""
    return (
        bool(still)
        and all(
            s.shift_px <= _shift_allowed_px(s, most_px) and (s.blur_px is None or s.blur_px <= most_px)
            for s in still.values()
        )
        and steady.looked
        and steady.worst_px <= limit("still_margin") * most_px
    )


def together(still: Mapping[str, Stillness], apart_ms: float | None) -> bool:
    """Whether a plate that moves so has kept its place from one camera's exposure to the other's.

    The motion between the exposures shifts the cameras' sightings against each other: no pose explains
    it, and it does not average out.  True when how far apart they were is not told.
    """
    if apart_ms is None:
        return True
    return all(s.speed_px_per_s * apart_ms / 1000.0 <= limit("pair_apart_px") for s in still.values())


def _fired_apart(still: Mapping[str, Stillness], report: ShotReport) -> Found:
    """The cameras were not together, and the plate moved in between."""
    fastest = max(s.speed_px_per_s for s in still.values())
    return Found(
        Trouble.UNSYNCHRONISED,
        numbers={"apart_ms": report.apart_ms or 0.0, "speed_px_per_s": fastest},
    )


def _shift_allowed_px(still: Stillness, most_px: float) -> float:
    """Most motion between two frames: more when they are further apart, since hands sway slowly all the
    time, up to `still_shift_slow` times as much.

    Frames that far apart tell a tremor only by how far they lie from one another, so what they may is no
    more than twice the tremor (rms) that keeps within `most_px` during the exposure, where that is known.
    """
    seconds = still.shift_px / still.speed_px_per_s if still.speed_px_per_s > 0.0 else 0.0
    slower = min(max(1.0, seconds / limit("still_frame_s")), limit("still_shift_slow"))
    allowed = limit("still_shift_px") * slower
    if slower == 1.0 or still.blur_px is None or still.blur_px <= 0.0:
        return allowed
    exposure_ms = 1000.0 * still.blur_px / still.speed_px_per_s
    return min(allowed, 2.0 * most_px / travel_px(0.0, 1.0, exposure_ms=exposure_ms))


def _remember_sharpness(live: Live) -> Live:
    if live.report is None:
        return live
    best, path = dict(live.sharpness_best), dict(live.sharpness_path)
    for camera, measures in live.report.measures.items():
        best[camera] = max(best.get(camera, 0.0), measures.sharpness)
        path[camera] = (*path.get(camera, ())[-(PATH_LENGTH - 1) :], measures.sharpness)
    return replace(live, sharpness_best=best, sharpness_path=path)


def _settle(live: Live, found: Found | None, *, single: bool) -> Live:
    """Hysteresis: a trouble is said once it has stood for some frames, and unsaid likewise."""
    same = (found is None) == (live.seen_trouble is None) and (
        found is None or live.seen_trouble is None or found.trouble is live.seen_trouble.trouble
    )
    frames = live.trouble_frames + 1 if same else 1
    alike = same and _where(found) == _where(live.seen_trouble)
    there = live.where_frames + 1 if alike else 1
    now_ms = live.report.taken_at_ms if live.report is not None else np.inf
    unread = live.trouble is not None and now_ms - live.trouble_at_ms < limit("say_least_ms")
    said = found if single or (frames >= limit("trouble_frames") and not unread) else live.trouble
    before = live.trouble
    if not single and said is not None and before is not None and said.trouble is before.trouble:
        # The same trouble elsewhere: said anew only once it has stood there, or the page would flicker.
        said = said if there >= limit("trouble_frames") else before
    at_ms = live.trouble_at_ms if _kind(said) is _kind(before) else now_ms
    return replace(
        live, seen_trouble=found, trouble_frames=frames, where_frames=there, trouble=said, trouble_at_ms=at_ms
    )


def _kind(found: Found | None) -> Trouble | None:
    return None if found is None else found.trouble


def _where(found: Found | None) -> tuple[str | None, Place | None, str | None]:
    return (None, None, None) if found is None else (found.camera, found.place, found.way)


def _guide(live: Live, state: State) -> Guide | None:
    if state.cue is None or state.cue_spent or live.pose is None:
        return None
    return plan.guide(
        state.cue,
        live.pose,
        plate=state.plate,
        rig=state.rig,
        estimate=state.estimate,
        previous=live.guide,
        kept_poses=kept_poses(state),
        cameras=state.cameras,
        sizes_px=tuple((c, s.image_size_px) for c, s in live.sightings.items()),
        stay=_unread(live, state),
    )


def _told(live: Live, state: State) -> Told | None:
    """The move that is asked for now; what comes while *kept* still stands is said once that goes."""
    if live.guide is None or live.report is None:
        return None
    before, now_ms = live.told, live.report.taken_at_ms
    if before is not None and (before.cue_number, before.part) == (state.cue_number, live.guide.part):
        return before
    shown_ms = now_ms if live.kept_at_ms is None else live.kept_at_ms + limit("kept_shown_ms")
    return Told(state.cue_number, live.guide.part, max(now_ms, shown_ms))


def _unread(live: Live, state: State) -> Part | None:
    """The part of the move that has been asked for too short a while to be read; None: free to change."""
    told = live.told
    if told is None or live.report is None or live.report.single or told.cue_number != state.cue_number:
        return None
    return told.part if 0.0 <= live.report.taken_at_ms - told.at_ms < limit("say_least_ms") else None


def typical_blur_px(state: State) -> float | None:
    """Median blur of the views kept so far (px), None before three were kept."""
    blurs = [
        s.blur_px
        for e in state.entries
        if not e.dropped
        for s in e.view.sightings.values()
        if s.blur_px is not None
    ]
    return median(blurs) if len(blurs) >= 3 * max(1, len(state.cameras)) else None


def forget_sharpness(live: Live) -> Live:
    """The best sharpness starts afresh (the scene or the aperture has changed)."""
    focus = Focusing(
        routines=live.setup.focus.routines,
        boxes=live.setup.focus.boxes,
        turned=live.setup.focus.turned,
        held=live.setup.focus.held,
    )
    return replace(live, sharpness_best={}, sharpness_path={}, setup=replace(live.setup, focus=focus))
