"""A solved session made from numbers and small pictures, for hand-overs and reports."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from holdstill import session, solve
from holdstill.archive import Originals
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.limits import all_values
from holdstill.records import FrameBytes, ProofResult, Trouble, View
from holdstill.records import events as ev
from holdstill.session import State
from solve.sighting_rigs import REFERENCE, Truth, camera_poses, plate_poses, views_of


def originals_in(folder: Path) -> Originals:
    """An empty store below `folder`."""
    return Originals(folder / "originals", preview_of=preview_of_file, png_of=png_of_file)


def picture_of(view: View, camera: str) -> bytes:
    """A 16-bit TIFF, small, with a dot wherever the camera saw one."""
    sighting = view.sightings[camera]
    image = np.full((256, 306), 600, np.uint16)
    for x, y in sighting.points_px / 8.0:
        cv2.circle(image, (round(x), round(y)), 2, 3500, -1)
    return cv2.imencode(".tif", image)[1].tobytes()


@lru_cache
def solved(cameras: int = 2) -> tuple[tuple[ev.Event, ...], State]:
    """Events and state of a session of eleven views, one of them for the proof, one dropped."""
    rng = np.random.default_rng(41)
    names = ("left", "right", "top")[:cameras]
    lenses = (Truth().lenses * 2)[:cameras]
    truth = Truth(lenses=lenses, poses=camera_poses(cameras), names=names)
    rig = replace(REFERENCE, cameras=REFERENCE.cameras[:cameras])
    views = views_of(truth, plate_poses(rng, 12, truth.plate), rng)
    views[10] = replace(views[10], proof=True)
    opened = ev.SessionOpened(
        1.764e12, "fork <b>&", "ab", truth.plate, rig, names, True, all_values(), {}, {"holdstill": "0.1.0"}
    )
    events: list[ev.Event] = [opened]
    for view in views:
        held = {c: f"{c}_{view.view_id}.tif" for c in view.sightings}
        events.append(ev.ViewKept(1.764e12 + view.taken_at_ms, replace(view, file_names=held), None))
    events.append(ev.ViewDropped(1.764e12 + 20000, views[11].view_id))
    events.append(ev.ShotRefused(1.764e12 + 20500, "13", Trouble.GLARE, "left"))
    estimate = solve.solve(truth.plate, rig, views[:10], cameras=names)
    assert estimate
    ids = tuple(v.view_id for v in views[:10])
    events.append(ev.Solved(1.764e12 + 21000, estimate, ids, 120.0))
    proof = ProofResult((views[10].view_id,), "unused views", 0.051, 0.05, 40, 21.0, 8.2, passed=True)
    events.append(ev.Proved(1.764e12 + 22000, proof, ids))
    return tuple(events), session.replay(list(events))


def with_pictures(state: State, originals: Originals) -> State:
    """The same session with every kept view's pictures in `originals`."""
    entries = []
    for entry in state.entries:
        digests = {
            camera: originals.keep(
                FrameBytes(camera, f"{camera}.tif", 0.0, data=picture_of(entry.view, camera))
            )
            for camera in entry.view.sightings
        }
        entries.append(replace(entry, view=replace(entry.view, originals=digests)))
    return replace(state, entries=tuple(entries))
