"""A session at sighting level: true rig, true plate, a person who errs, dots with noise, a solve.

No pictures are drawn: dots are projected with the simulator's own cameras, disturbed, and adjusted
here.  The truth is known, so the result is measured against it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from holdstill import plan
from holdstill.geometry import (
    align,
    epipolar_px,
    lens_of,
    lens_parameters,
    matrices,
    pose_of,
    rotation_matrix,
    triangulate,
    turned_point_jacobian,
    undistort,
)
from holdstill.geometry.information import Cameras, Unknowns, derivatives, unknowns, view_information
from holdstill.geometry.quantities import Volume, gauge_ends
from holdstill.plan.poses import posed, roll_rotation
from holdstill.plan.scene import Scene, scene_of
from holdstill.plan.stakes import quantity_matrices, weighted
from holdstill.records import (
    CameraEstimate,
    Cue,
    Estimate,
    FloatArray,
    Instruction,
    Lean,
    Lens,
    Place,
    Plate,
    PlateKind,
    Pose,
    Reach,
    Rig,
    Roll,
    ViewFit,
)
from holdstill.simulate.optics import SimRig, converging

SIGMA_PX = 0.05
KEEP_SHARE = 0.9
MOST_TRIES = 12
QUANTITIES = ("shape_um", "length_um", "epipolar_px", "edge_distortion_px")


@dataclass(frozen=True)
class Person:
    """Execution error, one sigma per axis."""

    turn_deg: float
    shift_mm: float


CAREFUL, SLOPPY = Person(6.0, 10.0), Person(10.0, 18.0)

BENCHES: dict[str, tuple[dict[str, float], float]] = {
    "reference": ({"focal_mm": 25.0, "stand_off_mm": 700.0, "stereo_angle_deg": 20.0}, 14.0),
    "wide": ({"focal_mm": 12.0, "stand_off_mm": 450.0, "stereo_angle_deg": 30.0}, 18.0),
    "long": ({"focal_mm": 50.0, "stand_off_mm": 1000.0, "stereo_angle_deg": 15.0}, 10.0),
    "plate at 55 %": ({"focal_mm": 25.0, "stand_off_mm": 700.0, "stereo_angle_deg": 20.0}, 10.0),
}
"""Rig and pitch of a 14 x 10 plate; it covers about 75 % of the field's width, 55 % in the last."""


@dataclass(frozen=True, eq=False)
class Bench:
    """What is true, and what its owner says of it."""

    truth: SimRig
    described: Rig
    plate: Plate
    scene: Scene
    """The true bench as a scene: places are reached in the true pictures, as a person reaches them."""
    volume: Volume


def bench(name: str) -> Bench:
    numbers, pitch_mm = BENCHES[name]
    truth = converging(size_px=(2448, 2048), pixel_um=3.45, f_number=11.0, **numbers)
    plate = Plate(PlateKind.DOTS, 14, 10, pitch_mm, dot_diameter_mm=0.4 * pitch_mm)
    described = truth.described(plate)
    scene = scene_of(plate, described, as_estimate(truth_cameras(truth), []), ("left", "right"))
    field_mm = scene.stand_off_mm * (scene.cameras.sizes_px / scene.cameras.lenses[:, :2]).min(axis=0)
    size = np.array([0.45 * field_mm[0], 0.5 * field_mm[1], 0.14 * scene.stand_off_mm])
    volume = Volume(scene.origin_rig_mm, scene.rotation_rig_from_bench.T, size)
    return Bench(truth, described, plate, scene, volume)


def truth_cameras(rig: SimRig) -> Cameras:
    return Cameras.of(
        [c.name for c in rig.cameras],
        [c.lens_now() for c in rig.cameras],
        [c.pose_cam_from_rig for c in rig.cameras],
    )


def as_estimate(cameras: Cameras, poses: Sequence[Pose]) -> Estimate:
    """As much of an `Estimate` as the planner reads."""
    solved = tuple(
        CameraEstimate(
            name,
            lens_of(cameras.lenses[k], (int(cameras.sizes_px[k, 0]), int(cameras.sizes_px[k, 1]))),
            pose_of(cameras.rotations[k], cameras.translations_mm[k]),
            0.0,
            0,
        )
        for k, name in enumerate(cameras.names)
    )
    views = tuple(ViewFit(n, pose, {}, {}) for n, pose in enumerate(poses))
    return Estimate(
        0.0, solved, (), views, (), (), tuple(range(len(poses))), (), np.zeros((0, 0)), np.zeros((0, 0))
    )


@dataclass
class Hand:
    """A person's hands at one instruction: reached in the true pictures, then missed by error.

    Told that it is not there yet, the person corrects: two fifths of the error stay, and two fifths
    of a fresh one come on top (chosen; without correction the error is drawn afresh).
    """

    b: Bench
    person: Person
    rng: np.random.Generator
    error: FloatArray | None = None

    def shown(self, wish: Instruction, turn_deg: float = 0.0, *, again: bool = False) -> Pose:
        fresh = self.rng.normal(0.0, [self.person.turn_deg] * 3 + [self.person.shift_mm] * 3)
        self.error = 0.4 * self.error + 0.4 * fresh if again and self.error is not None else fresh
        rotations, middles, _ = posed(self.b.scene, [wish])
        slip = rotation_matrix(np.radians(self.error[:3]))
        turned = slip @ rotations[0] @ roll_rotation(turn_deg)
        return self.b.scene.rig_pose(turned, middles[0] + self.error[3:])


def dots_px(b: Bench, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """True pixels (K, N, 2) and whether each dot is in its picture (K, N)."""
    rotation, translation = matrices(pose)
    points = b.scene.dots_mm @ rotation.T + translation
    pixels = np.stack([c.project(points) for c in b.truth.cameras])
    size = b.scene.cameras.sizes_px[:, None, :]
    return pixels, ((pixels >= 3.0) & (pixels <= size - 4.0)).all(axis=-1)


@dataclass
class Kept:
    """The views of a session so far."""

    poses: list[Pose] = field(default_factory=list)
    pixels: list[FloatArray] = field(default_factory=list)
    seen: list[FloatArray] = field(default_factory=list)
    tries: int = 0

    def take(self, b: Bench, pose: Pose, rng: np.random.Generator) -> bool:
        """Keep the view if enough dots are in every picture."""
        self.tries += 1
        pixels, seen = dots_px(b, pose)
        if seen.mean(axis=1).min() < KEEP_SHARE:
            return False
        self.poses.append(pose)
        self.pixels.append(pixels + rng.normal(0.0, SIGMA_PX, pixels.shape))
        self.seen.append(seen.astype(float))
        return True


@dataclass(frozen=True, eq=False)
class Solution:
    cameras: Cameras
    poses: list[Pose]


def adjust(b: Bench, kept: Kept, count: int, order: str = "k1 k2 p1 p2", rounds: int = 3) -> Solution:
    """Bundle adjustment of the first `count` views, by Gauss-Newton from the truth (so that only
    noise, never a bad start, decides)."""
    cameras = truth_cameras(b.truth)
    free = unknowns(cameras, b.scene.stand_off_mm, order)
    turns = [matrices(p) for p in kept.poses[:count]]
    rotations, shifts = np.stack([r for r, _ in turns]), np.stack([t for _, t in turns])
    pixels, seen = np.stack(kept.pixels[:count]), np.stack(kept.seen[:count])
    for _ in range(rounds):
        cameras, rotations, shifts = _round(b, cameras, free, (rotations, shifts), (pixels, seen))
    poses = [pose_of(r, t) for r, t in zip(rotations, shifts, strict=True)]
    return Solution(cameras, poses)


def _round(b, cameras, free, poses, data):
    rotations, shifts = poses
    pixels, seen = data
    count, dots = len(rotations), len(b.scene.dots_mm)
    turned = np.einsum("cij,dj->cdi", rotations, b.scene.dots_mm)
    points = turned + shifts[:, None]
    by_turn = turned_point_jacobian(turned.reshape(-1, 3))
    normal, right = 1e-9 * np.eye(free.count), np.zeros(free.count)
    both, own, pull = np.zeros((count, free.count, 6)), np.zeros((count, 6, 6)), np.zeros((count, 6))
    for k in range(cameras.count):
        found, by_rig, by_point = derivatives(cameras, free, k, points.reshape(-1, 3))
        columns = free.columns_of(k)
        joint = np.concatenate([by_rig, by_point @ by_turn, by_point], axis=2).reshape(count, dots * 2, -1)
        weight = np.repeat(seen[:, k], 2, axis=1)
        off = ((pixels[:, k].reshape(-1, 2) - found).reshape(count, -1)) * weight
        joint = joint * weight[..., None]
        gram = np.swapaxes(joint, 1, 2) @ joint
        force = np.einsum("cij,ci->cj", joint, off)
        m = len(columns)
        normal[np.ix_(columns, columns)] += gram[:, :m, :m].sum(axis=0)
        right[columns] += force[:, :m].sum(axis=0)
        both[:, columns] += gram[:, :m, m:]
        own += gram[:, m:, m:]
        pull += force[:, m:]
    half = np.linalg.solve(own, np.swapaxes(both, 1, 2))
    reduced = normal - np.einsum("cij,cjk->ik", both, half)
    step = np.linalg.solve(reduced, right - np.einsum("cji,cj->i", half, pull))
    move = np.linalg.solve(own, pull[..., None])[..., 0] - half @ step
    after = _stepped(cameras, free, step * free.scales)
    return after, rotation_matrix(move[:, :3]) @ rotations, shifts + move[:, 3:]


def _stepped(cameras: Cameras, free, step: FloatArray) -> Cameras:
    lenses, rotations = cameras.lenses.copy(), cameras.rotations.copy()
    shifts = cameras.translations_mm.copy()
    for k in range(cameras.count):
        lenses[k, free.lens_columns] += step[free.lens_slice(k)]
        if k > 0:
            by = step[free.pose_slice(k)]
            rotations[k] = rotation_matrix(by[:3]) @ rotations[k]
            shifts[k] += by[3:]
    return Cameras(cameras.names, lenses, rotations, shifts, cameras.sizes_px)


def errors(b: Bench, found: Cameras) -> dict[str, float]:
    """Errors of a solution against the truth: rms over the volume (and along the borders)."""
    true = truth_cameras(b.truth)
    points = b.volume.points((5, 5, 3))
    first, second = gauge_ends(b.volume, min(100.0, 0.7 * float(np.sort(b.volume.size_mm)[1])))
    at = np.concatenate([points, first, second])
    pixels = [c.project(at) for c in b.truth.cameras]
    lenses = [lens_of(p, (0, 0)) for p in found.lenses]
    poses = [pose_of(r, t) for r, t in zip(found.rotations, found.translations_mm, strict=True)]
    measured, _ = triangulate(lenses, poses, pixels)
    n, m = len(points), len(first)
    turn, shift = align(measured[:n], points)
    shape = np.linalg.norm(measured[:n] @ turn.T + shift - points, axis=1)
    wrong = np.linalg.norm(measured[n : n + m] - measured[n + m :], axis=1)
    wrong = wrong - np.linalg.norm(first - second, axis=1)
    across = epipolar_px(lenses[0], lenses[1], poses[1], pixels[0][:n], pixels[1][:n])
    edges = [_edge(t, f, s) for t, f, s in zip(true.lenses, found.lenses, true.sizes_px, strict=True)]
    return {
        "shape_um": 1000.0 * _rms(shape),
        "length_um": 1000.0 * _rms(wrong),
        "epipolar_px": _rms(across),
        "edge_distortion_px": _rms(np.array(edges)),
    }


def _edge(true: FloatArray, found: FloatArray, size: FloatArray) -> float:
    """Distortion's error along the border after the best turn and scale, px."""
    steps = np.linspace(0.0, 1.0, 9)
    x, y = (a.ravel() for a in np.meshgrid(steps, steps))
    border = (np.minimum(x, 1 - x) < 1e-9) | (np.minimum(y, 1 - y) < 1e-9)
    pixels = np.stack([x, y], axis=1) * (size - 1.0)
    (a, _), (c, _) = undistort(true, pixels), undistort(found, pixels)
    off = (c - a) * true[:2]
    u, v = a[:, 0], a[:, 1]
    one = np.ones_like(u)
    columns = [(one + u * u, u * v), (u * v, one + v * v), (-v, u), (u, v)]
    base = np.stack([np.stack(c, axis=1).ravel() for c in columns], axis=1)
    rest = off.ravel() - base @ np.linalg.lstsq(base, off.ravel(), rcond=None)[0]
    return _rms(np.linalg.norm(rest.reshape(-1, 2)[border], axis=1))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.asarray(values) ** 2)))


def quality(b: Bench, values: dict[str, float]) -> float:
    """The quantities together: rms of each over its goal (1 = at the goals)."""
    return _rms(np.array([values[q] / b.scene.goals[q] for q in QUANTITIES]))


@dataclass(frozen=True, eq=False)
class Yardstick:
    """Expected quality by covariance at the truth, for one order of the lens model."""

    free: Unknowns
    stakes: FloatArray

    @classmethod
    def of(cls, b: Bench, order: str, *, bent: bool = False) -> Yardstick:
        cameras = truth_cameras(b.truth)
        half = 0.5 * max(b.plate.size_mm()) if bent else 0.0
        free = unknowns(cameras, b.scene.stand_off_mm, order, plate_mm=half)
        return cls(free, weighted(quantity_matrices(cameras, free, b.volume), b.scene.goals))

    def added(self, b: Bench, kept: Kept) -> FloatArray:
        """What each view really told, all its dots counted, (V, P, P)."""
        turns = [matrices(p) for p in kept.poses]
        return view_information(
            truth_cameras(b.truth), self.free, b.scene.dots_mm,
            np.stack([r for r, _ in turns]), np.stack([t for _, t in turns]),
            weights=np.stack(kept.seen) / SIGMA_PX**2,
        )

    def sigmas(self, b: Bench, kept: Kept) -> FloatArray:
        """Expected `quality` after 1, 2, ... views (V,); inf while undetermined."""
        known = np.cumsum(self.added(b, kept), axis=0)
        out = np.full(len(known), np.inf)
        for n, matrix in enumerate(known):
            values, vectors = np.linalg.eigh(matrix)
            if values[0] > 1e-9 * values[-1] * 1e-6:
                turned = vectors.T @ self.stakes @ vectors
                out[n] = np.sqrt(np.sum(np.diag(turned) / values) / len(QUANTITIES))
        return out


Next = Callable[[int, Kept, Solution | None], Instruction]


@dataclass(frozen=True)
class Turned:
    """A pose of a recipe: an instruction, turned within its plane by so much more."""

    wish: Instruction
    turn_deg: float = 0.0


def customary_turns() -> list[Turned]:
    """The customary 26 to the letter: ten tilts about each axis, six in plane (turned within the
    plane), all in the middle of the picture, which the plate fills to three quarters."""
    middle = [i for i in plan.customary() if i.lean is not Lean.FLAT]
    flat = Instruction(Lean.FLAT, 0.0, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
    return [Turned(flat, t) for t in (0.0, 10.0, -10.0, 20.0, -20.0, 90.0)] + [Turned(i) for i in middle]


def customary_with_edges() -> list[Turned]:
    """The same number of tilts, and the plate pushed flat to the four edges and held upright: the
    list that the coach offers to those who must follow one. Better than custom asks for."""
    return [Turned(i) for i in plan.customary()]


def run_recipe(b: Bench, person: Person, rng: np.random.Generator, listed: Sequence[Turned]) -> Kept:
    """A person goes through a list by themselves; a view with dots outside is shown again."""
    kept = Kept()
    for asked in listed:
        hand = Hand(b, person, rng)
        for _ in range(MOST_TRIES):
            if kept.take(b, hand.shown(asked.wish, asked.turn_deg), rng):
                break
    return kept


def run_coach(
    b: Bench, person: Person, rng: np.random.Generator, views: int, *, corrected: bool = True
) -> tuple[Kept, list[Cue], list[float]]:
    """A session with the coach: views, cues, and the gain promised by each.

    `corrected`: the person is told "a little more" and tries again from the same error until the
    coach takes the pose; False: whatever was shown first is kept when the dots are in the pictures.
    """
    kept, cues, number = Kept(), [], 0
    solution: Solution | None = None
    while len(kept.poses) < views:
        number += 1
        if len(kept.poses) >= 3:
            solution = adjust(b, kept, len(kept.poses), rounds=2)
        estimate = as_estimate(solution.cameras, solution.poses) if solution else None
        poses = solution.poses if solution else kept.poses
        live = kept.poses[-1] if kept.poses else None
        cue = plan.choose(
            b.plate, b.described, estimate, poses, live_pose=live, number=number, cameras=("left", "right")
        )
        assert isinstance(cue, Cue), cue
        hand = Hand(b, person, rng)
        for attempt in range(MOST_TRIES):
            pose = hand.shown(cue.instruction, again=corrected and attempt > 0)
            if corrected and not _taken(b, cue, pose, estimate, poses):
                kept.tries += 1
                continue
            if kept.take(b, pose, rng):
                cues.append(cue)
                break
    return kept, cues, [c.gain for c in cues]


def _taken(b: Bench, cue: Cue, pose: Pose, estimate: Estimate | None, poses: Sequence[Pose]) -> bool:
    seen = plan.guide(
        cue,
        pose,
        plate=b.plate,
        rig=b.described,
        estimate=estimate,
        kept_poses=poses,
        cameras=("left", "right"),
    )
    return seen.good_enough


def lens_records(cameras: Cameras) -> list[Lens]:
    return [lens_of(lens_parameters(p), (0, 0)) for p in cameras.lenses]
