"""A second plate shown to a finished calibration: whether it is looked for now, and as what."""

from __future__ import annotations

from dataclasses import dataclass, replace

from holdstill.limits import limit
from holdstill.records import Check, Say, Step, View
from holdstill.records import events as ev
from holdstill.records.second import SecondPlate, SecondShown

STEPS = (Step.PROOF, Step.HANDOVER)
"""Steps in which a second plate may be shown: there is a calibration, and nothing else is asked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Second:
    """A second plate as described, the shots of it, and what was made of them."""

    described: ev.SecondPlateDescribed
    views: tuple[View, ...] = ()
    looking: bool = True
    answer: ev.SecondPlateMeasured | None = None
    """None: not worked out yet, by the solution that stands."""

    @property
    def result(self) -> SecondPlate | None:
        """What it says of the scale; None before, and when nothing could be made of it."""
        return self.answer.result if self.answer is not None else None


def after_second(
    second: Second | None, event: ev.SecondPlateShown | ev.SecondPlateAway | ev.SecondPlateMeasured
) -> Second | None:
    """What holds of it after an event. Raises ValueError for one that can't follow, as no second plate was
    described; an answer that comes too late, after another shot or another plate, changes nothing."""
    if isinstance(event, ev.SecondPlateMeasured):
        in_time = second is not None and event.views == len(second.views)
        return replace(second, answer=event) if second is not None and in_time else second
    if second is None:
        raise ValueError("no second plate was described")
    match event:
        case ev.SecondPlateShown(view=view):
            views = (*second.views, view)
            more = len(views) < limit("second_plate_shots")
            return replace(second, views=views, answer=None, looking=second.looking and more)
        case ev.SecondPlateAway():
            return replace(second, looking=False) if second.views else None


def checks_with(checks: tuple[Check, ...], second: Second | None) -> tuple[Check, ...]:
    """The solve's checks, and that of a second plate where one was measured."""
    result = second.result if second is not None else None
    return checks if result is None else (*checks, result.check)


def second_shown(second: Second | None) -> SecondShown | None:
    """What the pages show of it."""
    if second is None:
        return None
    why = second.answer.why if second.answer is not None else ""
    wanted = int(limit("second_plate_shots"))
    return SecondShown(
        second.described.words, len(second.views), wanted, second.looking, second.result, why
    )


def scale_by_second(second: Second | None) -> Say | None:
    """That a second plate bears the scale out, and to how many per cent; None when it doesn't."""
    result = second.result if second is not None else None
    if result is None or not result.check.ok or result.share_sigma > limit("scale_length_share"):
        return None
    told = {"percent": 100.0 * result.share_sigma, "pitch_mm": result.pitch_mm}
    return Say("reason.scale.second", told)


def second_says(second: Second) -> Say:
    """What is asked of the operator while a second plate is looked for."""
    key = "advice.second.more" if second.views else "advice.second"
    return Say(key, {"taken": len(second.views), "wanted": int(limit("second_plate_shots"))})
