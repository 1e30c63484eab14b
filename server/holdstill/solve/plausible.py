"""Plausibility: every number of a calibration against what is known without it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from holdstill.geometry.lens import fold_radius, lens_parameters, project, undistort
from holdstill.geometry.nominal import described
from holdstill.geometry.poses import invert
from holdstill.geometry.quantities import axes_crossing_mm, viewing_axes, visible_in
from holdstill.limits import TABLE, limit
from holdstill.phrases import say
from holdstill.records import (
    CameraEstimate,
    Check,
    Estimate,
    Lens,
    Plate,
    PlateKind,
    Rig,
    Say,
    View,
)

from .lighting import contrast_gray, usual_contrast_gray
from .volume import measuring_volume

GRAVE = (
    "wrong index", "turned", "moved between cameras", "cameras swapped", "mirrored",
    "not the plate",
)
"""Reasons for setting a view aside that say something is wrong with the shot, not with the noise."""
OWN_MISFIT = ("blur", "motion", "glare", "shade", "dark", "does not fit", "not the plate", "too few points",
              "points in a line")
"""Reasons that lie in one picture: it says nothing about how the cameras stand to one another."""


def check_of(
    name: str, row: str, value: float | str | None, *, ok: bool, stops: bool = False,
    key: str = "", **words: float,
) -> Check:
    """A `Check` with its limit in words (phrase ``check.limit.<name>`` with `words`) and its source."""
    source = TABLE[row]
    limit_text = say(Say(f"check.limit.{key or name}", words))
    return Check(
        name, ok, value, limit_text, f"{source.basis}: {source.source}", "" if ok else f"remedy.{name}", stops
    )


def plausibility(plate: Plate, rig: Rig, estimate: Estimate, views: Sequence[View]) -> tuple[Check, ...]:
    """All checks of an estimate; each with value, limit, source and remedy (a phrase's key).

    Names: ``principal point``, ``square pixels``, ``distortion``, ``focal length`` (where the lens
    and pixel are described), ``picture size``, ``stereo angle``, ``sides``, ``baseline`` (where
    taped), ``volume``, ``light``, ``set aside``, ``odd views``, ``blur``, ``plate length`` (where
    measured), ``plate``, ``noise``.
    """
    out = [_principal(estimate), _square(estimate), _distortion(estimate)]
    out += _described(rig, estimate)
    if estimate.pairs:
        out += [*_angle(rig, estimate), *_sides(estimate), *_baseline(rig, estimate)]
        out += _volume(rig, estimate)
    out += [*_light(estimate, views), _set_aside(estimate, views), _odd(estimate), *_blur(estimate, views)]
    out += _plate_length(plate, rig)
    out += _plate(plate, estimate)
    out += _noise(plate, estimate)
    return tuple(out)


def _principal(estimate: Estimate) -> Check:
    shares = []
    for camera in estimate.cameras:
        width, height = camera.lens.size_px
        away = np.hypot(camera.lens.cx - (width - 1) / 2, camera.lens.cy - (height - 1) / 2)
        loose = 2.0 * max((s for n, s in _sigmas(camera) if n in ("cx", "cy")), default=0.0)
        shares.append(max(0.0, float(away) - loose) / width)
    allowed = limit("check_principal_share")
    return check_of("principal point", "check_principal_share", round(100 * max(shares), 2),
                    ok=max(shares) <= allowed, percent=100 * allowed)


def _sigmas(camera: CameraEstimate) -> list[tuple[str, float]]:
    return list(zip(camera.sigma_names, camera.sigmas, strict=True))


def _square(estimate: Estimate) -> Check:
    shares = []
    for camera in estimate.cameras:
        loose = 3.0 * max((s for n, s in _sigmas(camera) if n in ("fx", "fy")), default=0.0) / camera.lens.fx
        shares.append(max(0.0, abs(camera.lens.fy / camera.lens.fx - 1.0) - loose))
    allowed = limit("check_square_share")
    return check_of("square pixels", "check_square_share", round(100 * max(shares), 3),
                    ok=max(shares) <= allowed, percent=100 * allowed)


def _corner_radius(lens: Lens) -> float:
    width, height = lens.size_px
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]], dtype=float)
    plain = (corners - [lens.cx, lens.cy]) / [lens.fx, lens.fy]
    return float(np.hypot(plain[:, 0], plain[:, 1]).max())


def _distortion(estimate: Estimate) -> Check:
    """Largest displacement by distortion over the picture, as a share of the distance from the
    principal point; a model that folds inside the picture always fails."""
    worst, folds = 0.0, False
    for camera in estimate.cameras:
        lens = camera.lens
        width, height = lens.size_px
        u, v = np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9))
        pixels = np.stack([u.ravel(), v.ravel()], axis=1)
        directions, holds = undistort(lens, pixels)
        folds |= not holds.all() or fold_radius(lens) < _corner_radius(lens)
        radius = np.hypot(*(pixels - [lens.cx, lens.cy]).T)
        straight = lens_parameters(lens) * np.array([1, 1, 1, 1, 0, 0, 0, 0, 0])
        flat = project(straight, np.c_[directions, np.ones(len(directions))])
        moved = np.linalg.norm(flat - pixels, axis=1)[holds] / np.maximum(radius, 0.1 * width)[holds]
        worst = max(worst, float(moved.max(initial=0.0)))
    allowed = limit("check_distortion_share")
    return check_of("distortion", "check_distortion_share",
                    "folds inside the picture" if folds else round(100 * worst, 2),
                    ok=not folds and worst <= allowed, percent=100 * allowed)


def _described(rig: Rig, estimate: Estimate) -> list[Check]:
    out = []
    ratios, sizes_ok, any_size = [], True, False
    for index, camera in enumerate(estimate.cameras):
        told = described(rig, camera.name, index)
        if told.width_px is not None and told.height_px is not None:
            any_size = True
            sizes_ok &= camera.lens.size_px == (told.width_px, told.height_px)
        if told.focal_mm is None or told.pixel_um is None:
            continue
        image_mm = 0.5 * (camera.lens.fx + camera.lens.fy) * told.pixel_um / 1000.0
        stand_off = rig.stand_off_mm
        expected = told.focal_mm if stand_off is None or stand_off <= 2 * told.focal_mm else (
            told.focal_mm * stand_off / (stand_off - told.focal_mm))
        # Between the nominal focal length and the image distance at the stand-off nothing is odd.
        low, high = sorted((told.focal_mm, expected))
        ratios.append(max(image_mm / high - 1.0, 1.0 - image_mm / low, 0.0))
    if ratios:
        allowed = limit("check_focal_share")
        out.append(check_of("focal length", "check_focal_share", round(100 * max(ratios), 2),
                            ok=max(ratios) <= allowed, percent=100 * allowed))
    if any_size:
        out.append(check_of("picture size", "check_picture_size",
                            "as described" if sizes_ok else "differs", ok=sizes_ok))
    return out


def _angle(rig: Rig, estimate: Estimate) -> list[Check]:
    angles = [p.stereo_angle_deg for p in estimate.pairs]
    if rig.stereo_angle_deg is not None:
        off = max(abs(a - rig.stereo_angle_deg) for a in angles)
        allowed = limit("check_angle_off_deg")
        return [check_of("stereo angle", "check_angle_off_deg", round(max(angles), 2), ok=off <= allowed,
                         key="stereo angle.described", angle_deg=rig.stereo_angle_deg, off_deg=allowed)]
    low, high = limit("check_angle_low_deg"), limit("check_angle_high_deg")
    return [check_of("stereo angle", "check_angle_low_deg", round(max(angles), 2),
                     ok=all(low <= a <= high for a in angles), low_deg=low, high_deg=high)]


def _sides(estimate: Estimate) -> list[Check]:
    """Cameras that say left and right in their names must stand that way round."""
    out = []
    for pair in estimate.pairs:
        first, second = (name.lower() for name in pair.cameras)
        if ("left" in first and "right" in second) or ("right" in first and "left" in second):
            # x_b = R x_a + t: the second camera's place in the first one's frame is -R't.
            x_mm = invert(pair.pose_b_from_a).translation_mm[0]
            right = x_mm > 0.0
            wanted = "right" in second
            out.append(check_of(
                "sides", "check_sides", f"{second} stands to the {'right' if right else 'left'}",
                ok=right == wanted, stops=True))
    return out[:1] if all(c.ok for c in out) else [c for c in out if not c.ok][:1]


def _baseline(rig: Rig, estimate: Estimate) -> list[Check]:
    if rig.tape_baseline_mm is None:
        return []
    sigma = rig.tape_sigma_mm or limit("check_tape_sigma_mm")
    off = abs(estimate.pairs[0].baseline_mm - rig.tape_baseline_mm)
    allowed = limit("check_tape_sigmas") * sigma
    return [check_of("baseline", "check_tape_sigmas", round(estimate.pairs[0].baseline_mm, 2),
                     ok=off <= allowed, stops=True, tape_mm=rig.tape_baseline_mm, off_mm=allowed)]


def _volume(rig: Rig, estimate: Estimate) -> list[Check]:
    poses = [c.pose_cam_from_rig for c in estimate.cameras]
    if rig.volume_mm is None or axes_crossing_mm(poses) is None:
        return []
    volume = measuring_volume(rig, poses, np.zeros((1, 3)) + viewing_axes(poses)[2])
    points = volume.points()
    sees = np.mean(
        np.all([visible_in(c.lens, c.lens.size_px, c.pose_cam_from_rig, points) for c in estimate.cameras], 0)
    )
    allowed = limit("check_volume_share")
    return [check_of("volume", "check_volume_share", round(100 * float(sees), 1),
                     ok=float(sees) >= allowed, percent=100 * allowed)]


def _set_aside(estimate: Estimate, views: Sequence[View]) -> Check:
    whole = {(a.view_id, a.camera): a.reason for a in estimate.set_aside if not a.point_ids}
    pictures = sum(len(v.sightings) for v in views if not v.proof)
    share = len(whole) / max(1, pictures)
    allowed = limit("check_aside_share")
    common = Counter(whole.values()).most_common(1)
    shown = f"{100 * share:.0f} %" + (f", mostly {common[0][0]}" if common else "")
    return check_of("set aside", "check_aside_share", shown, ok=share <= allowed, percent=100 * allowed)


def _odd(estimate: Estimate) -> Check:
    odd: dict[str, set[int]] = {}
    for aside in estimate.set_aside:
        if not aside.point_ids and aside.reason in GRAVE:
            odd.setdefault(aside.reason, set()).add(aside.view_id)
    shown = "; ".join(
        f"{reason}: {'view' if len(views) == 1 else 'views'} {', '.join(map(str, sorted(views)))}"
        for reason, views in sorted(odd.items(), key=lambda one: -len(one[1]))
    )
    return check_of("odd views", "check_odd_views", shown or "none", ok=not odd)


def _blur(estimate: Estimate, views: Sequence[View]) -> list[Check]:
    """Share of a camera's pictures that are blurred, and clearly more so than its sharper half."""
    worst, at = 0.0, ""
    for camera in estimate.cameras:
        seen = [v.sightings[camera.name].blur_px for v in views if camera.name in v.sightings and not v.proof]
        known = np.array([b for b in seen if b is not None])
        if len(known) < 4:
            continue
        usual = float(np.median(np.sort(known)[: (len(known) + 1) // 2]))
        clearly = max(limit("solve_blur_ratio") * usual, limit("check_blur_least_px"))
        share = float(np.mean(known > clearly))
        if share > worst:
            worst, at = share, camera.name
    allowed = limit("check_blur_share")
    shown = f"{100 * worst:.0f} %" + (f" in {at}" if at else "")
    return [check_of("blur", "check_blur_share", shown, ok=worst <= allowed, percent=100 * allowed)]


def _light(estimate: Estimate, views: Sequence[View]) -> list[Check]:
    """Dim pictures that scatter more than the bright ones: the lamp failed, or a shadow fell."""
    told, worst, shown = False, 0.0, "steady"
    rms = {fit.view_id: fit.rms_px for fit in estimate.views}
    for camera in estimate.cameras:
        usual = usual_contrast_gray(views, camera.name)
        if usual is None:
            continue
        told = True
        dim: list[View] = []
        bright: list[View] = []
        for view in views:
            if camera.name not in view.measures or camera.name not in rms.get(view.view_id, {}):
                continue
            own = contrast_gray(view.measures[camera.name])
            if own is not None:
                (dim if own < limit("check_dim_share") * usual else bright).append(view)
        if not dim or not bright:
            continue
        levels = [np.median([rms[v.view_id][camera.name] for v in some]) for some in (dim, bright)]
        share = len(dim) / (len(dim) + len(bright))
        if levels[0] > limit("check_light_ratio") * levels[1] and share > worst:
            worst = share
            shown = f"{100 * share:.0f} % dim in {camera.name}, from view {dim[0].view_id}"
    allowed = limit("check_light_share")
    if not told:
        return []
    return [check_of("light", "check_light_share", shown, ok=worst <= allowed, percent=100 * allowed)]


def _plate_length(plate: Plate, rig: Rig) -> list[Check]:
    """The plate's longer side against a length measured across it."""
    if rig.gauge_mm is None or rig.gauge_sigma_mm is None:
        return []
    nominal = max(plate.size_mm())
    own = (plate.pitch_sigma_mm or 0.0) * nominal / plate.pitch_mm
    off = limit("check_gauge_sigmas") * float(np.hypot(rig.gauge_sigma_mm, own))
    return [check_of("plate length", "check_gauge_sigmas", round(nominal, 3),
                     ok=abs(nominal - rig.gauge_mm) <= off, stops=True, gauge_mm=rig.gauge_mm, off_mm=off)]


def _plate(plate: Plate, estimate: Estimate) -> list[Check]:
    shape = estimate.plate_shape
    if shape is None:
        return []
    allowed_um = 1000.0 * limit("check_bow_share") * max(plate.size_mm())
    allowed = limit("check_aspect")
    skewed = max(abs(shape.aspect - 1.0), abs(shape.shear_rad))
    ok = shape.bow_um <= allowed_um and skewed <= allowed
    shown = f"{shape.bow_um:.0f} um bow" if shape.bow_um > allowed_um or ok else f"{skewed:.4f} out of square"
    return [check_of("plate", "check_bow_share", shown, ok=ok, bow_um=allowed_um, aspect=allowed)]


def _noise(plate: Plate, estimate: Estimate) -> list[Check]:
    """Scatter against the sigmas the points came with, where those are absolute (dots)."""
    if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO):
        return []
    allowed = limit("check_sigma0")
    return [check_of("noise", "check_sigma0", round(estimate.sigma0, 2),
                     ok=estimate.sigma0 <= allowed, times=allowed)]
