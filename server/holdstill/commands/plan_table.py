"""The rig on paper in lines of text, for ``holdstill plan``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdstill.limits import limit
from holdstill.measure.optics import DepthOfField
from holdstill.phrases import say
from holdstill.records import Say

if TYPE_CHECKING:
    from holdstill.session.common_volume import CommonVolume
    from holdstill.session.paper import CameraOnPaper, PaperRig


def table(paper: PaperRig) -> list[str]:
    """Everything on paper, line by line."""
    lines = [_head(paper)]
    if paper.assumed:
        names = ", ".join(_say(f"paper.assumed.{name}") for name in paper.assumed)
        lines.append(_say("paper.head.assumed", names=names))
    alike = len({_figures(camera) for camera in paper.cameras}) == 1
    for camera in paper.cameras[:1] if alike else paper.cameras:
        lines += ["", *_camera(camera, alike and len(paper.cameras) > 1)]
    if paper.pair is not None:
        lines += ["", *_together(paper)]
    lines += ["", *_target(paper)]
    if paper.wanted is not None:
        lines += ["", *_wanted(paper)]
    if paper.notes:
        lines += ["", _say("paper.notes"), *(f"  {say(note)}" for note in paper.notes)]
    return lines


def _say(key: str, **values: float | int | str) -> str:
    return say(Say(key, values))


def _row(label: str, value: str) -> str:
    return _say("paper.row", label=label, value=value)


def _head(paper: PaperRig) -> str:
    cameras = _say("paper.and").join(camera.name for camera in paper.cameras)
    values: dict[str, float | int | str] = {
        "name": paper.rig.name,
        "cameras": cameras,
        "stand_off_mm": paper.stand_off_mm,
    }
    if paper.pair is None:
        return _say("paper.head.single", **values)
    return _say("paper.head", **values, angle_deg=paper.pair.stereo_angle_deg)


def _figures(c: CameraOnPaper) -> tuple[float, ...]:
    return (*c.size_px, c.pixel_um, c.focal_mm, c.f_number)


def _camera(c: CameraOnPaper, alike: bool) -> list[str]:
    key = "paper.camera.all" if alike else "paper.camera"
    sharp, usable = limit("paper_sharp_px"), limit("plan_blur_px")
    return [
        _say(
            key, name=c.name, wide_px=c.size_px[0], high_px=c.size_px[1], pixel_um=c.pixel_um,
            focal_mm=c.focal_mm, f_number=c.f_number,
        ),
        _row(_say("paper.field"), _say("paper.field.value", wide_mm=c.field_mm[0], high_mm=c.field_mm[1])),
        _row(_say("paper.scale"), _say("paper.scale.value", scale_um=c.image_scale_um_per_px)),
        _row(_say("paper.sharp", blur_px=sharp), _depth(c.sharp)),
        _row(_say("paper.usable", blur_px=usable), _depth(c.usable)),
        _row(
            _say("paper.airy"),
            _say("paper.airy.value", airy_um=c.airy_um, airy_px=c.airy_px, most=c.smallest_aperture),
        ),
        _row(
            _say("paper.exposure"),
            _say(
                "paper.exposure.value", most_ms=c.longest_exposure_ms, blur_px=limit("still_blur_px"),
                speed=limit("paper_tremor_mm_per_s"),
            ),
        ),
    ]  # fmt: skip


def _depth(depth: DepthOfField) -> str:
    if math.isinf(depth.far_mm):
        return _say("paper.sharp.endless", near_mm=depth.near_mm)
    return _say("paper.sharp.value", near_mm=depth.near_mm, far_mm=depth.far_mm, depth_mm=depth.depth_mm)


def _volume(volume: CommonVolume) -> str:
    wide, high, deep = volume.box_mm
    if volume.litres is None:
        return _say("paper.volume.endless", wide_mm=wide, high_mm=high, deep_mm=deep)
    return _say("paper.volume.value", litres=volume.litres, wide_mm=wide, high_mm=high, deep_mm=deep)


def _together(paper: PaperRig) -> list[str]:
    pair = paper.pair
    assert pair is not None
    wide, high = paper.common_field_mm
    ratio = pair.baseline_mm / pair.square_stand_off_mm
    return [
        _say("paper.together"),
        _row(
            _say("paper.baseline"),
            _say(
                "paper.baseline.value", baseline_mm=pair.baseline_mm,
                square_mm=pair.square_stand_off_mm, ratio=ratio,
            ),
        ),
        _row(_say("paper.common"), _say("paper.field.value", wide_mm=wide, high_mm=high)),
        _row(_say("paper.volume"), _volume(paper.common)),
        _row(_say("paper.volume.usable"), _volume(paper.common_usable)),
        _row(_say("paper.ratio"), _say("paper.ratio.value", ratio=pair.out_of_plane_ratio)),
        _row(
            _say("paper.noise"),
            _say(
                "paper.noise.value", in_um=pair.in_plane_um, out_um=pair.out_of_plane_um,
                sigma_px=pair.match_sigma_px,
            ),
        ),
        _row(
            _say("paper.strain"),
            _say("paper.strain.value", micro=1e6 * pair.strain_noise, gauge_mm=pair.gauge_mm),
        ),
    ]  # fmt: skip


def _target(paper: PaperRig) -> list[str]:
    from holdstill.target import words

    target = paper.target
    (wide_low, high_low), (wide, high) = paper.target_sizes_mm
    label = "paper.plate.said" if target.said else "paper.plate.suggested"
    lines = [
        _say("paper.target"),
        _row(
            _say("paper.size"),
            _say(
                "paper.size.value", wide_low_mm=wide_low, high_low_mm=high_low, wide_mm=wide, high_mm=high,
                low=100 * limit("paper_target_least"), most=100 * limit("paper_target_most"),
            ),
        ),
        "  " + _say(label, words=words(target.plate)),
        _row(
            "",
            _say(
                "paper.plate.value", wide_mm=target.size_mm[0], high_mm=target.size_mm[1],
                share_wide=100 * target.share[0], share_high=100 * target.share[1],
            ),
        ),
    ]  # fmt: skip
    if target.dot_px is not None:
        lines.append(_row(_say("paper.dot"), _say("paper.dot.value", dot_px=target.dot_px)))
    for key, tilt in (
        ("paper.tilt", target.tilt_sharp_deg),
        ("paper.tilt.usable", target.tilt_usable_deg),
    ):
        most = limit("plan_tilt_most_deg")
        value = (
            _say("paper.tilt.any", most_deg=most)
            if min(tilt) >= most
            else _say("paper.tilt.value", upright_deg=min(tilt[0], most), level_deg=min(tilt[1], most))
        )
        lines.append(_row(_say(key), value))
    return lines


def _wanted(paper: PaperRig) -> list[str]:
    wanted = paper.wanted
    assert wanted is not None
    lines = [
        _say("paper.wanted", field_mm=wanted.field_mm),
        _row(
            _say("paper.wanted.exact"),
            _say("paper.wanted.exact.value", focal_mm=wanted.exact_focal_mm),
        ),
    ]
    for focal, stand_off in wanted.stand_offs_mm:
        near = stand_off < limit("paper_thin_lens") * focal
        key = "paper.wanted.lens.near" if near else "paper.wanted.lens.value"
        lines.append(_row(_say("paper.wanted.lens", focal_mm=focal), _say(key, stand_off_mm=stand_off)))
    return lines
