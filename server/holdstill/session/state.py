"""What a session is at one moment, and the only place where it changes: ``step(state, event)``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from holdstill import settings as choices
from holdstill.records import (
    Cue,
    Estimate,
    Instruction,
    Plate,
    Rig,
    Step,
    TracePoint,
    View,
)
from holdstill.records import events as ev
from holdstill.records.scene import SceneReference

from .second import Second, after_second


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A kept view and what the user did with it."""

    view: View
    cue_number: int | None
    dropped: bool = False
    brought_back: bool = False
    """To be used by the solve whatever its residuals."""
    set_aside: bool = False
    """Left out of the solve by the user."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One line of the session's story, in order: a view by number, or a refused shot."""

    view_id: int | None
    refusal: ev.ShotRefused | None


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """A session, folded from its events. Never changed in place."""

    opened: ev.SessionOpened | None = None
    cameras: tuple[str, ...] = ()
    step: Step = Step.POSES
    settings: Mapping[str, choices.Value] = field(default_factory=choices.defaults)
    entries: tuple[Entry, ...] = ()
    story: tuple[Happened, ...] = ()
    file_messages: tuple[str, ...] = ()
    cue: Cue | None = None
    cue_number: int = 0
    cue_spent: bool = True
    cue_at_ms: float = 0.0
    lamp_told: str = ""
    """Side of the lamp that was last said to be in the way; `lamp_new`: this cue is the first to say so."""
    lamp_new: bool = False
    skipped: tuple[Instruction, ...] = ()
    """Instructions the person asked to leave out since the last view was kept."""
    estimate: Estimate | None = None
    estimate_from: tuple[int, ...] = ()
    estimate_at_ms: float = 0.0
    failure: ev.SolveFailed | None = None
    trace: tuple[TracePoint, ...] = ()
    lengths: tuple[ev.LengthEntered, ...] = ()
    proof: ev.Proved | None = None
    withdrawn: ev.ReadyWithdrawn | None = None
    recheck: ev.Rechecked | None = None
    scene: SceneReference | None = None
    """The still scene as the calibrated cameras last saw it."""
    second: Second | None = None
    """A second plate, for the scale."""
    handed: ev.HandedOver | None = None
    shown: Mapping[Step, ev.StepShown] = field(default_factory=dict)
    """Steps whose work the pictures showed to be done."""
    described: Rig | None = None
    """The rig as described on the Rig step's page since the opening; None: as opened."""
    paused: bool = False
    last_at_ms: float = 0.0
    events: int = 0

    @property
    def plate(self) -> Plate:
        """The plate, its pitch as corrected by the user. Raises ValueError before opening."""
        if self.opened is None:
            raise ValueError("the session has not been opened")
        pitch = [e for e in self.lengths if e.what == "pitch"]
        if pitch:
            return replace(self.opened.plate, pitch_mm=pitch[-1].value_mm, pitch_sigma_mm=pitch[-1].sigma_mm)
        return self.opened.plate

    @property
    def rig(self) -> Rig:
        """The rig as described, with lengths entered since. Raises ValueError before opening."""
        if self.opened is None:
            raise ValueError("the session has not been opened")
        rig = self.described if self.described is not None else self.opened.rig
        for e in self.lengths:
            if e.what == "baseline":
                rig = replace(rig, tape_baseline_mm=e.value_mm, tape_sigma_mm=e.sigma_mm)
            elif e.what == "gauge":
                rig = replace(rig, gauge_mm=e.value_mm, gauge_sigma_mm=e.sigma_mm)
        return rig

    def setting(self, name: str) -> choices.Value:
        """A setting's value."""
        return choices.value(self.settings, name)

    def standing(self, *, proof: bool) -> tuple[View, ...]:
        """Views neither dropped nor set aside by hand: those for the solve, or those for the proof."""
        standing = (e for e in self.entries if not e.dropped and not e.set_aside)
        return tuple(e.view for e in standing if e.view.proof is proof)

    def solve_ids(self) -> tuple[int, ...]:
        """Numbers of the views that the solve should use."""
        return tuple(v.view_id for v in self.standing(proof=False))

    def forced_ids(self) -> tuple[int, ...]:
        """Numbers of the views the user brought back."""
        return tuple(e.view.view_id for e in self.entries if e.brought_back and not e.dropped)

    def kept_views(self) -> tuple[View, ...]:
        """All views that were not dropped, in the order kept: what is handed over."""
        return tuple(e.view for e in self.entries if not e.dropped)


def step(state: State, event: ev.Event) -> State:  # noqa: PLR0912 - one branch per kind of event
    """The session after `event`. Pure; the same events always give the same session.

    Raises ValueError for an event that can't follow (a second opening, an unknown view).
    """
    state = replace(state, last_at_ms=event.at_ms, events=state.events + 1)
    match event:
        case ev.SessionOpened():
            return _open(state, event)
        case ev.CamerasNamed(cameras=cameras):
            return replace(state, cameras=cameras)
        case ev.StepEntered(step=entered):
            return replace(state, step=entered, cue_spent=True)
        case ev.SettingChanged(name=name, value=value):
            if name not in choices.TABLE:
                raise ValueError(f"unknown setting {name!r}")
            return replace(state, settings={**state.settings, name: value})
        case ev.CueSet(cue=cue):
            return _asked(state, cue, event.at_ms)
        case ev.CueSkipped():
            skipped = () if state.cue is None else (state.cue.instruction,)
            return replace(state, cue_spent=True, skipped=(*state.skipped, *skipped))
        case ev.ViewKept():
            return _keep(state, event)
        case ev.ShotRefused():
            return replace(state, story=(*state.story, Happened(None, event)))
        case ev.FileRefused(message=message):
            return replace(state, file_messages=(*state.file_messages, message))
        case ev.ViewDropped() | ev.ViewBroughtBack() | ev.ViewSetAside():
            return _mark(state, event)
        case ev.Solved():
            return _solved(state, event)
        case ev.SolveFailed():
            return replace(state, failure=event)
        case ev.LengthEntered():
            return replace(state, lengths=(*state.lengths, event), estimate_from=(), failure=None, proof=None)
        case ev.Proved():
            return replace(state, proof=event, withdrawn=None)
        case ev.Rechecked(result=result):
            withdrawn = state.withdrawn if result.moved else None
            if result.moved and result.matters:
                told = {"picture size": "size", "another pitch": "pitch", "lens changed": "lens"}
                reason = next((told[r] for r in result.reasons if r in told), "moved")
                withdrawn = ev.ReadyWithdrawn(event.at_ms, reason, result.numbers)
            return replace(state, recheck=event, withdrawn=withdrawn)
        case ev.SceneKept(reference=reference):
            return replace(state, scene=reference)
        case ev.SecondPlateDescribed():
            return replace(state, second=Second(event))
        case ev.SecondPlateShown() | ev.SecondPlateAway() | ev.SecondPlateMeasured():
            return replace(state, second=after_second(state.second, event))
        case ev.ReadyWithdrawn():
            return replace(state, withdrawn=event)
        case ev.HandedOver():
            return replace(state, handed=event)
        case ev.StepShown(step=shown):
            return replace(state, shown={**state.shown, shown: event})
        case ev.RigDescribed(rig=rig):
            return replace(state, described=rig, estimate_from=(), failure=None, proof=None)
        case ev.Paused():
            return replace(state, paused=True)
        case ev.Resumed():
            return replace(state, paused=False)


def _open(state: State, event: ev.SessionOpened) -> State:
    if state.opened is not None:
        raise ValueError("the session is open already")
    return replace(
        state,
        opened=event,
        cameras=event.cameras,
        settings={**choices.defaults(), **event.settings},
    )


def _asked(state: State, cue: Cue, at_ms: float) -> State:
    new = cue.lamp not in ("", state.lamp_told)
    state = replace(state, lamp_new=new, lamp_told=cue.lamp if new else state.lamp_told)
    return replace(state, cue=cue, cue_number=cue.number, cue_spent=False, cue_at_ms=at_ms)


def _keep(state: State, event: ev.ViewKept) -> State:
    if any(e.view.view_id == event.view.view_id for e in state.entries):
        raise ValueError(f"view {event.view.view_id} was kept already")
    spent = state.cue_spent or state.cue is None or not state.opened or not state.opened.single_shots
    return replace(
        state,
        entries=(*state.entries, Entry(event.view, event.cue_number)),
        story=(*state.story, Happened(event.view.view_id, None)),
        cue_spent=spent or event.cue_number == state.cue_number,
        proof=None,
        skipped=(),
    )


def _mark(state: State, event: ev.ViewDropped | ev.ViewBroughtBack | ev.ViewSetAside) -> State:
    """A view dropped, set aside or brought back by the user. Brought back is one step: what the user
    left out is in again as any other view; what the solve set aside is used whatever it says."""
    if all(e.view.view_id != event.view_id for e in state.entries):
        raise ValueError(f"there is no view {event.view_id}")

    def marked(e: Entry) -> Entry:
        match event:
            case ev.ViewDropped():
                return replace(e, dropped=True)
            case ev.ViewSetAside():
                return replace(e, set_aside=True, brought_back=False)
            case ev.ViewBroughtBack():
                own = e.dropped or e.set_aside
                return replace(e, dropped=False, set_aside=False, brought_back=not own or e.brought_back)

    entries = tuple(marked(e) if e.view.view_id == event.view_id else e for e in state.entries)
    return replace(state, entries=entries, cue_spent=True, failure=None, proof=None, estimate_from=())


def _solved(state: State, event: ev.Solved) -> State:
    headline = headline_value(event.estimate)
    trace = state.trace
    if headline is not None:
        trace = (*trace, TracePoint(len(event.estimate.used_view_ids), headline))
    return replace(
        state,
        estimate=event.estimate,
        estimate_from=event.from_view_ids,
        estimate_at_ms=event.at_ms,
        failure=None,
        trace=trace,
        cue_spent=state.cue_spent,
        second=None if state.second is None else replace(state.second, answer=None),
    )


def headline_value(estimate: Estimate) -> float | None:
    """The quantity whose fall is shown: the first one, as on the pages; None without any."""
    return next((q.value for q in estimate.quantities), None)


def replay(events: Iterable[ev.Event]) -> State:
    """The session that these events give."""
    state = State()
    for event in events:
        state = step(state, event)
    return state
