"""``holdstill review``: the same rooms over an existing folder, and what comes of it."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from holdstill import session, target
from holdstill.archive.plain_files import quantity_name
from holdstill.errors import BadInput
from holdstill.intake.folder import read_folder
from holdstill.intake.listing import check_folder
from holdstill.intake.rig_file import read_rig
from holdstill.loop.offline import Review
from holdstill.loop.second import described
from holdstill.phrases import say
from holdstill.phrases.cues import trouble_says
from holdstill.records import CameraEstimate, Estimate, PairEstimate, Plate, Ready, Rig, SetAside
from holdstill.records import events as ev
from holdstill.session.second import second_shown
from holdstill.session.snapshot import aside_words
from holdstill.web.views.panels import second_lines
from holdstill.web.views.words import Words

EXIT = {Ready.READY: 0, Ready.PROVISIONAL: 1, Ready.NOT_YET: 1, Ready.STOP: 3}


HELP = "look at an existing folder of shots and say what comes of it"
DESCRIPTION = "Exit status: 0 ready, 1 not yet, 2 bad input, 3 stop."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("folder", type=Path, metavar="DIR")
    add_target(p)
    p.add_argument(
        "--second-plate", metavar="SPEC",
        help='a second plate, with how well its pitch is known, for example "dots 11x9 12mm±0.01mm": the '
        "scale is checked by it",
    )  # fmt: skip
    p.add_argument("--second-dir", type=Path, metavar="DIR", help="one or more shots of the second plate")
    p.add_argument("--json", action="store_true", help="print one JSON object")


def add_target(p: argparse.ArgumentParser) -> None:
    """The options that describe plate, rig and file names; shared with ``serve``."""
    p.add_argument("--target", metavar="SPEC", help='for example "dots 14x10 12mm" or a file')
    p.add_argument("--rig", type=Path, metavar="FILE", help="a rig file (TOML)")
    p.add_argument(
        "--pattern", metavar="PATTERN", help='how files are named, for example "{camera}_{shot}.png"'
    )


def plate_and_rig(args: argparse.Namespace, folder: Path | None = None) -> tuple[Plate, Rig]:
    """The plate and the rig that the options (or a ``rig.toml`` in the folder) describe."""
    rig, spec = Rig(), None
    path = args.rig
    if path is None and folder is not None and (folder / "rig.toml").is_file():
        path = folder / "rig.toml"
    if path is not None:
        rig, spec = read_rig(path)
    spec = args.target or spec
    if spec is None:
        raise BadInput(
            "no target given: the plate's kind, size and pitch are needed to read the pictures. "
            'Add --target, for example --target "dots 14x10 12mm".'
        )
    return target.parse(spec), rig


def run(args: argparse.Namespace) -> int:
    """Review a folder."""
    check_folder(args.folder)
    plate, rig = plate_and_rig(args, args.folder)
    second = second_of(args)
    told = None if args.json else tell
    review = review_folder(args.folder, plate, rig, pattern=args.pattern, tell=told)
    if second is not None:
        look_at_second(review, second, args.second_dir, pattern=args.pattern, tell=told)
    verdict = session.verdict(review.state)
    if args.json:
        print(json.dumps(as_json(review), indent=2, allow_nan=False))
    else:
        print_outcome(review)
    return EXIT[verdict.state]


def second_of(args: argparse.Namespace) -> ev.SecondPlateDescribed | None:
    """The second plate that the options describe. Raises BadInput for one of them without the other."""
    if args.second_plate is None and args.second_dir is None:
        return None
    if args.second_plate is None or args.second_dir is None:
        raise BadInput(
            "a second plate takes both its description and its shots: give --second-plate SPEC and "
            "--second-dir DIR."
        )
    check_folder(args.second_dir)
    return described(args.second_plate, 0.0)


def look_at_second(
    review: Review, second: ev.SecondPlateDescribed, folder: Path, *, pattern: str | None, tell: Any = None
) -> None:
    """Measure a second plate in `folder`'s shots. Raises BadInput when no shot of it can be used."""
    if review.state.estimate is None:
        return
    refused: list[str] = []
    count = len(review.state.cameras)
    shots = read_folder(folder, pattern, complain=lambda n, c, m: refused.append(m), cameras=count)
    for event in review.see_second(second, shots):
        if tell is not None:
            tell(event)
    if review.state.second is None or not review.state.second.views:
        raise BadInput(
            f"{folder} holds no shot that shows the second plate clearly. {' '.join(refused[:3])} Take one "
            "or more with the whole plate in both cameras, alone, and name them as the others are."
        )


def review_folder(
    folder: Path, plate: Plate, rig: Rig, *, pattern: str | None = None, tell: Any = None
) -> Review:
    """Look at every shot of `folder`, solve and prove. Raises BadInput when there is no shot."""
    complaints: list[tuple[str, str | None, str]] = []
    shots = read_folder(folder, pattern, complain=lambda *c: complaints.append(c))
    if not shots:
        told = " ".join(message for _, _, message in complaints[:3])
        raise BadInput(
            f"{folder} holds no shot that can be read. {told} Name a folder of pictures (TIFF, PNG, BMP, "
            "PGM or JPEG), or give --pattern if their names are unusual."
        )
    names: dict[str, None] = {}
    for shot in shots:
        names.update(dict.fromkeys(shot.originals))
    cameras = max((tuple(s.originals) for s in shots), key=len)
    cameras = (*cameras, *(c for c in names if c not in cameras))
    review = Review(plate, rig, cameras, name=folder.resolve().name)
    for complaint in complaints:
        review.complain(*complaint)
    for event in review.see(shots):
        if tell is not None:
            tell(event)
    review.solve()
    return review


def tell(event: ev.Event) -> None:
    """One line per shot as it is looked at."""
    if isinstance(event, ev.SecondPlateShown):
        points = ", ".join(f"{c} {len(s.point_ids)}" for c, s in event.view.sightings.items())
        print(f"  second    {event.view.name}   points: {points}")
    elif isinstance(event, ev.ViewKept):
        points = ", ".join(f"{c} {len(s.point_ids)}" for c, s in event.view.sightings.items())
        print(f"  kept      {event.view.name}   points: {points}")
    elif isinstance(event, ev.ShotRefused):
        headline, remedy = trouble_says(event.trouble, event.camera, None)
        print(f"  not kept  {event.shot_name}   {say(headline)}. {say(remedy)}")


def print_outcome(review: Review) -> None:
    """The solution and the verdict in words."""
    state = review.state
    for message in state.file_messages:
        print(f"  file      {message}")
    estimate = state.estimate
    if estimate is not None:
        print_estimate(estimate)
    for line in second_lines(second_shown(state.second), Words()):
        print(f"  {line}")
    verdict = session.verdict(state)
    print(f"\nVerdict: {verdict.state.value}")
    for reason in verdict.reasons:
        print(f"  - {say(reason)}")
    if verdict.remedy is not None:
        print(f"  next: {say(verdict.remedy)}")


def print_estimate(estimate: Estimate) -> None:
    """Cameras, pairs, quantities, and what was set aside."""
    print(f"\nSolved from {len(estimate.used_view_ids)} views: {estimate.rms_px:.4f} px rms")
    for c in estimate.cameras:
        mono = "" if c.mono_rms_px is None else f" (alone {c.mono_rms_px:.5f})"
        lens = c.lens
        print(f"  {c.name}: {c.rms_px:.5f} px rms{mono}")
        print(f"    f {lens.fx:.3f} {lens.fy:.3f}  centre {lens.cx:.3f} {lens.cy:.3f} px")
        print(f"    k1 {lens.k1:.5f} k2 {lens.k2:.5f} k3 {lens.k3:.5f} p1 {lens.p1:.6f} p2 {lens.p2:.6f}")
    for p in estimate.pairs:
        print(
            f"  {p.cameras[0]} to {p.cameras[1]}: stereo angle {p.stereo_angle_deg:.3f} deg, baseline "
            f"{p.baseline_mm:.3f} mm, epipolar error {p.epipolar_rms_px:.4f} px rms"
        )
    for q in estimate.quantities:
        unit = {"um": "µm"}.get(q.unit, q.unit)
        print(f"  {quantity_name(q)}: {q.value:.3g} {unit}, wanted at most {q.goal:.3g} {unit}")
    shape = estimate.plate_shape
    if shape is not None:
        print(f"  plate: bent by {shape.bow_um:.0f} µm, known to {shape.bow_sigma_um:.2g} µm")
    print(f"  lens model: {estimate.lens_reason}")
    for aside in estimate.set_aside:
        count = len(aside.point_ids)
        what = f"{count} point{'' if count == 1 else 's'} of " if count else ""
        whose = f" ({aside.camera})" if aside.camera else ""
        print(f"  set aside: {what}{aside.name}{whose}: {say(aside_words(aside.reason))}")


def as_json(review: Review) -> dict[str, Any]:
    """The outcome as plain data."""
    state = review.state
    estimate, verdict = state.estimate, session.verdict(state)
    refused = [h.refusal for h in state.story if h.refusal is not None]
    asides = estimate.set_aside if estimate is not None else ()
    return {
        "views": {
            "found": len(state.story),
            "kept": len(state.entries),
            "not_kept": [
                {"name": r.shot_name, "reason": say(trouble_says(r.trouble, r.camera, None)[0])}
                for r in refused
            ],
            "set_aside": [_aside(a) for a in asides if not a.point_ids],
            "points_set_aside": [
                {**_aside(a), "camera": a.camera, "points": len(a.point_ids)} for a in asides if a.point_ids
            ],
        },
        "files": list(state.file_messages),
        "solve": None if estimate is None else solve_json(estimate),
        "second_plate": None
        if state.second is None or state.second.result is None
        else asdict(state.second.result),
        "verdict": {
            "state": verdict.state.value,
            "reasons": [say(r) for r in verdict.reasons],
            "remedy": say(verdict.remedy) if verdict.remedy is not None else None,
        },
    }


def _aside(aside: SetAside) -> dict[str, Any]:
    return {"name": aside.name, "reason": aside.reason}


def solve_json(estimate: Estimate) -> dict[str, Any]:
    """The solution as plain data. A camera's ``rms_px`` is that of the camera solved alone over the
    same views (comparable with other programs' mono figure); ``joint_rms_px`` is its share of the
    joint adjustment, to which all the other numbers belong."""
    return {
        "rms_px": estimate.rms_px,
        "views_used": len(estimate.used_view_ids),
        "cameras": [_camera(c) for c in estimate.cameras],
        "pairs": [_pair(p) for p in estimate.pairs],
        "quantities": [
            {"name": q.name, "value": _finite(q.value), "goal": _finite(q.goal), "unit": q.unit}
            for q in estimate.quantities
        ],
        "checks": [{"name": c.name, "ok": c.ok, "value": c.value, "limit": c.limit} for c in estimate.checks],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _camera(c: CameraEstimate) -> dict[str, Any]:
    lens = c.lens
    return {
        "name": c.name,
        "rms_px": c.rms_px if c.mono_rms_px is None else c.mono_rms_px,
        "joint_rms_px": c.rms_px,
        "fx": lens.fx,
        "fy": lens.fy,
        "cx": lens.cx,
        "cy": lens.cy,
        "distortion": {"k1": lens.k1, "k2": lens.k2, "p1": lens.p1, "p2": lens.p2, "k3": lens.k3},
    }


def _pair(p: PairEstimate) -> dict[str, Any]:
    return {
        "cameras": list(p.cameras),
        "stereo_angle_deg": p.stereo_angle_deg,
        "baseline_mm": p.baseline_mm,
        "rotation_vector_rad": list(p.pose_b_from_a.rotation_vector_rad),
        "translation_mm": list(p.pose_b_from_a.translation_mm),
        "epipolar_rms_px": p.epipolar_rms_px,
    }
