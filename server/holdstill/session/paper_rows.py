"""The rig on paper in rows of label and value, section by section: for the terminal and for the page."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdstill.limits import limit
from holdstill.measure.optics import DepthOfField
from holdstill.phrases import say
from holdstill.records import Say
from holdstill.target import words

from .common_volume import CommonVolume
from .paper import CameraOnPaper, FieldWanted, PaperRig

Row = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Section:
    """A title and rows of label and value; a label may be empty."""

    title: str
    rows: tuple[Row, ...]


def sections(paper: PaperRig) -> tuple[Section, ...]:
    """Everything on paper but the notes: cameras (once when they are alike), pair, target, the way back
    from a wanted field."""
    alike = len({_figures(camera) for camera in paper.cameras}) == 1
    found = [
        _camera(camera, alike and len(paper.cameras) > 1)
        for camera in (paper.cameras[:1] if alike else paper.cameras)
    ]
    if paper.pair is not None:
        found.append(_together(paper))
    found.append(_target(paper))
    if paper.wanted is not None:
        found.append(wanted_section(paper.wanted))
    return tuple(found)


def assumed_words(paper: PaperRig) -> str:
    """What was not said and so was chosen, in words; "" when all was said."""
    if not paper.assumed:
        return ""
    return _say(
        "paper.head.assumed", names=", ".join(_say(f"paper.assumed.{name}") for name in paper.assumed)
    )


def _say(key: str, **values: float | int | str) -> str:
    return say(Say(key, values))


def _row(label: str, value: str) -> Row:
    return label, value


def _figures(c: CameraOnPaper) -> tuple[float, ...]:
    return (*c.size_px, c.pixel_um, c.focal_mm, c.f_number)


def _camera(c: CameraOnPaper, alike: bool) -> Section:
    key = "paper.camera.all" if alike else "paper.camera"
    sharp, usable = limit("paper_sharp_px"), limit("plan_blur_px")
    title = _say(
        key, name=c.name, wide_px=c.size_px[0], high_px=c.size_px[1], pixel_um=c.pixel_um,
        focal_mm=c.focal_mm, f_number=c.f_number,
    )  # fmt: skip
    rows = (
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
    )  # fmt: skip
    return Section(title, rows)


def _depth(depth: DepthOfField) -> str:
    if math.isinf(depth.far_mm):
        return _say("paper.sharp.endless", near_mm=depth.near_mm)
    return _say("paper.sharp.value", near_mm=depth.near_mm, far_mm=depth.far_mm, depth_mm=depth.depth_mm)


def _volume(volume: CommonVolume) -> str:
    wide, high, deep = volume.box_mm
    if volume.litres is None:
        return _say("paper.volume.endless", wide_mm=wide, high_mm=high, deep_mm=deep)
    return _say("paper.volume.value", litres=volume.litres, wide_mm=wide, high_mm=high, deep_mm=deep)


def _together(paper: PaperRig) -> Section:
    pair = paper.pair
    assert pair is not None
    wide, high = paper.common_field_mm
    ratio = pair.baseline_mm / pair.square_stand_off_mm
    rows = (
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
    )  # fmt: skip
    return Section(_say("paper.together"), rows)


def _target(paper: PaperRig) -> Section:
    target = paper.target
    (wide_low, high_low), (wide, high) = paper.target_sizes_mm
    label = "paper.plate.said" if target.said else "paper.plate.suggested"
    lines = [
        _row(
            _say("paper.size"),
            _say(
                "paper.size.value", wide_low_mm=wide_low, high_low_mm=high_low, wide_mm=wide, high_mm=high,
                low=100 * limit("paper_target_least"), most=100 * limit("paper_target_most"),
            ),
        ),
        _row(
            _say(label, words=words(target.plate)),
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
    return Section(_say("paper.target"), tuple(lines))


def wanted_section(wanted: FieldWanted) -> Section:
    """Back from a wanted field: the lens at this stand-off, and the stand-off of each usual lens."""
    lines = [
        _row(
            _say("paper.wanted.exact"),
            _say("paper.wanted.exact.value", focal_mm=wanted.exact_focal_mm),
        ),
    ]
    for focal, stand_off in wanted.stand_offs_mm:
        near = stand_off < limit("paper_thin_lens") * focal
        key = "paper.wanted.lens.near" if near else "paper.wanted.lens.value"
        lines.append(_row(_say("paper.wanted.lens", focal_mm=focal), _say(key, stand_off_mm=stand_off)))
    return Section(_say("paper.wanted", field_mm=wanted.field_mm), tuple(lines))
