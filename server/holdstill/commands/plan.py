"""``holdstill plan``: the rig on paper, before anything is built."""

from __future__ import annotations

import argparse
import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdstill.errors import BadInput
from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import CameraDescription, Nothing, Rig, Say

if TYPE_CHECKING:
    from holdstill.session.paper import PaperRig

_OPTIONS = {
    "--pixel-um": ("pixel_um", "camera_pixel_um", "um", "3.45"),
    "--focal-mm": ("focal_mm", "camera_focal_mm", "mm", "25"),
    "--f-number": ("f_number", "camera_f_number", "", "8"),
    "--stand-off-mm": ("stand_off_mm", "rig_stand_off_mm", "mm", "700"),
    "--stereo-angle-deg": ("stereo_angle_deg", "rig_stereo_angle_deg", "degrees", "20"),
    "--field-mm": ("field_mm", "rig_volume_mm", "mm", "250"),
}
"""Option -> (name, row of the limits it is held to, unit, example)."""
_HELP = {
    "--pixel-um": "side of a pixel on the sensor",
    "--focal-mm": "focal length of the lenses",
    "--f-number": "aperture",
    "--stand-off-mm": "lenses to the point where the axes cross",
    "--stereo-angle-deg": "between the axes",
    "--field-mm": "wanted width of the field of view: tells lens and stand-off",
}


HELP = "the rig on paper: field, depth, target, exposure, noise"
DESCRIPTION = (
    "What a rig will see and how exactly, before it is built. What is not said is "
    "taken as usual."
)


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("--rig", type=Path, metavar="FILE", help="rig file to begin with")
    p.add_argument("--sensor", metavar="WxH", help="picture size in pixels, e.g. 2448x2048")
    for option, (_, _, _, example) in _OPTIONS.items():
        p.add_argument(option, metavar=example, help=_HELP[option])
    p.add_argument("--target", metavar="SPEC", help='the target, e.g. "dots 14x10 12mm"')
    p.add_argument("--json", action="store_true", help="print one JSON object")
    p.add_argument("-o", "--output", type=Path, metavar="RIG.toml", help="write the rig file")
    p.add_argument("--draw", type=Path, metavar="OUT.svg", help="draw the rig from above")


def run(args: argparse.Namespace) -> int:
    """Print what the rig will do; 0 when done. Raises BadInput for what can't be used."""
    from holdstill.intake.rig_file import write_rig
    from holdstill.session.paper import on_paper
    from holdstill.session.paper_drawing import rig_drawing
    from holdstill.target import parse, words

    _check_name(args.output, ".toml", "-o")
    _check_name(args.draw, ".svg", "--draw")
    rig, spec = _said(args)
    if spec is not None:
        plate = parse(spec)
        rig, spec = replace(rig, plate=plate), words(plate)
    field_mm = _number(args, "--field-mm")
    paper = on_paper(rig, field_mm=field_mm)
    if isinstance(paper, Nothing):
        raise BadInput(_refusal(paper))
    _check_filled(paper, field_mm)
    written = []
    if args.output is not None:
        _write(args.output, lambda path: write_rig(path, paper.rig, spec), "-o")
        written.append(_say("paper.written", file=str(args.output)))
    if args.draw is not None:
        drawing = rig_drawing(paper)
        _write(args.draw, lambda path: path.write_text(drawing, "utf-8", newline="\n"), "--draw")
        written.append(_say("paper.drawn", file=str(args.draw)))
    if args.json:
        print(json.dumps(as_json(paper), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        from holdstill.commands.plan_table import table

        print("\n".join([*table(paper), *written]))
    return 0


def _said(args: argparse.Namespace) -> tuple[Rig, str | None]:
    """The rig file's rig with the options put in its place, and the target's SPEC."""
    from holdstill.intake.rig_file import read_rig

    rig, spec = (Rig(), None) if args.rig is None else read_rig(args.rig)
    camera: dict[str, Any] = {}
    for option in ("--pixel-um", "--focal-mm", "--f-number"):
        value = _number(args, option)
        if value is not None:
            camera[_OPTIONS[option][0]] = value
    if args.sensor is not None:
        camera["width_px"], camera["height_px"] = _sensor(args.sensor)
    if camera:
        described = rig.cameras or (CameraDescription("left"), CameraDescription("right"))
        rig = replace(rig, cameras=tuple(replace(c, **camera) for c in described))
    stand_off, angle = _number(args, "--stand-off-mm"), _number(args, "--stereo-angle-deg")
    if stand_off is not None:
        rig = replace(rig, stand_off_mm=stand_off)
    if angle is not None:
        rig = replace(rig, stereo_angle_deg=angle)
    return rig, spec if args.target is None else args.target


def _number(args: argparse.Namespace, option: str) -> float | None:
    """The option's value, held to the rig file's limits. Raises BadInput."""
    name, row, unit, example = _OPTIONS[option]
    text = getattr(args, name)
    if text is None:
        return None
    low, high = limit(f"{row}_min"), limit(f"{row}_max")
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        of = f" of {unit}" if unit else ""
        raise BadInput(
            _say("paper.bad.number", option=option, got=text, unit=of, low=low, high=high, example=example)
        )
    return value


def _sensor(text: str) -> tuple[int, int]:
    low, high = limit("camera_width_px_min"), limit("camera_width_px_max")
    match = re.fullmatch(r"\s*([0-9]{1,6})\s*[xX×*]\s*([0-9]{1,6})\s*", text)
    size = (int(match[1]), int(match[2])) if match else (0, 0)
    if not all(low <= side <= high for side in size):
        raise BadInput(_say("paper.bad.sensor", got=text, low=low, high=high))
    return size


def _check_name(path: Path | None, wanted: str, option: str) -> None:
    if path is not None and path.suffix.lower() != wanted:
        raise BadInput(
            _say("paper.bad.suffix", file=path.name, got=path.suffix, wanted=wanted, option=option)
        )


def _check_filled(paper: PaperRig, field_mm: float | None) -> None:
    """Raise BadInput when the wanted field led to a stand-off or lens that no rig file may have."""
    focal = paper.cameras[0].focal_mm
    fits = limit("rig_stand_off_mm_min") <= paper.stand_off_mm <= limit("rig_stand_off_mm_max") and limit(
        "camera_focal_mm_min"
    ) <= focal <= limit("camera_focal_mm_max")
    if not fits:
        wide = field_mm if field_mm is not None else paper.cameras[0].field_mm[0]
        raise BadInput(
            _say("paper.bad.field", field_mm=wide, stand_off_mm=paper.stand_off_mm, focal_mm=focal)
        )


def _refusal(nothing: Nothing) -> str:
    key = {"nearer than the focal length": "paper.bad.near", "parallel axes": "paper.bad.parallel"}
    return say(Say(key[nothing.why], nothing.numbers))


def _write(path: Path, write: Callable[[Path], object], option: str) -> None:
    try:
        write(path)
    except OSError as error:
        reason = error.strerror or "unknown trouble"
        raise BadInput(_say("paper.bad.write", file=str(path), reason=reason, option=option)) from error


def _say(key: str, **values: float | int | str) -> str:
    return say(Say(key, values))


def as_json(paper: PaperRig) -> dict[str, Any]:
    """Everything on paper under names that carry their units; null where there is none or no end."""
    from holdstill.target import words

    pair, target, wanted = paper.pair, paper.target, paper.wanted
    return {
        "name": paper.rig.name,
        "stand_off_mm": paper.stand_off_mm,
        "assumed": list(paper.assumed),
        "cameras": [
            {
                "name": c.name, "width_px": c.size_px[0], "height_px": c.size_px[1],
                "pixel_um": c.pixel_um, "focal_mm": c.focal_mm, "f_number": c.f_number,
                "field_mm": list(c.field_mm), "image_scale_um_per_px": c.image_scale_um_per_px,
                "depth_of_field": _depth(c.sharp, limit("paper_sharp_px")),
                "usable_depth": _depth(c.usable, limit("plan_blur_px")),
                "working_f_number": c.working_f_number, "airy_um": c.airy_um, "airy_px": c.airy_px,
                "largest_f_number": c.smallest_aperture, "longest_exposure_ms": c.longest_exposure_ms,
            }
            for c in paper.cameras
        ],
        "pair": pair
        and {
            "stereo_angle_deg": pair.stereo_angle_deg, "baseline_mm": pair.baseline_mm,
            "square_stand_off_mm": pair.square_stand_off_mm,
            "baseline_over_square_stand_off": pair.baseline_mm / pair.square_stand_off_mm,
            "out_of_plane_over_in_plane": pair.out_of_plane_ratio,
            "match_sigma_px": pair.match_sigma_px, "in_plane_sigma_um": pair.in_plane_um,
            "out_of_plane_sigma_um": pair.out_of_plane_um, "gauge_mm": pair.gauge_mm,
            "strain_sigma": pair.strain_noise,
        },
        "common_field_mm": list(paper.common_field_mm),
        "common_volume": _volume(paper.common),
        "common_usable_volume": _volume(paper.common_usable),
        "target_sizes_mm": [list(size) for size in paper.target_sizes_mm],
        "target": {
            "spec": words(target.plate), "said": target.said, "size_mm": list(target.size_mm),
            "share_of_width": target.share[0], "share_of_height": target.share[1],
            "dot_px": target.dot_px,
            "largest_tilt_sharp_deg": list(target.tilt_sharp_deg),
            "largest_tilt_usable_deg": list(target.tilt_usable_deg),
        },
        "wanted": wanted
        and {
            "field_mm": wanted.field_mm, "focal_mm_at_this_stand_off": wanted.exact_focal_mm,
            "lenses": [{"focal_mm": f, "stand_off_mm": s} for f, s in wanted.stand_offs_mm],
        },
        "notes": [{"key": note.key, "words": say(note)} for note in paper.notes],
    }  # fmt: skip


def _depth(depth: Any, blur_px: float) -> dict[str, float | None]:
    far = depth.far_mm if math.isfinite(depth.far_mm) else None
    return {
        "blur_px": blur_px, "near_mm": depth.near_mm, "far_mm": far,
        "depth_mm": None if far is None else depth.depth_mm, "hyperfocal_mm": depth.hyperfocal_mm,
    }  # fmt: skip


def _volume(volume: Any) -> dict[str, Any]:
    return {
        "litres": volume.litres,
        "largest_box_mm": list(volume.box_mm),
        "outline_x_z_mm": None if volume.litres is None else [list(p) for p in volume.outline_mm],
    }
