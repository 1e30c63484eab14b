"""Everything the pages show, gathered from the session and the moment."""

from __future__ import annotations

from dataclasses import dataclass, replace

from holdstill import solve
from holdstill.limits import limit
from holdstill.phrases import CATALOGUE, cues
from holdstill.records import (
    Advice,
    CameraState,
    Coverage,
    HandoverFile,
    Place,
    Ready,
    Rhythm,
    Say,
    SimState,
    Snapshot,
    Step,
    StepState,
    StillRule,
    Storage,
    ViewRow,
)
from holdstill.records import events as ev
from holdstill.records.scene import SceneState, SeriesState

from .aiming import warm_note
from .exercise import exercise_state
from .focusing import gauge_words
from .live import Live
from .second import checks_with, second_shown
from .setup import focus_done, light_done, setup
from .state import Entry, State
from .troubles import ninth
from .verdict import verdict
from .work import cue_due, enough, lamps, second_due

STORY_SHOWN = 200
"""Most lines of the story that a page shows (the newest)."""

NO_COVERAGE = Coverage((), None, dict.fromkeys(Place, 0), None, ())


@dataclass(frozen=True, slots=True)
class Around:
    """What the snapshot needs from outside the session."""

    now_ms: float
    plate_words: str
    rhythm: Rhythm
    coverage: Coverage
    storage: Storage | None = None
    solving: bool = False
    files: tuple[HandoverFile, ...] = ()
    sim: SimState | None = None
    series: SeriesState | None = None
    """A series of the still scene being taken."""
    message: str | None = None
    """A trouble of the machine itself (disk, worker), in words."""


def snapshot(state: State, live: Live, advice: Advice, around: Around) -> Snapshot:
    """The state of a session for the pages. Pure."""
    estimate = state.estimate
    name = state.opened.name if state.opened is not None else ""
    return Snapshot(
        session_name=name,
        plate_words=around.plate_words,
        at_ms=around.now_ms,
        step=state.step,
        steps=steps(state, live),
        advice=advice,
        cameras=tuple(_camera(state, live, camera) for camera in state.cameras),
        coverage=around.coverage,
        views=rows(state),
        kept_count=len(state.solve_ids()),
        customary_count=int(limit("customary_views")),
        trace=state.trace,
        quantities=estimate.quantities if estimate else (),
        camera_estimates=estimate.cameras if estimate else (),
        pair_estimates=estimate.pairs if estimate else (),
        rms_px=estimate.rms_px if estimate else None,
        checks=checks_with(estimate.checks, state.second) if estimate else (),
        plate_shape=estimate.plate_shape if estimate else None,
        proof=state.proof.result if state.proof else None,
        verdict=verdict(state),
        files=around.files,
        storage=around.storage,
        rhythm=around.rhythm,
        paused=state.paused,
        solving=around.solving,
        file_messages=_messages(state, around.message),
        alarm=around.message or "",
        dropped_frames=live.dropped,
        operator_faces_cameras=bool(state.setting("faces_cameras")),
        sim=around.sim,
        lens_reason=estimate.lens_reason if estimate else "",
        rig=state.rig,
        drift=state.recheck.result if state.recheck else None,
        lamps=lamps(state),
        exercise=exercise_state(state, live.exercise, around.now_ms),
        still_rule=still_rule(state, live),
        scene=scene_state(state, around.series),
        second=second_shown(state.second),
        feeds=live.feeds,
        setup=setup(state, live.setup, live.report, live.sightings),
    )


def scene_state(state: State, series: SeriesState | None) -> SceneState | None:
    """What is known of the still scene; None when nothing was asked for yet."""
    if state.scene is None:
        return None if series is None else SceneState(series)
    floors = state.scene.floors
    meaning = solve.floor_meaning(state.rig, state.estimate, floors) if state.estimate else None
    return SceneState(series, tuple(floors.values()), meaning)


def still_rule(state: State, live: Live) -> StillRule:
    """How still the plate must be, what the exposure is, and what these hands allow."""
    exposures = list(live.report.exposure_ms.values()) if live.report is not None else []
    longest = live.steady.longest_ms
    return StillRule(
        float(state.setting("motion_px")),
        round(max(exposures), 2) if exposures else None,
        None if longest is None else float(f"{longest:.1g}"),
    )


def _messages(state: State, message: str | None) -> tuple[str, ...]:
    newest = state.file_messages[-int(limit("file_storm")) :]
    return newest if message is None else (*newest, message)


def _camera(state: State, live: Live, camera: str) -> CameraState:
    plate = second_due(state)
    if plate is not None:  # what is looked for now
        live = live.second or Live()
    plate = plate or state.plate
    report = live.report
    sighting = live.sightings.get(camera)
    printed = plate.point_count - len(plate.absent)
    return CameraState(
        name=camera,
        found=len(sighting.point_ids) if sighting is not None else 0,
        wanted=printed,
        measures=report.measures.get(camera) if report else None,
        size_px=report.sizes_px.get(camera) if report else None,
        sharpness_best=live.sharpness_best.get(camera),
        sharpness_path=live.sharpness_path.get(camera, ()),
        focus_say=gauge_words(live.setup.focus.gauge(camera)),
        light_say=_light(live, camera),
    )


def _light(live: Live, camera: str) -> Say | None:
    """One sentence on the light in a camera's newest picture."""
    measures = live.report.measures.get(camera) if live.report else None
    if measures is None:
        return Say("focus.no-picture")
    if measures.dot_fill is None:
        return Say("light.no-plate")
    if measures.glare and max(g.plate_share for g in measures.glare) > limit("glare_share"):
        size = live.report.sizes_px[camera] if live.report else (1, 1)
        worst = max(measures.glare, key=lambda g: g.plate_share)
        return Say("light.glare", {"place": ninth(worst.x_px, worst.y_px, size).value})
    if measures.dot_fill < limit("light_dot_fill"):
        return Say("light.dots-dim")
    if measures.ground_fill is not None and measures.ground_fill > limit("light_ground_fill"):
        return Say("light.dots-over")
    return Say("light.good")


def rows(state: State) -> tuple[ViewRow, ...]:
    """The session's story, newest last: views and refused shots."""
    entries = {e.view.view_id: e for e in state.entries}
    out: list[ViewRow] = []
    before = max(0, len(state.story) - STORY_SHOWN)
    for place, line in enumerate(state.story[before:], before + 1):
        if line.view_id is not None:
            out.append(replace(view_row(state, entries[line.view_id]), place=place))
        elif line.refusal is not None:
            out.append(replace(_refusal_row(line.refusal), place=place))
    return tuple(out)


def view_row(state: State, entry: Entry) -> ViewRow:
    """The line of a kept view."""
    view, estimate = entry.view, state.estimate
    word, reason = "kept", None
    if entry.dropped:
        word = "dropped"
    elif entry.set_aside:
        word, reason = "set aside", Say("aside.hand")
    elif view.proof:
        word = "proof"
    elif estimate is not None:
        for aside in estimate.set_aside:
            if aside.view_id == view.view_id and not aside.point_ids:
                word = "set aside"
                reason = aside_words(aside.reason)
    fit = next((f for f in estimate.views if f.view_id == view.view_id), None) if estimate else None
    return ViewRow(
        view_id=view.view_id,
        name=view.name,
        state=word,
        reason=reason,
        at_ms=view.taken_at_ms,
        digests=view.originals,
        rms_px=fit.rms_px if fit else {},
        gain=fit.information_gain if fit else None,
    )


def aside_words(reason: str) -> Say:
    """Why the solve left a picture or a dot out, as a sentence."""
    key = f"aside.{reason}"
    return Say(key) if key in CATALOGUE else Say("reason.set aside", {"why": reason})


def _refusal_row(refusal: ev.ShotRefused) -> ViewRow:
    return ViewRow(
        view_id=None,
        name=refusal.shot_name,
        state="not kept",
        reason=cues.trouble_short(refusal.trouble),
        at_ms=refusal.at_ms,
        digests=refusal.originals,
        trouble=refusal.trouble,
        camera=refusal.camera,
    )


def steps(state: State, live: Live) -> tuple[StepState, ...]:
    """Each step's state, by what is known and not by which pages were opened."""
    done = {
        Step.RIG: bool(state.rig.cameras) and state.rig.stand_off_mm is not None,
        Step.FOCUS: focus_done(state),
        Step.LIGHT: light_done(state),
        Step.POSES: enough(state) or state.proof is not None,
        Step.SOLVE: state.estimate is not None
        and not any(q.value > q.goal for q in state.estimate.quantities),
        Step.PROOF: state.proof is not None and state.proof.result.passed,
        Step.HANDOVER: state.handed is not None,
        Step.RECHECK: state.recheck is not None,
    }
    stopped = verdict(state).state is Ready.STOP
    out = []
    for step in Step:
        word = "done" if done[step] else "todo"
        if step is state.step:
            word = "trouble" if live.trouble is not None and cue_due(state) else "now"
        elif step is Step.SOLVE and stopped:
            word = "trouble"
        out.append(StepState(step, word, warm_note(live.setup.rig, step) or _note(state, step)))
    return tuple(out)


def _note(state: State, step: Step) -> Say | None:
    if step is Step.POSES and state.entries:
        return Say("note.views", {"count": len(state.solve_ids())})
    if step is Step.SOLVE and state.estimate is not None:
        return Say("note.rms", {"rms_px": state.estimate.rms_px})
    if step is Step.PROOF and state.standing(proof=True):
        return Say("note.views", {"count": len(state.standing(proof=True))})
    return None
