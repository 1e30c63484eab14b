"""What a solve works on: the views it may use, as arrays, and early refusals."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry.nominal import nominal_lenses, nominal_poses_cam_from_rig
from holdstill.geometry.poses import matrices
from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Plate, Rig, SetAside, View

from .observations import BoolArray, Pictures, gather
from .start import plane_misfit


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A solve's input. `pictures` hold the points usable at all; `ambiguous` bool (C, V): pictures
    whose numbering may be turned; `forced`: views the user brought back, bool (V,)."""

    plate: Plate
    rig: Rig
    cameras: tuple[str, ...]
    sizes_px: tuple[tuple[int, int], ...]
    views: tuple[View, ...]
    pictures: Pictures
    ambiguous: BoolArray
    forced: BoolArray
    set_aside: tuple[SetAside, ...]

    def nominal_poses(self) -> list[tuple[FloatArray, FloatArray]]:
        """Described camera poses, camera from rig."""
        poses = nominal_poses_cam_from_rig(self.rig, self.cameras, self.plate)
        return [matrices(poses[name]) for name in self.cameras]

    def focal_hint_px(self, camera: int) -> float | None:
        """The described focal length (px), None where the rig does not tell one."""
        name = self.cameras[camera]
        lens = nominal_lenses(self.rig, self.cameras, dict(zip(self.cameras, self.sizes_px, strict=True)))
        return lens[name].fx if self.rig.cameras or self.rig.stand_off_mm else None


def prepare(
    plate: Plate, rig: Rig, views: Sequence[View], cameras: Sequence[str], forced: Collection[int],
    known: Collection[int] = (),
) -> Problem | Nothing:
    """The problem, or ``Nothing`` with why there is none yet. `known`: views that an earlier solve used,
    which need no second look.

    ``"no cameras"``; ``"contradictory sizes"`` (a camera whose pictures differ in size);
    ``"too few views"`` (names the camera and how many it has of how many needed).
    """
    names = tuple(cameras)
    if not names:
        return Nothing("no cameras", {"views": len(views)})
    mine = tuple(view for view in views if not view.proof and _sees(view, names))
    sizes = []
    for name in names:
        found = {v.sightings[name].image_size_px for v in mine if name in v.sightings}
        if len(found) > 1:
            first, second = sorted(found)[:2]
            return Nothing("contradictory sizes", {
                "camera": name, "got": f"{first[0]}x{first[1]} and {second[0]}x{second[1]}"})
        sizes.append(next(iter(found)) if found else (0, 0))
    pictures = gather(plate, mine, names)
    pictures, refused = _usable(pictures, mine, names, known)
    needed = int(limit("solve_fewest_views"))
    for camera, name in enumerate(names):
        count = int((pictures.camera == camera).sum())
        if count < needed:
            return Nothing("too few views", {"camera": name, "found": count, "needed": needed})
    kept = np.zeros(len(mine), dtype=bool)
    kept[pictures.view] = True
    number = np.cumsum(kept) - 1
    pictures = replace(pictures, view=number[pictures.view].astype(np.int32), views=int(kept.sum()))
    used = tuple(view for view, keep in zip(mine, kept, strict=True) if keep)
    ambiguous = np.zeros((len(names), len(used)), dtype=bool)
    if plate.turned_ids() is not None:
        for camera, view in zip(pictures.camera, pictures.view, strict=True):
            ambiguous[camera, view] = not used[view].sightings[names[camera]].absolute
    wanted = np.array([view.view_id in forced for view in used], dtype=bool)
    return Problem(plate, rig, names, tuple(sizes), used, pictures, ambiguous, wanted, tuple(refused))


def _sees(view: View, cameras: tuple[str, ...]) -> bool:
    return any(name in view.sightings and len(view.sightings[name].point_ids) for name in cameras)


def _usable(
    pictures: Pictures, views: Sequence[View], cameras: tuple[str, ...], known: Collection[int] = ()
) -> tuple[Pictures, list[SetAside]]:
    """Drop pictures with too few points, points in a line, a mirrored plate, or no plate at all."""
    fewest = int(limit("solve_fewest_points"))
    count = (pictures.weight > 0.0).sum(axis=1)
    enough = count >= min(fewest, len(pictures.points_mm))
    reasons = np.where(enough, "", "too few points").astype(object)
    fresh = np.array([views[v].view_id not in known for v in pictures.view], dtype=bool)
    seen = (pictures.weight > 0.0)[:, :, None]
    plane_mm = pictures.points_mm[:, :2]
    middle_mm = (plane_mm * seen).sum(axis=1, keepdims=True) / np.maximum(count, 1)[:, None, None]
    off = (plane_mm - middle_mm) * seen
    spread = np.linalg.eigvalsh(np.swapaxes(off, 1, 2) @ off)
    reasons[enough & (spread[:, 0] < 4e-4 * spread[:, 1])] = "points in a line"
    left = np.flatnonzero((reasons == "") & fresh)
    if len(left):
        misfit = plane_misfit(pictures.points_mm, pictures.pixels[left], pictures.weight[left])
        reasons[left[misfit > limit("solve_plane_misfit")]] = "not the plate"
    # The best affine map from plate to picture turns the plane over where a picture is mirrored.
    handed = np.linalg.det(np.swapaxes(off, 1, 2) @ pictures.pixels)
    reasons[(reasons == "") & (handed < 0.0)] = "mirrored"
    refused = [
        SetAside(
            views[pictures.view[g]].view_id, views[pictures.view[g]].name, str(reasons[g]),
            cameras[pictures.camera[g]], (), {"points": int(count[g])},
        )
        for g in np.flatnonzero(reasons != "")
    ]
    return pictures.only(np.asarray(reasons == "")), refused
