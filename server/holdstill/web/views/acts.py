"""The bar of taps: the few that make sense now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from holdstill.limits import limit
from holdstill.records import Snapshot, Step

from .panels import second_looked_for
from .words import Words


@dataclass(frozen=True, slots=True)
class Act:
    """A button of the bar: the tap it makes, its words' key, the cue it belongs to, and its look."""

    kind: str
    words: str
    cue: int | None = None
    values: Mapping[str, str] = field(default_factory=dict)
    look: str = ""


_NEXT = {
    Step.RIG: Step.FOCUS,
    Step.FOCUS: Step.LIGHT,
    Step.LIGHT: Step.POSES,
    Step.PROOF: Step.HANDOVER,
    Step.HANDOVER: Step.RECHECK,
}


SHOWING = (Step.PROOF, Step.HANDOVER)
"""Steps in which a second plate may be shown."""


def acts(snapshot: Snapshot) -> tuple[Act, ...]:
    """The few taps that make sense now; the last one is the main one."""
    step = snapshot.step
    cue = snapshot.advice.cue
    if snapshot.paused:
        return (Act("resume", "act.resume", look="main"),)
    if second_looked_for(snapshot) and step in SHOWING:
        return (Act("second-plate", "act.second.done", look="main"),)
    if step is Step.FOCUS:
        return (Act("forget-sharpness", "panel.focus.forget"), _next(step))
    if step is Step.LIGHT:
        return _lighting(snapshot)
    if step is Step.RIG:
        return (_next(step),)
    if step is Step.HANDOVER:
        done = bool(snapshot.files)
        write = Act("hand-over", "act.hand-over", look="" if done else "main")
        return (*_series(snapshot), write, _next(step)) if done else (_next(step, look=""), write)
    if step is Step.RECHECK:
        return (*_series(snapshot), Act("recheck", "act.recheck", look="main"))
    made = [Act("pause", "act.pause")]
    if snapshot.kept_count:
        made.append(Act("drop-last", "act.drop"))
    if cue is not None:
        made.append(Act("skip-cue", "act.another", cue.number))
        made.append(Act("take-now", "act.take", cue.number, look="main take"))
    elif step is Step.PROOF and snapshot.proof is not None:
        # Nothing is asked for any more: no pause is needed, and the bar has room for what comes next.
        made = [*made[1:], *_series(snapshot), _next(step)]
    elif snapshot.quantities:
        made.append(Act("prove", "act.prove", look="main"))
    return tuple(made)


def _lighting(snapshot: Snapshot) -> tuple[Act, ...]:
    """Setting the exposure where the cameras can be set; the main thing while it is wrong."""
    light = snapshot.setup.light
    wrong = any(c.stops is not None and abs(c.stops) > limit("light_good_stops") for c in light.cameras)
    if not light.can_set:
        return (_next(Step.LIGHT),)
    setting = Act("set-exposure", "panel.light.set", look="main" if wrong else "")
    return (setting, _next(Step.LIGHT, look="" if wrong else "main"))


def _series(snapshot: Snapshot) -> tuple[Act, ...]:
    """A series of the still scene, unless one is being taken."""
    scene = snapshot.scene
    busy = scene is not None and scene.series is not None and scene.series.taken < scene.series.wanted
    return () if busy or not snapshot.quantities else (Act("still-series", "act.series"),)


def _next(step: Step, look: str = "main") -> Act:
    following = _NEXT[step].value
    return Act("enter-step", f"act.next.{following}", values={"step": following}, look=look)


def show_acts(snapshot: Snapshot, words: Words) -> dict[str, Any]:
    """The bar of taps."""
    return {
        "acts": acts(snapshot),
        "faces": snapshot.operator_faces_cameras,
        "lead": words.key("act.bar"),
        "simulated": snapshot.sim is not None,
    }
