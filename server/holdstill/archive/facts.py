"""What a hand-over and a report are made from: one session, solved, and what follows from it."""

from __future__ import annotations

import platform
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata

import numpy as np

from holdstill import session, solve, target
from holdstill.geometry import matrices, transform
from holdstill.geometry.quantities import axes_crossing_mm
from holdstill.limits import TABLE
from holdstill.phrases import say
from holdstill.records import Estimate, FloatArray, Say, Verdict, View
from holdstill.records import events as ev
from holdstill.session import State

_LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "sqlalchemy")


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """A solved session as it is handed over.

    views
        Kept views that stand, those for the solve first; proof views are marked by ``view.proof``.
    numbers
        View id -> number in file names and tables, counting from 1 in the order kept.
    """

    state: State
    opened: ev.SessionOpened
    estimate: Estimate
    verdict: Verdict
    made_at_ms: float
    views: tuple[View, ...]
    numbers: Mapping[int, int]
    versions: Mapping[str, str]
    plate_words: str

    @property
    def cameras(self) -> tuple[str, ...]:
        """Names of the cameras, in the estimate's order."""
        return tuple(c.name for c in self.estimate.cameras)


def facts_of(state: State, made_at_ms: float) -> Facts:
    """The facts of a session that has been solved. Raises ValueError for one that has not."""
    if state.opened is None or state.estimate is None:
        raise ValueError("only a solved session can be handed over")
    views = sorted(state.kept_views(), key=lambda v: (v.proof, v.view_id))
    return Facts(
        state=state,
        opened=state.opened,
        estimate=solve.with_residuals(state.plate, state.estimate, views),
        verdict=session.verdict(state),
        made_at_ms=made_at_ms,
        views=tuple(views),
        numbers={v.view_id: n for n, v in enumerate(sorted(views, key=lambda v: v.view_id), 1)},
        versions=versions(state.opened),
        plate_words=target.words(state.plate),
    )


def versions(opened: ev.SessionOpened) -> dict[str, str]:
    """What the session began with, and what wrote the files."""
    told = {f"{name} (session)": version for name, version in opened.versions.items()}
    told["python"] = platform.python_version()
    for name in ("holdstill", *_LIBRARIES):
        try:
            told[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            if name == "holdstill":
                from holdstill import __version__

                told[name] = __version__
    return told


def changed_limits(opened: ev.SessionOpened) -> dict[str, float]:
    """Limits the session ran under, by name; those of today where it recorded none."""
    return dict(opened.limits) or {name: row.value for name, row in TABLE.items()}


def plain_name(text: str) -> str:
    """`text` fit for a file name on any system: ASCII letters, digits, dash, dot, underscore.

    >>> plain_name("Kamera (links)/2")
    'Kamera-links-2'
    """
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9._-]+", "-", ascii_text).strip("-.")[:60] or "camera"


def file_names(cameras: tuple[str, ...]) -> dict[str, str]:
    """A name fit for files for every camera, no two alike."""
    out: dict[str, str] = {}
    for camera in cameras:
        name, number = plain_name(camera), 2
        while name.casefold() in {n.casefold() for n in out.values()}:
            name, number = f"{plain_name(camera)}-{number}", number + 1
        out[camera] = name
    return out


def when(at_ms: float) -> str:
    """A time as people write it, in UTC: ``2026-11-25 10:49 UTC``."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m-%d %H:%M UTC")


def place_of_interest_mm(estimate: Estimate) -> FloatArray:
    """Where the cameras look, (3,) rig frame: the crossing of the axes, or the middle of the views."""
    crossing = axes_crossing_mm([c.pose_cam_from_rig for c in estimate.cameras])
    if crossing is not None:
        return crossing
    middles = [np.asarray(v.pose_rig_from_plate.translation_mm) for v in estimate.views]
    return np.asarray(np.mean(middles, axis=0)) if middles else np.array([0.0, 0.0, 1000.0])


def field_of_view(facts: Facts, camera: str) -> dict[str, float]:
    """What a camera sees at the place of interest: ``width_mm``, ``height_mm``, ``distance_mm``,
    ``scale_px_per_mm``. Pinhole without distortion; distance along the optical axis."""
    found = next(c for c in facts.estimate.cameras if c.name == camera)
    place = transform(found.pose_cam_from_rig, place_of_interest_mm(facts.estimate))
    distance = float(place[2])
    width, height = found.lens.size_px
    return {
        "width_mm": width * distance / found.lens.fx,
        "height_mm": height * distance / found.lens.fy,
        "distance_mm": distance,
        "scale_px_per_mm": (found.lens.fx + found.lens.fy) / 2.0 / distance,
    }


def reasons(verdict: Verdict, *, faces_cameras: bool) -> list[str]:
    """The verdict's reasons in words."""
    return [say(r, faces_cameras=faces_cameras) for r in verdict.reasons]


def told(key: str, **values: float | int | str) -> str:
    """The sentence called `key` of ``phrases.archive``."""
    return say(Say("archive." + key, values))


def rotation_and_shift(facts: Facts, camera: str) -> tuple[FloatArray, FloatArray]:
    """``x_cam = R x_rig + t`` of a camera: (3, 3) and (3,) mm."""
    found = next(c for c in facts.estimate.cameras if c.name == camera)
    return matrices(found.pose_cam_from_rig)
