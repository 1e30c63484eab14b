"""Where the lamps stand, told from glare seen and from plates that showed none."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from holdstill.geometry import matrices
from holdstill.limits import limit
from holdstill.records import (
    ClearSighting,
    Estimate,
    FloatArray,
    GlareSighting,
    Lamp,
    Plate,
    PlateKind,
    Rig,
)

from .glare import glare_spots_mm, rays_of
from .scene import Scene, scene_of

_NOWHERE = Plate(PlateKind.DOTS, 2, 2, 1.0)
_STEPS_ALONG = 40
_NEAREST, _FARTHEST = 0.25, 3.0
"""Distances of a lamp from the plate that are looked at, in stand-offs."""


def lamps(
    glare: Sequence[GlareSighting],
    clear: Sequence[ClearSighting] = (),
    *,
    rig: Rig,
    estimate: Estimate | None = None,
    cameras: Sequence[str] = (),
    plate: Plate | None = None,
) -> tuple[Lamp, ...]:
    """The lamps that glare sightings give away, those with most evidence first.

    Rays thrown back from the patches meet at the lamps: the point that explains most rays, and
    puts least glare on plates seen clear, is taken first, then the next among the rays left over.
    A single ray gives a lamp at the place along it that the clear plates contradict least, about
    as far away as the cameras.  One lamp is usable after one or two sightings, two after about
    ten.

    `glare`, `clear`: rig from plate in their poses; `plate`: to know where dots are (else the
    rig's; without one the clear plates can't be used).  Returns () without sightings.
    """
    known = plate or rig.plate
    scene = scene_of(known or _NOWHERE, rig, estimate, tuple(cameras))
    origins, directions = rays_of(scene, glare)
    found: list[Lamp] = []
    left = np.ones(len(origins), dtype=bool)
    evidence = _Clear.of(scene, clear) if known is not None else None
    while left.any() and len(found) < int(limit("lamps_most")):
        at, members = _strongest(scene, origins, directions, left, evidence)
        radii = [g.radius_mm for g, m in zip(glare, members, strict=True) if m and g.radius_mm > 0]
        found.append(_lamp(scene, at, origins[members], directions[members], radii))
        left &= ~members
    return tuple(sorted(found, key=lambda lamp: -lamp.sightings))


class _Clear:
    """Plates seen without glare, as arrays, to be asked whether a lamp at some place agrees."""

    def __init__(self, scene: Scene, cameras: NDArray[np.intp], rotations: FloatArray, shifts: FloatArray):
        self.scene, self.cameras, self.rotations, self.shifts = scene, cameras, rotations, shifts
        low, high = scene.dots_mm[:, :2].min(axis=0), scene.dots_mm[:, :2].max(axis=0)
        self.low, self.high = low, high

    @classmethod
    def of(cls, scene: Scene, clear: Sequence[ClearSighting]) -> _Clear | None:
        names = scene.cameras.names
        used = [c for c in clear if c.camera in names]
        if not used:
            return None
        turns = [matrices(c.pose_rig_from_plate) for c in used]
        cameras = np.array([names.index(c.camera) for c in used], dtype=np.intp)
        return cls(scene, cameras, np.stack([r for r, _ in turns]), np.stack([t for _, t in turns]))

    def against(self, places_mm: FloatArray) -> FloatArray:
        """How many clear plates each place (L, 3) would have glared on, well inside the dots: (L,)."""
        spots, front = glare_spots_mm(
            self.scene.cameras.centres_mm(), places_mm, self.rotations, self.shifts
        )
        rows = np.arange(len(self.cameras))
        spots, front = spots[rows, self.cameras], front[rows, self.cameras]
        inside = ((spots > self.low) & (spots < self.high)).all(axis=-1)
        return np.asarray((front & inside).sum(axis=0, dtype=np.float64))


def _strongest(
    scene: Scene,
    origins: FloatArray,
    directions: FloatArray,
    left: NDArray[np.bool_],
    evidence: _Clear | None,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The place (3,) that explains most of the rays left over, and which rays those are."""
    rays = np.flatnonzero(left)
    pairs = [(int(a), int(b)) for a, b in combinations(rays, 2)]
    places, ahead = _meetings(scene, origins, directions, pairs)
    alone = _along(scene, origins[rays], directions[rays])
    candidates = np.concatenate([places[ahead], alone])
    support = _near(scene, candidates, origins, directions) & left
    against = evidence.against(candidates) if evidence is not None else np.zeros(len(candidates))
    score = support.sum(axis=1) - limit("lamp_clear_weight") * against - 0.01 * _odd(scene, candidates)
    best = int(np.argmax(score))
    members = support[best] if support[best].any() else left
    at = candidates[best]
    for _ in range(2 if members.sum() > 1 else 0):
        at = _meeting_point(scene, origins[members], directions[members], at)
        members = _near(scene, at[None], origins, directions)[0] & left
        if not members.any():
            return candidates[best], support[best]
    return at, members


def _meetings(
    scene: Scene, origins: FloatArray, directions: FloatArray, pairs: Sequence[tuple[int, int]]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Middles (n, 3) of nearest approach of pairs of rays, and whether they lie ahead of both."""
    if not pairs:
        return np.zeros((0, 3)), np.zeros(0, dtype=bool)
    a, b = np.array(pairs).T
    u, v, w = directions[a], directions[b], origins[a] - origins[b]
    cosine = np.einsum("ij,ij->i", u, v)
    slant = np.maximum(1.0 - cosine**2, 1e-9)
    p, q = np.einsum("ij,ij->i", u, w), np.einsum("ij,ij->i", v, w)
    s, t = (cosine * q - p) / slant, (q - cosine * p) / slant
    ahead = (np.minimum(s, t) > _NEAREST * scene.stand_off_mm) & (
        np.maximum(s, t) < _FARTHEST * scene.stand_off_mm
    )
    return 0.5 * (origins[a] + s[:, None] * u + origins[b] + t[:, None] * v), ahead


def _along(scene: Scene, origins: FloatArray, directions: FloatArray) -> FloatArray:
    """Places (n * steps, 3) along single rays."""
    far = np.geomspace(_NEAREST, _FARTHEST, _STEPS_ALONG) * scene.stand_off_mm
    return np.asarray((origins[:, None] + far[None, :, None] * directions[:, None]).reshape(-1, 3))


def _near(
    scene: Scene, places_mm: FloatArray, origins: FloatArray, directions: FloatArray
) -> NDArray[np.bool_]:
    """Whether each ray (n) passes each place (L), ahead of the plate, within its error: (L, n)."""
    to = places_mm[:, None] - origins[None]
    ahead = np.einsum("lni,ni->ln", to, directions)
    miss = np.linalg.norm(to - ahead[..., None] * directions, axis=-1)
    angle = np.degrees(np.arctan2(miss, np.maximum(ahead, 1e-9)))
    return np.asarray((ahead > 0.5 * _NEAREST * scene.stand_off_mm) & (angle <= limit("lamp_ray_deg")))


def _odd(scene: Scene, places_mm: FloatArray) -> FloatArray:
    """How unusual a lamp's distance from the bench's middle is, in doublings of the stand-off."""
    far = np.linalg.norm(places_mm - scene.origin_rig_mm, axis=1) / scene.stand_off_mm
    return np.asarray(np.abs(np.log2(np.maximum(far, 1e-6))))


def _meeting_point(
    scene: Scene, origins: FloatArray, directions: FloatArray, guess: FloatArray
) -> FloatArray:
    """The point (3,) nearest to all rays, held lightly to `guess` where the rays run alike."""
    across = np.eye(3) - directions[:, :, None] * directions[:, None, :]
    far = np.linalg.norm(guess - origins, axis=1)
    weight = (np.degrees(1.0) / (limit("lamp_ray_deg") * np.maximum(far, 1.0))) ** 2
    held = np.eye(3) / (0.5 * scene.stand_off_mm) ** 2
    normal = np.einsum("n,nij->ij", weight, across) + held
    right = np.einsum("n,nij,nj->i", weight, across, origins) + held @ guess
    return np.asarray(np.linalg.solve(normal, right))


def _lamp(
    scene: Scene,
    at: FloatArray,
    origins: FloatArray,
    directions: FloatArray,
    radii_mm: Sequence[float],
) -> Lamp:
    to = at - origins
    miss = np.cross(to, directions)
    spread = float(np.sqrt(np.mean(np.sum(miss**2, axis=1)))) if len(to) > 1 else 0.0
    lobe = float(np.median(radii_mm)) if radii_mm else limit("lamp_lobe_share") * scene.stand_off_mm
    position = (float(at[0]), float(at[1]), float(at[2]))
    x, y, z = scene.rotation_rig_from_bench.T @ (at - scene.origin_rig_mm) / scene.stand_off_mm
    share = (float(x), float(y), float(z))
    return Lamp(position, spread, lobe, len(to), _side(scene, at), share)


def _side(scene: Scene, at: FloatArray) -> str:
    """Where a place lies as the cameras see it: by its largest way off their line of sight."""
    x, y, _ = scene.rotation_rig_from_bench.T @ (at - scene.origin_rig_mm)
    if max(abs(x), abs(y)) < 0.15 * scene.stand_off_mm:
        return "behind the cameras"
    if abs(x) >= abs(y):
        return "right" if x > 0 else "left"
    return "below" if y > 0 else "above"
