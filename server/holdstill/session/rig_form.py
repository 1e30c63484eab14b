"""The Rig step's form: fields in, the rig as described out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from holdstill.limits import limit
from holdstill.records import CameraDescription, Rig, Say

CAMERA_FIELDS = ("width_px", "height_px", "pixel_um", "focal_mm", "f_number", "exposure_ms")
"""Of each camera; the form's ``camera`` says which, "" means all."""
RIG_FIELDS = (
    "stand_off_mm",
    "stereo_angle_deg",
    "tape_baseline_mm",
    "tape_sigma_mm",
    "goal_displacement_um",
)
VOLUME_FIELDS = ("volume_width_mm", "volume_height_mm", "volume_depth_mm")
WHOLE = ("width_px", "height_px")


def described(rig: Rig, fields: Mapping[str, str], cameras: Sequence[str]) -> Rig | Say:
    """`rig` with the form's fields in place; a sentence for what can't be used.

    A field that is empty is taken out of the description; one that is absent stays as it was. Numbers
    are held to the rig file's limits. `cameras`: the session's, which a rig without any gets.
    """
    numbers: dict[str, float | None] = {}
    for name in (*CAMERA_FIELDS, *RIG_FIELDS, *VOLUME_FIELDS):
        if name not in fields:
            continue
        value = _number(name, fields[name])
        if isinstance(value, Say):
            return value
        numbers[name] = value
    named = fields.get("camera", "")
    if named and named not in cameras:
        return Say("rig.form.camera", {"got": named[:40]})
    volume = _volume(rig, numbers)
    if isinstance(volume, Say):
        return volume
    return replace(
        rig,
        cameras=_cameras(rig, numbers, named, cameras),
        volume_mm=volume,
        **{k: v for k, v in numbers.items() if k in RIG_FIELDS},  # type: ignore[arg-type]
    )


def _cameras(
    rig: Rig, numbers: Mapping[str, float | None], named: str, cameras: Sequence[str]
) -> tuple[CameraDescription, ...]:
    own = {k: int(v) if k in WHOLE and v is not None else v for k, v in numbers.items() if k in CAMERA_FIELDS}
    known = {c.name: c for c in rig.cameras}
    names = list(known) or list(cameras)
    for name in cameras if any(v is not None for v in own.values()) else ():
        if name not in names:
            names.append(name)
    out = []
    for name in names:
        one = known.get(name, CameraDescription(name))
        out.append(replace(one, **own) if named in ("", name) else one)  # type: ignore[arg-type]
    return tuple(out)


def _volume(rig: Rig, numbers: Mapping[str, float | None]) -> tuple[float, float, float] | Say | None:
    asked = [numbers.get(name) for name in VOLUME_FIELDS if name in numbers]
    if not asked:
        return rig.volume_mm
    if all(v is None for v in asked):
        return None
    if len(asked) < 3 or any(v is None for v in asked):
        return Say("rig.form.volume")
    width, height, depth = (float(v or 0.0) for v in asked)
    return (width, height, depth)


def _number(name: str, text: str) -> float | Say | None:
    """The field's value; None when it is empty; a sentence when it can't be used."""
    text = text.strip().replace(",", ".")
    if not text:
        return None
    row = "rig_volume_mm" if name in VOLUME_FIELDS else f"{_room(name)}_{name}"
    low, high = limit(f"{row}_min"), limit(f"{row}_max")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    whole = name not in WHOLE or value == math.floor(value) if math.isfinite(value) else False
    if not (low <= value <= high) or not whole:
        return Say(f"rig.form.{name}", {"got": text[:40], "low": low, "high": high})
    return value


def _room(name: str) -> str:
    return "camera" if name in CAMERA_FIELDS else "rig"
