"""The rig file: what stands on the bench, in TOML; every line optional (see docs/rig_file.md)."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdstill.errors import BadInput
from holdstill.limits import limit
from holdstill.records import CameraDescription, Rig

from .refusals import bad_input

_MOST_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class _Key:
    """One line that a rig file may have: what kind of value, an example, and the limits it is held to."""

    kind: str
    """``"text"``, ``"whole"``, ``"number"`` or ``"three"`` (numbers)."""
    example: str
    unit: str = ""
    low: str = ""
    high: str = ""


_RIG_KEYS = {
    "name": _Key("text", 'name = "fork bench"'),
    "target": _Key("text", 'target = "dots 14x10 12mm"'),
    "stand_off_mm": _Key(
        "number",
        "stand_off_mm = 700",
        "mm",
        "rig_stand_off_mm_min",
        "rig_stand_off_mm_max",
    ),
    "stereo_angle_deg": _Key(
        "number",
        "stereo_angle_deg = 20",
        "degrees",
        "rig_stereo_angle_deg_min",
        "rig_stereo_angle_deg_max",
    ),
    "volume_mm": _Key(
        "three",
        "volume_mm = [120, 100, 60]",
        "mm",
        "rig_volume_mm_min",
        "rig_volume_mm_max",
    ),
    "tape_baseline_mm": _Key(
        "number",
        "tape_baseline_mm = 243",
        "mm",
        "rig_tape_baseline_mm_min",
        "rig_tape_baseline_mm_max",
    ),
    "tape_sigma_mm": _Key(
        "number",
        "tape_sigma_mm = 0.5",
        "mm",
        "rig_tape_sigma_mm_min",
        "rig_tape_sigma_mm_max",
    ),
    "goal_displacement_um": _Key(
        "number",
        "goal_displacement_um = 5",
        "um",
        "rig_goal_displacement_um_min",
        "rig_goal_displacement_um_max",
    ),
}
_CAMERA_KEYS = {
    "name": _Key("text", 'name = "left"'),
    "width_px": _Key(
        "whole",
        "width_px = 2448",
        "px",
        "camera_width_px_min",
        "camera_width_px_max",
    ),
    "height_px": _Key(
        "whole",
        "height_px = 2048",
        "px",
        "camera_height_px_min",
        "camera_height_px_max",
    ),
    "pixel_um": _Key(
        "number",
        "pixel_um = 3.45",
        "um",
        "camera_pixel_um_min",
        "camera_pixel_um_max",
    ),
    "focal_mm": _Key(
        "number",
        "focal_mm = 25",
        "mm",
        "camera_focal_mm_min",
        "camera_focal_mm_max",
    ),
    "f_number": _Key(
        "number",
        "f_number = 8",
        "",
        "camera_f_number_min",
        "camera_f_number_max",
    ),
    "exposure_ms": _Key(
        "number",
        "exposure_ms = 10",
        "ms",
        "camera_exposure_ms_min",
        "camera_exposure_ms_max",
    ),
}
_WANTED = {
    "text": "text in quotes",
    "whole": "a whole number",
    "number": "a number",
    "three": "a list of three numbers (width, height, depth)",
}


def read_rig(path: Path) -> tuple[Rig, str | None]:
    """The rig that a TOML file describes, and its target's SPEC as written (None without one).

    Raises BadInput naming the line for unknown keys, wrong types and implausible values.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise bad_input("rig-too-large", path=str(path), got=path.stat().st_size, most=_MOST_BYTES)
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise bad_input("rig-missing", path=str(path)) from None
    except UnicodeDecodeError as trouble:
        raise bad_input("rig-not-toml", path=str(path), reason=f"not UTF-8 at byte {trouble.start}") from None
    except OSError as trouble:
        reason = trouble.strerror or "unknown trouble"
        raise bad_input("rig-unreadable", path=str(path), reason=reason) from None
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise bad_input("rig-not-toml", path=str(path), reason=str(trouble)) from None
    return _rig(told, _Where(path, text))


@dataclass(frozen=True, slots=True)
class _Where:
    """A rig file and its text, to say on which line something stands."""

    path: Path
    text: str

    def line(self, key: str, number: int = 0) -> str:
        """The file and the line of the `number`-th time that `key` is given a value."""
        lines = [
            n
            for n, line in enumerate(self.text.splitlines(), 1)
            if re.match(rf"\s*(\[+\s*)?[\"']?{re.escape(key)}[\"']?\s*[]=.]", line)
        ]
        if not lines:
            return str(self.path)
        return f"{self.path}, line {lines[min(number, len(lines) - 1)]}"


def _rig(told: Mapping[str, Any], where: _Where) -> tuple[Rig, str | None]:
    known = [*_RIG_KEYS, "cameras"]
    for key in told:
        if key not in known:
            raise _unknown(where.line(key), key, "the rig", known)
    values = {k: _value(told[k], k, _RIG_KEYS[k], where.line(k)) for k in _RIG_KEYS if k in told}
    spec = values.pop("target", None)
    if "tape_sigma_mm" in values and "tape_baseline_mm" not in values:
        raise bad_input("rig-tape-alone", where=where.line("tape_sigma_mm"))
    return Rig(cameras=_cameras(told.get("cameras", []), where), **values), spec


def _cameras(told: Any, where: _Where) -> tuple[CameraDescription, ...]:
    if not isinstance(told, list) or not all(isinstance(camera, dict) for camera in told):
        raise bad_input(
            "rig-type", where=where.line("cameras"), key="cameras", got=_shown(told),
            wanted="one [[cameras]] block per camera", example='[[cameras]], then name = "left"',
        )  # fmt: skip
    cameras: list[CameraDescription] = []
    for number, block in enumerate(told):
        for key in block:
            if key not in _CAMERA_KEYS:
                raise _unknown(where.line(key), key, "a camera", list(_CAMERA_KEYS))
        values = {
            k: _value(block[k], k, _CAMERA_KEYS[k], where.line(k, _earlier(told[:number], k)))
            for k in _CAMERA_KEYS
            if k in block
        }
        values.setdefault("name", f"camera {number + 1}")
        if ("width_px" in values) != ("height_px" in values):
            raise bad_input("rig-size-pair", where=where.line("cameras", number), camera=values["name"])
        if values["name"] in {c.name for c in cameras}:
            raise bad_input("rig-twice", where=where.line("cameras", number), name=values["name"])
        cameras.append(CameraDescription(**values))
    return tuple(cameras)


def _earlier(blocks: list[Any], key: str) -> int:
    return sum(key in block for block in blocks)


def _value(value: Any, key: str, wanted: _Key, where: str) -> Any:
    """`value` checked for type and range. Raises BadInput."""
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    fits = {
        "text": isinstance(value, str) and bool(value.strip()),
        "whole": plain and float(value).is_integer(),
        "number": plain,
        "three": isinstance(value, list)
        and len(value) == 3
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value),
    }[wanted.kind]
    if not fits:
        raise bad_input(
            "rig-type", where=where, key=key, got=_shown(value), wanted=_WANTED[wanted.kind],
            example=wanted.example,
        )  # fmt: skip
    if wanted.kind == "text":
        return value.strip()
    numbers = [float(v) for v in value] if wanted.kind == "three" else [float(value)]
    low, high = limit(wanted.low), limit(wanted.high)
    if not all(low <= n <= high for n in numbers):
        got = f"{numbers[0]:g}" if len(numbers) == 1 else str(value)
        unit = f" {wanted.unit}" if wanted.unit else ""
        raise bad_input("rig-range", where=where, key=key, got=got, low=low, high=high, unit=unit)
    if wanted.kind == "three":
        return tuple(numbers)
    return int(value) if wanted.kind == "whole" else float(value)


def _unknown(where: str, key: str, block: str, known: list[str]) -> BadInput:
    return bad_input("rig-unknown", where=where, key=key, block=block, known=", ".join(known))


def _shown(value: Any) -> str:
    if isinstance(value, str):
        return f'the text "{value}"' if value.strip() else "empty text"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)[:60]


def rig_text(rig: Rig, spec: str | None = None) -> str:
    """The TOML that `read_rig` reads back as the same rig; `spec`: the target in words."""
    lines = [f"name = {_quoted(rig.name)}"]
    if spec is not None:
        lines.append(f"target = {_quoted(spec)}")
    for key in _RIG_KEYS:
        value = None if key in ("name", "target") else getattr(rig, key)
        if value is not None:
            lines.append(f"{key} = {_written(value)}")
    for camera in rig.cameras:
        lines += ["", "[[cameras]]"]
        lines += [
            f"{key} = {_written(getattr(camera, key))}"
            for key in _CAMERA_KEYS
            if getattr(camera, key) is not None
        ]
    return "\n".join(lines) + "\n"


def write_rig(path: Path, rig: Rig, spec: str | None = None) -> None:
    """Write `rig` to a TOML file. Raises OSError."""
    path.write_text(rig_text(rig, spec), "utf-8", newline="\n")


def _written(value: Any) -> str:
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(repr(v) for v in value) + "]"
    return repr(value)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
