"""What the eye's process does with shots of a still scene: marks, and where they are again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from holdstill.errors import BadFrame
from holdstill.intake.decode import decode
from holdstill.measure.scene import SceneStart, scene_again, scene_start
from holdstill.records import Frame, FrameFile, Nothing, Shot
from holdstill.records.scene import SceneMarks, SceneShift

_STARTS: dict[str, SceneStart] = {}
"""The reference pictures of the series or the recheck at hand, by camera."""
_FROM: dict[str, Path] = {}
"""The files that the reference pictures of a recheck were read from."""


def _frame(shot: Shot, camera: str) -> Frame | Nothing:
    try:
        return decode(shot.originals[camera])
    except BadFrame as error:
        return Nothing("bad frame", {"camera": camera, "message": str(error)})


def scene_first(shot: Shot) -> dict[str, SceneMarks | Nothing]:
    """Marks of the shot's pictures, which are the reference of what follows."""
    _STARTS.clear()
    _FROM.clear()
    out: dict[str, SceneMarks | Nothing] = {}
    for camera in shot.originals:
        frame = _frame(shot, camera)
        start = (
            frame if isinstance(frame, Nothing)
            else scene_start(frame.image, camera=camera, full_scale=frame.full_scale)
        )  # fmt: skip
        if isinstance(start, SceneStart):
            _STARTS[camera] = start
            out[camera] = start.marks
        else:
            out[camera] = start
    return out


def scene_next(shot: Shot) -> dict[str, SceneShift | Nothing]:
    """Where the marks are in a further shot; only cameras that have marks."""
    out: dict[str, SceneShift | Nothing] = {}
    for camera in shot.originals:
        if camera in _STARTS:
            frame = _frame(shot, camera)
            known = frame if isinstance(frame, Nothing) else scene_again(_STARTS[camera], frame.image)
            out[camera] = known
    return out


def scene_beside(
    files: Mapping[str, Path], marks: Mapping[str, SceneMarks], shot: Shot
) -> dict[str, SceneShift | Nothing]:
    """Where the marks of a stored reference (its originals in `files`) are in a later shot."""
    for camera, path in files.items():
        if _FROM.get(camera) == path or camera not in marks:
            continue
        try:
            frame = decode(FrameFile(camera, path, path.name, 0.0))
        except BadFrame:
            continue
        start = scene_start(frame.image, camera=camera, full_scale=frame.full_scale)
        if isinstance(start, SceneStart):
            _STARTS[camera] = replace(start, marks=marks[camera])
            _FROM[camera] = path
    return scene_next(shot)
