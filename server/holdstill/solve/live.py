"""Where the plate is right now, and which numbering of an ambiguous plate to use: a few ms a shot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from holdstill.geometry.lens import lens_parameters
from holdstill.geometry.nominal import nominal_lenses, nominal_poses_cam_from_rig
from holdstill.geometry.poses import matrices, pose_of
from holdstill.geometry.renumbering import half_turned as half_turn
from holdstill.geometry.renumbering import quarter_turned
from holdstill.geometry.rotations import turn_deg
from holdstill.records import Estimate, FloatArray, Nothing, Plate, Pose, Rig, Sighting

from .bundle import State
from .numbering import common_shift, lattice_shift, shifted
from .observations import Pictures
from .pairing import HALF_TURN, half_turned
from .start import resected, settle

FEWEST = 6
"""Points needed for a live pose: two more than fix a homography."""
THINNED = 48
"""Points a live pose uses of a picture: more would only cost time."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Lenses (C, 9) and camera poses (C, 3, 3), (C, 3) by camera name; `solved`: from an estimate."""

    names: tuple[str, ...]
    lenses: FloatArray
    cam_r: FloatArray
    cam_t: FloatArray
    solved: bool


def known_rig(
    sightings: Mapping[str, Sighting], plate: Plate, known: Estimate | Rig | None
) -> Seen:
    """The rig to place a plate with: solved, described, or guessed from the picture's size."""
    if isinstance(known, Estimate) and all(
        name in {c.name for c in known.cameras} for name in sightings
    ):
        names = tuple(c.name for c in known.cameras)
        lenses = np.array([lens_parameters(c.lens) for c in known.cameras])
        poses = [matrices(c.pose_cam_from_rig) for c in known.cameras]
        solved = True
    else:
        rig = known if isinstance(known, Rig) else Rig()
        described = tuple(c.name for c in rig.cameras)
        names = described + tuple(n for n in sightings if n not in described)
        sizes = {name: sighting.image_size_px for name, sighting in sightings.items()}
        found = nominal_lenses(rig, names, sizes, plate)
        nominal = nominal_poses_cam_from_rig(rig, names, plate)
        lenses = np.array([lens_parameters(found[name]) for name in names])
        poses = [matrices(nominal[name]) for name in names]
        solved = False
    return Seen(
        names, lenses.reshape(-1, 9), np.array([p[0] for p in poses]).reshape(-1, 3, 3),
        np.array([p[1] for p in poses]).reshape(-1, 3), solved,
    )


def _picture(plate: Plate, sighting: Sighting) -> tuple[FloatArray, FloatArray]:
    """Pixels (P, 2) and weights (P,) of a thinned sighting over the plate's points."""
    count = len(sighting.point_ids)
    some = np.unique(np.linspace(0, count - 1, min(count, THINNED)).round().astype(int))
    ids = sighting.point_ids[some]
    pixels, weight = np.zeros((plate.point_count, 2)), np.zeros(plate.point_count)
    pixels[ids], weight[ids] = sighting.points_px[some], 1.0 / sighting.sigmas_px[some]
    return pixels, weight


def _pictures(plate: Plate, sightings: Mapping[str, Sighting], names: list[str]) -> Pictures:
    """One view, one picture per camera named; points nobody uses are left out."""
    rows = [_picture(plate, sightings[name]) for name in names]
    pixels, weight = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    some = (weight > 0.0).any(axis=0)
    count = len(names)
    return Pictures(
        np.arange(count, dtype=np.int32), np.zeros(count, dtype=np.int32), pixels[:, some],
        weight[:, some], plate.points_mm()[some], count, 1,
    )


def _alone(plate: Plate, sighting: Sighting, lens: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Plate pose (3, 3), (3,) in a camera's frame from its own picture."""
    found, _ = resected(_pictures(plate, {"": sighting}, [""]), lens, steps=6)
    return found.view_r[0], found.view_t[0]


def live_pose(
    plate: Plate, sightings: Mapping[str, Sighting], known: Estimate | Rig | None
) -> Pose | Nothing:
    """Where the plate is now: pose of the plate in the rig frame, from whoever sees it.

    With an estimate all cameras are used together; before the first solve the first camera in
    order that sees the plate, with the described lens or a guess from the picture's size (then
    distances are only as good as the guess). ``Nothing("too few points")`` with the best camera's
    count.
    """
    enough = {n: s for n, s in sightings.items() if len(s.point_ids) >= FEWEST}
    if not enough:
        most = max((len(s.point_ids) for s in sightings.values()), default=0)
        return Nothing("too few points", {"found": most, "needed": FEWEST})
    seen = known_rig(enough, plate, known)
    if seen.solved and any(not s.absolute for s in enough.values()):
        enough = dict(agree(enough, plate, known))
    order = [n for n in seen.names if n in enough]
    first = max(order, key=lambda n: len(enough[n].point_ids)) if seen.solved else order[0]
    index = seen.names.index(first)
    r, t = _alone(plate, enough[first], seen.lenses[index])
    back = seen.cam_r[index].T
    r, t = back @ r, back @ (t - seen.cam_t[index])
    if not (np.isfinite(r).all() and np.isfinite(t).all()):
        return Nothing("no pose", {"camera": first})
    if seen.solved and len(order) > 1:
        at = [seen.names.index(n) for n in order]
        state = State(
            seen.lenses[at], seen.cam_r[at], seen.cam_t[at], r[None], t[None], np.zeros(0)
        )
        pictures = _pictures(plate, enough, order)
        none = np.zeros((0, len(pictures.points_mm), 3))
        state, _ = settle(pictures, state, none, steps=5, huber=3.0)
        r, t = state.view_r[0], state.view_t[0]
    return pose_of(r, t)


def agree(
    sightings: Mapping[str, Sighting], plate: Plate, known: Estimate | Rig | None
) -> Mapping[str, Sighting]:
    """The sightings with an ambiguous plate's numbering made the same in every camera.

    A plate that looks the same after a half turn is numbered so that its rows run to the right
    (or, held upright, down) in the first camera's picture, in every view; the other cameras follow
    by the relation between the cameras, solved or described. Certain numberings are left as they
    are, and the others follow them. With a solved relation a plain lattice seen in part is also
    shifted by whole pitches where the cameras differ.
    """
    ids = plate.turned_ids()
    if ids is None or all(s.absolute for s in sightings.values()) or not sightings:
        return sightings
    seen = known_rig(sightings, plate, known)
    order = [n for n in seen.names if n in sightings and len(sightings[n].point_ids) >= FEWEST]
    certain = [n for n in order if sightings[n].absolute]
    out = dict(sightings)
    reference: FloatArray | None = None
    leader = ""
    for name in certain + [n for n in order if n not in certain]:
        index = seen.names.index(name)
        r, t = _alone(plate, sightings[name], seen.lenses[index])
        in_rig = seen.cam_r[index].T @ r
        if reference is None:
            flip = not sightings[name].absolute and not _runs_right(r)
            reference, leader = in_rig @ HALF_TURN if flip else in_rig, name
        else:
            aside = _aside(plate, sightings[name], reference.T @ in_rig)
            if aside is not None:
                out[name] = aside
                in_rig = seen.cam_r[index].T @ _alone(plate, aside, seen.lenses[index])[0]
            straight = float(turn_deg(reference.T @ in_rig))
            crossed = float(turn_deg(reference.T @ half_turned(in_rig, t, t)[0]))
            flip = not sightings[name].absolute and crossed < straight
        if flip:
            out[name] = half_turn(out[name], ids)
        if seen.solved and leader != name and not out[name].absolute:
            _follow(plate, seen, out, leader, name)
    return out


def _aside(plate: Plate, sighting: Sighting, turn: FloatArray) -> Sighting | None:
    """A plain grid seen in part that was numbered a quarter turn aside, numbered like the reference; None
    where it was not.  `turn`: from the reference's plate frame to this picture's."""
    if sighting.absolute or turn[2, 2] < 0:
        return None
    angle = float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])))
    quarters = round(-angle / 90)
    return quarter_turned(sighting, plate, quarters) if quarters % 2 else None


def _follow(plate: Plate, seen: Seen, sightings: dict[str, Sighting], leader: str, name: str) -> None:
    """Renumber a picture of a lattice seen in part by whole pitches, so that it agrees with the
    leader's; both are moved when only so both stay on the plate."""
    a, b = seen.names.index(leader), seen.names.index(name)
    r_a, t_a = _alone(plate, sightings[leader], seen.lenses[a])
    turn = seen.cam_r[b] @ seen.cam_r[a].T
    wanted = turn @ r_a, turn @ (t_a - seen.cam_t[a]) + seen.cam_t[b]
    shift = lattice_shift(plate, _alone(plate, sightings[name], seen.lenses[b]), wanted)
    if shift is None:
        return
    both = common_shift(plate, [sightings[leader].point_ids, sightings[name].point_ids], shift)
    if both is None or (sightings[leader].absolute and both[0] != (0, 0)):
        return
    sightings[leader] = shifted(sightings[leader], plate, both[0])
    sightings[name] = shifted(sightings[name], plate, both[1])


def _runs_right(r: FloatArray) -> bool:
    """Whether the plate's rows run within -45..135 degrees (right to down) in the picture."""
    angle = float(np.degrees(np.arctan2(r[1, 0], r[0, 0])))
    return -45.0 < angle <= 135.0
