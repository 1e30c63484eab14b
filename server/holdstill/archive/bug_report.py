"""A report on a bug that can be sent on: where it happened and under what, without pictures or names."""

from __future__ import annotations

import hashlib
import platform
import traceback
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from types import TracebackType

import holdstill

from .disk import make_folder, write_whole

_PACKAGE = Path(holdstill.__file__).parent
_LIBRARIES = ("numpy", "opencv-python-headless", "scipy", "numba", "fastapi", "starlette", "uvicorn",
              "websockets", "sqlalchemy", "cattrs", "jinja2", "tifffile")  # fmt: skip
_MOST_FRAMES = 40

Facts = Mapping[str, int | float]
"""Numbers about the session, by name: counts and settings, never a word that somebody typed."""


def reference_of(error: BaseException) -> str:
    """Six characters that stand for this bug: the same place gives the same ones, on any machine."""
    told = "\n".join(_lines(error))
    return hashlib.sha256(told.encode()).hexdigest()[:6]


def report_text(error: BaseException, facts: Facts) -> str:
    """The report as text.

    Of the error only its kind and places are told: what an error says of itself may hold a file's or a
    person's name.  Places are module paths inside the package or the library, never folders of this
    machine; local variables are left out.
    """
    versions = [f"holdstill {holdstill.__version__}", f"Python {platform.python_version()}"]
    versions += [f"{name} {version}" for name in _LIBRARIES if (version := _version(name))]
    versions.append(f"{platform.system()} {platform.release()} {platform.machine()}")
    numbers = [f"  {name} {value:g}" for name, value in sorted(facts.items())]
    return "\n".join(
        [
            f"Holdstill, report {reference_of(error)}",
            "This text holds no pictures, no names of files, sessions or people, and no measurements.",
            "",
            *_lines(error),
            "",
            "numbers",
            *numbers,
            "",
            "versions",
            *(f"  {version}" for version in versions),
            "",
        ]
    )


def write_report(folder: Path, error: BaseException, facts: Facts) -> str:
    """Write the report into `folder`; its reference, also when it could not be written."""
    reference = reference_of(error)
    try:
        make_folder(folder)
        write_whole(folder / f"{reference}.txt", report_text(error, facts).encode())
    except OSError:  # a full disk must not make one trouble into two
        pass
    return reference


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _lines(error: BaseException) -> list[str]:
    lines: list[str] = []
    seen: set[int] = set()
    now: BaseException | None = error
    while now is not None and id(now) not in seen:
        seen.add(id(now))
        lines += [type(now).__name__, *_places(now.__traceback__)]
        now = now.__cause__ or (None if now.__suppress_context__ else now.__context__)
        if now is not None:
            lines.append("after")
    return lines


def _places(trace: TracebackType | None) -> list[str]:
    frames = traceback.extract_tb(trace)[-_MOST_FRAMES:]
    return [f"  {_place(Path(frame.filename))}:{frame.lineno} {frame.name}" for frame in frames]


def _place(file: Path) -> str:
    """A file as its place inside the package, or the library it belongs to."""
    if file.is_relative_to(_PACKAGE):
        return f"holdstill/{file.relative_to(_PACKAGE).as_posix()}"
    parts = file.parts
    for anchor in ("site-packages", "dist-packages"):
        if anchor in parts:
            return "/".join(parts[parts.index(anchor) + 1 :])
    if file.name.startswith("<") or any(part.startswith("python3") for part in parts):
        return f"python/{file.name}"
    return "elsewhere"
