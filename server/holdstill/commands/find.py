"""``holdstill find``: what the eye sees in any picture, in words, as JSON, and drawn."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from holdstill.errors import BadFrame, BadInput
from holdstill.phrases import say
from holdstill.records import DotFlag, FrameFile, Nothing, Picture, Plate, Say, Sighting

_AUTO = "coded-dots"


HELP = "show what the eye sees in pictures"
DESCRIPTION = "Find a target in pictures of one camera and tell every point with its own sigma."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("images", nargs="+", type=Path, metavar="IMAGE", help="picture files")
    p.add_argument(
        "--target", required=True, metavar="SPEC",
        help='target, e.g. "dots 14x10 12mm", or a file; "coded-dots" alone reads the plate\'s own identity',
    )  # fmt: skip
    p.add_argument("--json", action="store_true", help="print one JSON object")
    p.add_argument(
        "--draw", type=Path, metavar="OUT.png", help="draw what was seen (one file per picture)"
    )


def run(args: argparse.Namespace) -> int:
    """0 when the target was found in every picture, 1 otherwise, 2 when a file could not be read.

    Raises BadInput for a target that does not parse or a drawing that can't be written, and BadFrame when
    the only picture can't be read; of several pictures an unreadable one is told and the rest go on.
    """
    from holdstill.target import parse, words

    plate = None if args.target.strip() == _AUTO else parse(args.target)
    entries, unread = [], 0
    for number, path in enumerate(args.images):
        try:
            image, full_scale = _picture(path)
        except BadFrame as trouble:
            if len(args.images) == 1:
                raise
            unread += 1
            entries.append(_refused(path, str(trouble)))
            print(trouble, file=sys.stderr)
            continue
        here, seen = _look(image, full_scale, plate)
        entry = _entry(path, here, seen)
        entries.append(entry)
        if not args.json:
            print(_line(path, here, seen))
        if args.draw is not None:
            drawn = _draw_path(args.draw, path, number, len(args.images))
            _draw(drawn, image, full_scale, here, seen)
            print(say(Say("find-drawing", {"file": str(drawn)})), file=sys.stderr)
    if args.json:
        target = None if plate is None else words(plate)
        print(json.dumps({"target": target, "images": entries}, indent=1))
    return 2 if unread else 0 if all(entry["found"] for entry in entries) else 1


def _look(image: Picture, full_scale: int, plate: Plate | None) -> tuple[Plate | None, Sighting | Nothing]:
    from holdstill.target import find, identify

    if plate is None:
        read = identify(image, full_scale=full_scale)
        if isinstance(read, Nothing):
            return None, read
        plate = read
    return plate, find(image, plate, camera="camera", full_scale=full_scale)


def _picture(path: Path) -> tuple[Picture, int]:
    """A picture file as grey 8 or 16 bits, and the largest value its format carries."""
    from holdstill.intake.decode import decode

    if not path.exists():
        raise BadFrame(say(Say("find-no-file", {"file": str(path)})))
    frame = decode(FrameFile("camera", path, path.name, 0.0))
    return frame.image, frame.full_scale


def _entry(path: Path, plate: Plate | None, seen: Sighting | Nothing) -> dict[str, Any]:
    """One picture's part of the JSON."""
    if isinstance(seen, Nothing):
        return {"image": str(path), "found": False, "reason": reason_words(seen), "why": seen.why,
                "blur_px": None, "dots": [], "missing": [], "numbers": dict(seen.numbers)}  # fmt: skip
    assert plate is not None
    row, column = np.divmod(seen.point_ids, plate.columns)
    dots = [
        {
            "col": int(c), "row": int(r), "x_px": round(float(x), 5), "y_px": round(float(y), 5),
            "sigma_px": round(float(s), 6),
            "flags": [flag.name.lower() for flag in DotFlag if f & flag and flag.name],
        }
        for c, r, (x, y), s, f in zip(column, row, seen.points_px, seen.sigmas_px, seen.flags, strict=True)
    ]  # fmt: skip
    missing = [{"col": int(n % plate.columns), "row": int(n // plate.columns)} for n in seen.missing_ids]
    return {
        "image": str(path), "found": True, "reason": None, "blur_px": seen.blur_px, "dots": dots,
        "missing": missing, "dot_growth": seen.dot_growth, "dot_diameter_px": seen.dot_diameter_px,
        "dark_dots": seen.dark_dots, "absolute": seen.absolute, "residual_px": seen.residual_px,
        "plate_id": plate.plate_id,
    }  # fmt: skip


def _refused(path: Path, reason: str) -> dict[str, Any]:
    """The JSON of a file that is no picture."""
    return {"image": str(path), "found": False, "reason": reason, "why": "unreadable", "blur_px": None,
            "dots": [], "missing": [], "numbers": {}}  # fmt: skip


def reason_words(nothing: Nothing) -> str:
    """Why nothing was found, in words."""
    key = "find-" + nothing.why.replace(" ", "-")
    if nothing.why == "wrong target" and "bare" in nothing.numbers:
        key += "-bare"
    return say(Say(key, dict(nothing.numbers)))


def _line(path: Path, plate: Plate | None, seen: Sighting | Nothing) -> str:
    if isinstance(seen, Nothing):
        return say(Say("find-unread", {"image": path.name, "reason": reason_words(seen)}))
    assert plate is not None
    notes = ""
    if len(seen.missing_ids):
        notes += say(Say("find-missing", {"missing": len(seen.missing_ids)}))
    if seen.dot_growth is not None:
        notes += say(Say("find-growth", {"growth_percent": 100 * (seen.dot_growth - 1)}))
    if not seen.absolute:
        notes += say(Say("find-unsure"))
    blur = "-" if seen.blur_px is None else f"{seen.blur_px:.2f}"
    return say(
        Say("find-found", {
            "image": path.name, "found": len(seen.point_ids),
            "expected": plate.point_count - len(plate.absent), "blur": blur,
            "sigma_px": float(np.median(seen.sigmas_px)), "residual_px": seen.residual_px or 0.0,
            "notes": notes,
        })
    )  # fmt: skip


def _draw_path(wanted: Path, image: Path, number: int, count: int) -> Path:
    if count == 1:
        return wanted
    return wanted.with_name(f"{wanted.stem}_{number + 1:03d}_{image.stem}{wanted.suffix or '.png'}")


def _draw(path: Path, image: Picture, full_scale: int, plate: Plate | None, seen: Sighting | Nothing) -> None:
    from holdstill.target import picture_of

    caption = reason_words(seen) if isinstance(seen, Nothing) else _line(path, plate, seen)
    try:
        path.write_bytes(picture_of(image, full_scale, plate, seen, caption))
    except OSError as error:
        raise BadInput(
            f"The drawing can't be written to {path} ({error.strerror}). Choose another place with --draw."
        ) from error
