"""Good sets with one defect each, as a careless hour at the bench would make them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from holdstill.geometry import compose
from holdstill.records import FrameMeasures, GlarePatch, Pose, Rig, View
from solve.sighting_rigs import DOTS, TAPED, Truth, plate_poses, sight, views_of
from solve.spoilt_sightings import mirrored, one_column_over, swapped

COUNT = 16
Set = tuple[list[View], Rig]


def _good(rng: np.random.Generator, truth: Truth | None = None, *, absolute: bool = True) -> list[View]:
    return views_of(truth or Truth(), plate_poses(rng, COUNT), rng, absolute=absolute)


def good(rng: np.random.Generator) -> Set:
    return _good(rng), TAPED


def cameras_swapped(rng: np.random.Generator) -> Set:
    """The left camera's files are called right and the other way round."""
    return [replace(v, sightings=swapped(v.sightings)) for v in _good(rng)], TAPED


def swapped_in_two_views(rng: np.random.Generator) -> Set:
    views = _good(rng)
    for i in (4, 9):
        views[i] = replace(views[i], sightings=swapped(views[i].sightings))
    return views, TAPED


def one_camera_mirrored(rng: np.random.Generator) -> Set:
    return [
        replace(v, sightings={n: mirrored(s) if n == "right" else s for n, s in v.sightings.items()})
        for v in _good(rng)
    ], TAPED


def both_cameras_mirrored(rng: np.random.Generator) -> Set:
    return [
        replace(v, sightings={n: mirrored(s) for n, s in v.sightings.items()}) for v in _good(rng)
    ], TAPED


def _apart(rng: np.random.Generator, every: int) -> list[View]:
    """The plate moves by about 0.3 mm and 0.1 degree between the cameras in each `every`-th view."""
    truth, out = Truth(), []
    for index, pose in enumerate(plate_poses(rng, COUNT)):
        sightings = {}
        for camera, name in enumerate(truth.names):
            later = pose
            if camera == 1 and index % every == every - 1:
                later = compose(Pose.of(rng.normal(0, 0.001, 3), rng.normal(0, 0.3, 3)), pose)
            seen = sight(truth, camera, later, rng)
            if seen is not None:
                sightings[name] = seen
        out.append(View(index + 1, f"view {index + 1}", 0.0, sightings))
    return out


def one_pair_unsynchronised(rng: np.random.Generator) -> Set:
    return _apart(rng, 9), TAPED


def all_pairs_unsynchronised(rng: np.random.Generator) -> Set:
    return _apart(rng, 1), TAPED


def _bumped(rng: np.random.Generator, at: int, degrees: float) -> list[View]:
    before, poses = Truth(), plate_poses(rng, COUNT)
    knock = Pose((np.radians(degrees), -np.radians(degrees), 0.0), (0.0, 0.1, 0.0))
    after = replace(before, poses=[before.poses[0], compose(knock, before.poses[1])])
    return views_of(before, poses[:at], rng) + views_of(after, poses[at:], rng, first_id=at + 1)


def bumped_half_way(rng: np.random.Generator) -> Set:
    return _bumped(rng, COUNT // 2, 0.05), TAPED


def bumped_a_little(rng: np.random.Generator) -> Set:
    return _bumped(rng, COUNT // 2, 0.002), TAPED


def bumped_late(rng: np.random.Generator) -> Set:
    return _bumped(rng, COUNT - 4, 0.05), TAPED


def wrong_pitch(rng: np.random.Generator) -> Set:
    """The printer shrank the page to 97 %: 13.58 mm, called 14 mm; a tape length is given."""
    return _good(rng, Truth(plate=replace(DOTS, pitch_mm=13.58))), TAPED


def bent_plate(rng: np.random.Generator) -> Set:
    """A sheet of paper that bulges by half a millimetre."""
    u, v = ((DOTS.points_mm()[:, :2] / DOTS.points_mm()[:, :2].max(axis=0)) * 2 - 1).T
    bend = np.zeros((DOTS.point_count, 3))
    bend[:, 2] = 0.5 * (1 - 0.5 * u**2 - 0.5 * v**2)
    return _good(rng, Truth(bend=bend)), TAPED


def a_third_blurred(rng: np.random.Generator) -> Set:
    """Every third view was shot while the plate moved: blurred dots, ten times the noise."""
    truth, poses = Truth(), plate_poses(rng, COUNT)
    out = []
    for index, pose in enumerate(poses):
        blurred = index % 3 == 2
        view = views_of(truth, [pose], rng, 0.5 if blurred else 0.05, first_id=index + 1)[0]
        if blurred:
            view = replace(view, sightings={
                n: replace(s, blur_px=3.5, sigmas_px=np.full(len(s.point_ids), 0.08))
                for n, s in view.sightings.items()})
        out.append(view)
    return out, TAPED


def two_wrong_indices(rng: np.random.Generator) -> Set:
    """Two pictures are numbered one column over (a plain grid partly hidden)."""
    views = _good(rng)
    for i in (3, 10):
        seen = views[i].sightings
        views[i] = replace(views[i], sightings={**seen, "right": one_column_over(seen["right"])})
    return views, TAPED


def glare_biases_dots(rng: np.random.Generator) -> Set:
    """A glare patch pulls a dozen dots of one picture; the frame's measures show the patch."""
    views = _good(rng)
    s = views[6].sightings["left"]
    hit = np.arange(20, 32)
    moved = s.points_px.copy()
    moved[hit] += rng.normal(0.0, 1.0, (len(hit), 2)) + 1.0
    patch = GlarePatch(1000.0, 900.0, 120.0, 0.08, tuple(int(s.point_ids[h]) for h in hit))
    measures = FrameMeasures(
        "left", 100.0, 1.0, (1.0,), (1, 1), 2.0, 0.01, 0.1, 0.0, 255.0, 0.9, 0.1, 0.9, 1.0, (patch,))
    views[6] = replace(views[6], sightings={**views[6].sightings, "left": replace(s, points_px=moved)},
                       measures={"left": measures})
    return views, TAPED


DEFECTS: dict[str, tuple[Callable[[np.random.Generator], Set], tuple[str, ...]]] = {
    "cameras swapped": (cameras_swapped, ("sides",)),
    "swapped in two views": (swapped_in_two_views, ("odd views",)),
    "one camera mirrored": (one_camera_mirrored, ("mirrored",)),
    "both cameras mirrored": (both_cameras_mirrored, ("sides",)),
    "one pair unsynchronised": (one_pair_unsynchronised, ("odd views",)),
    "all pairs unsynchronised": (all_pairs_unsynchronised, ("shutters together",)),
    "camera bumped half-way": (bumped_half_way, ("cameras steady",)),
    "camera bumped a little": (bumped_a_little, ("cameras steady",)),
    "camera bumped late": (bumped_late, ("cameras steady",)),
    "wrong pitch, tape given": (wrong_pitch, ("baseline",)),
    "bent plate": (bent_plate, ("plate",)),
    "a third blurred": (a_third_blurred, ("blur",)),
    "two views with wrong indices": (two_wrong_indices, ("odd views",)),
}
"""Defect -> how to make it, and the checks (or the refusal) that may name it."""
