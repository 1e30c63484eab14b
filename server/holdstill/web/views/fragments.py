"""The pieces of the pages that travel by themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from holdstill.records import Snapshot

from . import lamplight, moment, practice, standing
from .acts import acts, show_acts
from .feeds import feeds_reads, show_feeds
from .panels import second_looked_for
from .setting import card_reads, show_setup
from .words import Words

Context = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Fragment:
    """A piece of a page that travels by itself.

    name
        Its element's id, and its template ``fragments/<name>.html``.
    reads
        The parts of the snapshot it shows; it is drawn anew only when they change.
    context
        What its template needs.
    """

    name: str
    reads: Callable[[Snapshot], tuple[object, ...]]
    context: Callable[[Snapshot, Words], Context]


def _reads(*names: str) -> Callable[[Snapshot], tuple[object, ...]]:
    return lambda snapshot: tuple(getattr(snapshot, name) for name in names)


FRAGMENTS: Mapping[str, Fragment] = {
    fragment.name: fragment
    for fragment in (
        Fragment("signal", _reads("advice", "paused", "step", "kept_count"), moment.show_signal),
        Fragment("rail", practice.rail_reads, standing.show_rail),
        Fragment("cue", _reads("advice", "step", "kept_count"), moment.show_cue),
        Fragment("stage", moment.stage_reads, moment.show_stage),
        Fragment("order", _reads("advice"), moment.show_order),
        Fragment("setup", card_reads, show_setup),
        Fragment("eyes", _reads("cameras", "advice"), moment.show_eyes),
        Fragment("feeds", feeds_reads, show_feeds),
        Fragment("covered", _reads("coverage"), standing.show_covered),
        Fragment("lamps", lamplight.lamps_read, lamplight.show_lamps),
        Fragment(
            "progress",
            _reads("quantities", "trace", "kept_count", "customary_count", "solving"),
            standing.show_progress,
        ),
        Fragment("views", _reads("views", "kept_count"), standing.show_views),
        Fragment("verdict", lambda s: (s.verdict, second_looked_for(s)), standing.show_verdict),
        Fragment(
            "numbers",
            _reads(
                "quantities", "rms_px", "camera_estimates", "pair_estimates", "checks", "plate_shape",
                "lens_reason", "proof", "solving",
            ),
            standing.show_numbers,
        ),
        Fragment("files", _reads("files", "kept_count"), standing.show_files),
        Fragment(
            "bench-notes", _reads("rhythm", "storage", "dropped_frames", "file_messages", "plate_words"),
            standing.show_bench_notes,
        ),
        Fragment("step-list", _reads("steps", "step"), standing.show_step_list),
        Fragment("acts", lambda s: (acts(s), s.operator_faces_cameras, s.sim is None), show_acts),
        Fragment("exercise", practice.exercise_reads, practice.show_exercise),
        Fragment("still", _reads("still_rule"), practice.show_still),
        Fragment("alarm", _reads("alarm"), standing.show_alarm),
        Fragment("side", _reads("operator_faces_cameras"), standing.show_side),
        Fragment("sim", _reads("sim"), standing.show_sim),
    )
}  # fmt: skip

PAGES: Mapping[str, tuple[str, ...]] = {
    "phone": tuple(FRAGMENTS),
    "bench": tuple(FRAGMENTS),
    "far": ("signal", "alarm", "rail", "cue", "stage", "order", "progress"),
}
"""Which fragments each page shows."""
