"""Have the cameras moved, judged by a scene that stands still; and what its noise floor means here.

Every camera's picture shows how its marks have shifted since the reference. A scene that moved as a
whole, or a rig moved as a whole, shifts them in all cameras as one motion would; what no common motion
explains is a motion of the cameras against each other. Marks are taken to lie in the plane through the
crossing of the axes, across the view: for the small motions looked for, their depth matters little.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.geometry import rotation_matrix, skew
from holdstill.geometry.lens import project, project_with_jacobian, undistort
from holdstill.geometry.poses import matrices, pose_of
from holdstill.geometry.quantities import viewing_axes
from holdstill.geometry.two_view import triangulate
from holdstill.limits import limit
from holdstill.records import DriftResult, Estimate, FloatArray, Nothing, Pose, Rig
from holdstill.records.scene import FloorMeaning, NoiseFloor, SceneReference, SceneShift

from .drift import chi_to_sigmas, harm_of
from .volume import measuring_volume, round_gauge_mm

HUBER = 2.5
_ROUNDS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """One camera's marks as equations: `shift` (2n,) in sigmas; `scene` (2n, 6) and `camera` (2n, 6),
    sigmas per rad and mm of a motion of the scene about the crossing, and of the camera."""

    shift: FloatArray
    scene: FloatArray
    camera: FloatArray
    sigma_px: float
    points_mm: FloatArray


def recheck_scene(
    rig: Rig, estimate: Estimate, reference: SceneReference, seen: Sequence[Mapping[str, SceneShift]]
) -> DriftResult | Nothing:
    """Compare later pictures of a still scene with the reference of the calibrated rig.

    `seen`: for each later shot, camera -> shift of its marks; shots are averaged. With two cameras or
    more: a motion of the cameras against each other, its size (rms px, degrees) and significance against
    the noise floor of the series; named is the camera whose picture moved while the others' stood
    still, none when all moved. The simplest motion is taken: a turn alone unless a shift is called for.
    `refit`: the moved camera's new pose from the rig. One camera: whether its picture moved at all.
    ``Nothing("no scene")`` when no camera was found again.
    """
    names = [c.name for c in estimate.cameras if c.name in reference.marks]
    axes, centre = _place(rig, estimate)
    rows = {}
    for name in names:
        made = _rows(estimate, reference, seen, name, (axes, centre))
        if made is not None:
            rows[name] = made
    if not rows:
        return Nothing("no scene", {"shots": len(seen)})
    own = {name: _own(r, reference.floors.get(name), len(seen)) for name, r in rows.items()}
    if len(rows) == 1:
        return _alone(*next(iter(own.items())))
    first, *others = rows
    relative = max((_relative(rows, first, other, reference, len(seen)) for other in others),
                   key=lambda m: m[1].sigmas)  # fmt: skip
    return _told(rig, estimate, rows, own, relative)


def _place(rig: Rig, estimate: Estimate) -> tuple[FloatArray, FloatArray]:
    """Viewing axes (rows) and the middle of the measuring volume (3,), rig frame."""
    poses = [c.pose_cam_from_rig for c in estimate.cameras]
    return viewing_axes(poses), measuring_volume(rig, poses, _plates(estimate)).centre_mm


def _plates(estimate: Estimate) -> FloatArray:
    """Where the plate was held, (n, 3) rig frame."""
    places = [f.pose_rig_from_plate.translation_mm for f in estimate.views]
    return np.array(places or [(0.0, 0.0, 1000.0)])


def _rows(
    estimate: Estimate, reference: SceneReference, seen: Sequence[Mapping[str, SceneShift]], name: str,
    place: tuple[FloatArray, FloatArray],
) -> Rows | None:
    shots = [s[name].shifts_px for s in seen if name in s]
    if not shots:
        return None
    marks = reference.marks[name]
    with np.errstate(invalid="ignore"):
        shift = np.mean(shots, axis=0)
    camera = next(c for c in estimate.cameras if c.name == name)
    good = np.isfinite(shift).all(axis=1)
    directions, holds = undistort(camera.lens, marks.points_px)
    good &= holds
    if good.sum() < limit("scene_least_patches"):
        return None
    r, t = matrices(camera.pose_cam_from_rig)
    axes, centre = place
    rays = np.c_[directions[good], np.ones(int(good.sum()))] @ r
    origin = -r.T @ t
    far = float(axes[2] @ (centre - origin)) / (rays @ axes[2])
    points = origin + rays * far[:, None]
    in_camera = points @ r.T + t
    _, _, by_point = project_with_jacobian(camera.lens, in_camera)
    every = (len(points), 3, 3)
    of_scene = np.concatenate([-(r @ skew(points - centre)), np.broadcast_to(r, every)], axis=2)
    of_camera = np.concatenate([-skew(in_camera), np.broadcast_to(np.eye(3), every)], axis=2)
    scene, moved = by_point @ of_scene, by_point @ of_camera
    floor = reference.floors.get(name)
    ratio = 1.0 if floor is None else max(floor.random_px / max(floor.expected_px, 1e-9), 0.3)
    sigma = np.maximum(marks.sigmas_px[good] * ratio / np.sqrt(len(shots)), 1e-4)
    weight = 1.0 / sigma.ravel()
    return Rows(
        shift[good].ravel() * weight, scene.reshape(-1, 6) * weight[:, None],
        moved.reshape(-1, 6) * weight[:, None], float(np.sqrt(np.mean(sigma**2))), points,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Moved:
    """A motion of one camera: amounts (6,), sigmas, rms shift it means (px)."""

    amounts: FloatArray
    sigmas: float
    shift_px: float


def _fit(design: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Robust least squares: amounts, weights, and the variance of what is left (at least one)."""
    scale = 1.0 / np.sqrt(np.maximum((design**2).sum(axis=0), 1e-300))
    unit = design * scale
    weight = np.ones(len(right))
    amounts = np.zeros(design.shape[1])
    spread = 1.0
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        amounts = np.linalg.lstsq(unit * root[:, None], right * root, rcond=1e-10)[0]
        rest = right - unit @ amounts
        pairs = np.hypot(rest[0::2], rest[1::2])
        spread = max(1.0, float(np.median(pairs)) / np.sqrt(2.0 * np.log(2.0)))
        weight = np.repeat(np.minimum(1.0, HUBER * spread / np.maximum(pairs, 1e-9)), 2)
    return amounts * scale, weight, spread**2


def _gain(design: FloatArray, base: FloatArray, right: FloatArray) -> tuple[FloatArray, float]:
    """What adding `base`'s columns to `design` explains: their amounts and the chi-square gained, in
    units of what is left."""
    whole = np.concatenate([design, base], axis=1)
    amounts, weight, variance = _fit(whole, right)
    root = np.sqrt(weight)
    left = right - whole @ amounts
    if design.shape[1]:
        less = np.linalg.lstsq(design * root[:, None], right * root, rcond=1e-10)[0]
        before = right - design @ less
    else:
        before = right
    gained = float((weight * before**2).sum() - (weight * left**2).sum()) / variance
    return amounts[design.shape[1] :], max(gained, 0.0)


def _simplest(
    design: FloatArray, camera: FloatArray, right: FloatArray, calm: float
) -> tuple[FloatArray, float, int]:
    """Turn alone, or turn and shift where the shift is called for: amounts (6,), chi-square over the
    camera's unrest `calm`, its degrees of freedom."""
    turn, by_turn = _gain(design, camera[:, :3], right)
    both, by_both = _gain(design, camera, right)
    if chi_to_sigmas(max(by_both - by_turn, 0.0) / calm, 3) > limit("recheck_sigmas"):
        return both, by_both / calm, 6
    return np.concatenate([turn, np.zeros(3)]), by_turn / calm, 3


def _unrest(rows: Rows, floor: NoiseFloor | None, shots: int) -> float:
    """How much a camera's own frame-to-frame motion adds to the chi-square of a common shift."""
    if floor is None:
        return 1.0
    count = len(rows.shift) / 2
    own = max(floor.common_px**2 - floor.random_px**2 / max(floor.patches, 1), 0.0) / shots
    return 1.0 + count * own / rows.sigma_px**2


def _own(rows: Rows, floor: NoiseFloor | None, shots: int) -> Moved:
    """One camera's picture by itself: has it moved at all?"""
    nothing = np.zeros((len(rows.shift), 0))
    amounts, chi2, freedom = _simplest(nothing, rows.camera, rows.shift, _unrest(rows, floor, shots))
    return Moved(amounts, chi_to_sigmas(chi2, freedom), _shift_px(rows, amounts))


def _shift_px(rows: Rows, amounts: FloatArray) -> float:
    flow = (rows.camera @ amounts) * rows.sigma_px
    return float(np.sqrt((flow**2).sum() / (len(flow) / 2)))


def _relative(
    rows: Mapping[str, Rows], first: str, other: str, reference: SceneReference, shots: int
) -> tuple[str, Moved]:
    """The motion of `other` against `first` that no common motion of the scene explains."""
    a, b = rows[first], rows[other]
    right = np.concatenate([a.shift, b.shift])
    scene = np.concatenate([a.scene, b.scene])
    camera = np.concatenate([np.zeros((len(a.shift), 6)), b.camera])
    calm = max(_unrest(r, reference.floors.get(n), shots) for n, r in ((first, a), (other, b)))
    amounts, chi2, freedom = _simplest(scene, camera, right, calm)
    return other, Moved(amounts, chi_to_sigmas(chi2, freedom), _shift_px(b, amounts))


def _is_still(moved: Moved) -> bool:
    return moved.sigmas <= limit("recheck_sigmas") or moved.shift_px < limit("scene_matter_px")


def _alone(name: str, moved: Moved) -> DriftResult:
    turn = float(np.degrees(np.linalg.norm(moved.amounts[:3])))
    if _is_still(moved):
        return DriftResult(False, False, None, moved.shift_px, turn, moved.sigmas, ("unmoved",))
    return DriftResult(True, False, name, moved.shift_px, turn, moved.sigmas, ("camera or scene moved",))


def _told(
    rig: Rig, estimate: Estimate, rows: Mapping[str, Rows], own: Mapping[str, Moved],
    relative: tuple[str, Moved],
) -> DriftResult:
    other, moved = relative
    turned = float(np.degrees(np.linalg.norm(moved.amounts[:3])))
    if _is_still(moved):
        whole = not all(_is_still(m) for m in own.values())
        reason = "scene moved as a whole" if whole else "unmoved"
        return DriftResult(False, False, None, moved.shift_px, turned, moved.sigmas, (reason,))
    restless = [n for n, m in own.items() if not _is_still(m)]
    camera: str | None = None
    if len(restless) == 1:
        camera, moved = restless[0], own[restless[0]]
        turned = float(np.degrees(np.linalg.norm(moved.amounts[:3])))
    names = [c.name for c in estimate.cameras]
    index = names.index(camera or other)
    lenses = [c.lens for c in estimate.cameras]
    poses = [c.pose_cam_from_rig for c in estimate.cameras]
    points = np.concatenate([r.points_mm for r in rows.values()])
    worst, over = harm_of(rig, lenses, poses, points, _full(poses, index, moved.amounts))
    reasons = (
        "camera moved" if camera else "cameras moved against each other",
        f"{worst} over goal" if over else "within goals",
    )
    refit = None
    if index > 0:
        r, t = matrices(poses[index])
        turn = rotation_matrix(moved.amounts[:3])
        refit = pose_of(turn @ r, turn @ t + moved.amounts[3:])
    return DriftResult(True, over, camera, moved.shift_px, turned, moved.sigmas, reasons, refit)


def _full(poses: Sequence[Pose], index: int, amounts: FloatArray) -> FloatArray:
    """The change as the rig's full parameters (15 a camera): turns about the camera itself."""
    count = len(poses)
    full = np.zeros(15 * count)
    for other in range(1, count):
        at = 9 * count + 6 * other
        r, t = matrices(poses[other])
        if other == index:
            full[at : at + 3] = amounts[:3]
            full[at + 3 : at + 6] = np.cross(amounts[:3], t) + amounts[3:]
        elif index == 0:
            # The first camera carries the rig frame: its motion is the opposite one of all others.
            full[at : at + 3] = -(r @ amounts[:3])
            full[at + 3 : at + 6] = -(r @ amounts[3:])
    return full


def floor_meaning(
    rig: Rig, estimate: Estimate, floors: Mapping[str, NoiseFloor]
) -> FloorMeaning | None:
    """The noise floor of a static series as displacement and strain by this rig; None for fewer than two
    cameras with one. In the middle of the measuring volume, by the triangulation's covariance."""
    cameras = [c for c in estimate.cameras if c.name in floors]
    if len(cameras) < 2:
        return None
    axes, centre = _place(rig, estimate)
    lenses, poses = [c.lens for c in cameras], [c.pose_cam_from_rig for c in cameras]
    pixels = [
        project(lens, (matrices(p)[0] @ centre + matrices(p)[1])[None])
        for lens, p in zip(lenses, poses, strict=True)
    ]
    sigmas = [np.array([floors[c.name].random_px]) for c in cameras]
    _, spread = triangulate(lenses, poses, pixels, sigmas)
    own = axes @ spread[0] @ axes.T
    if not np.isfinite(own).all():
        return None
    in_plane = 1000.0 * float(np.sqrt(0.5 * (own[0, 0] + own[1, 1])))
    whole = measuring_volume(rig, [c.pose_cam_from_rig for c in estimate.cameras], _plates(estimate))
    gauge = round_gauge_mm(whole)
    # Displacement is the difference of two states, strain that of two displacements.
    displacement = np.sqrt(2.0) * in_plane
    return FloorMeaning(
        displacement, np.sqrt(2.0) * 1000.0 * float(np.sqrt(own[2, 2])),
        1000.0 * np.sqrt(2.0) * displacement / gauge, gauge, floors[cameras[0].name].patch_px,
    )
