"""The start-of-shift exercise: two minutes of views on the simulated rig, and what came of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from holdstill.limits import limit
from holdstill.phrases import cues
from holdstill.records import ExerciseState, Say, Trouble

from .state import State


@dataclass(frozen=True, slots=True)
class Exercise:
    """An exercise under way, or over and not yet put away."""

    began_ms: float

    @property
    def until_ms(self) -> float:
        """When it is over."""
        return self.began_ms + limit("exercise_ms")


def exercise_state(state: State, exercise: Exercise | None, now_ms: float) -> ExerciseState | None:
    """What has come of the exercise so far; its result in words once it is over. None without one."""
    if exercise is None:
        return None
    began, until = exercise.began_ms, exercise.until_ms
    kept = sum(began <= e.view.taken_at_ms <= until and not e.dropped for e in state.entries)
    troubles = Counter(
        line.refusal.trouble
        for line in state.story
        if line.refusal is not None and began <= line.refusal.at_ms <= until
    )
    done = now_ms >= until
    says = result_says(kept, troubles) if done else ()
    return ExerciseState(began, until, done, kept, sum(troubles.values()), says)


def result_says(kept: int, troubles: Counter[Trouble]) -> tuple[Say, ...]:
    """The result in words: how many, how quick, what went wrong most and what helps, and go or again."""
    good = kept >= limit("exercise_views")
    says = [Say("exercise.kept", {"count": kept})]
    if kept:
        says.append(Say("exercise.pace", {"seconds": limit("exercise_ms") / 1000.0 / kept}))
    if troubles:
        worst, times = troubles.most_common(1)[0]
        says.append(Say("exercise.refused", {"count": sum(troubles.values()), "times": times}))
        says += cues.trouble_says(worst, None, None)
    else:
        says.append(Say("exercise.clean"))
    says.append(Say("exercise.good" if good else "exercise.again", {"wanted": int(limit("exercise_views"))}))
    return tuple(says)
