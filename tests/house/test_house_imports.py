"""Imports point down only, and each library stays in its rooms."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "server" / "holdstill"

LEVELS = [
    {"records", "phrases", "limits", "settings", "errors"},
    {"geometry"},
    {"measure", "target", "plan", "solve", "simulate"},
    {"session"},
    {"intake", "archive"},
    {"loop"},
    {"web"},
    {"compose"},
    {"commands"},
    {"cli"},
]
SIBLINGS_MAY_NOT = {"measure", "target", "plan", "solve", "simulate", "intake", "archive"}
ALSO = {("loop", "intake"), ("loop", "archive"), ("commands", "web"), ("limits", "limits")}
LIBRARIES = {
    "cv2": {"measure", "target", "simulate", "solve", "intake"},
    "fastapi": {"web", "compose"},
    "starlette": {"web", "compose"},
    "sqlalchemy": {"archive"},
    "watchdog": {"intake"},
}


def level(room: str) -> int:
    for number, rooms in enumerate(LEVELS):
        if room in rooms:
            return number
    raise AssertionError(f"{room} has no level")


def imports() -> list[tuple[Path, str, str]]:
    """(file, room, imported dotted name) of every import in the package, type-checking ones too."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE)
        room = inside.parts[0].removesuffix(".py")
        if room == "__init__":
            continue
        package = ["holdstill", *inside.parts[:-1]]
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found += [(path, room, a.name) for a in node.names]
            elif isinstance(node, ast.ImportFrom):
                base = package[: len(package) - node.level + 1] if node.level else []
                name = ".".join([*base, node.module or ""]).strip(".")
                if name == "holdstill":
                    found += [(path, room, f"holdstill.{a.name}") for a in node.names]
                else:
                    found.append((path, room, name))
    return found


IMPORTS = imports()


def test_the_package_was_read() -> None:
    assert len(IMPORTS) > 100


def test_imports_point_down() -> None:
    wrong = []
    for path, room, name in IMPORTS:
        if not name.startswith("holdstill."):
            continue
        other = name.split(".")[1]
        if other in (room, "__version__"):
            continue
        sideways = level(other) == level(room) and room in SIBLINGS_MAY_NOT
        if level(other) > level(room) or sideways:
            wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert wrong == []


@pytest.mark.parametrize("library", sorted(LIBRARIES))
def test_a_library_stays_in_its_rooms(library: str) -> None:
    users = {room for _, room, name in IMPORTS if name.split(".")[0] == library}
    assert users <= LIBRARIES[library]


def test_clock_randomness_and_environment_stay_at_the_edge() -> None:
    pure = {
        "records",
        "geometry",
        "measure",
        "target",
        "plan",
        "solve",
        "simulate",
        "session",
        "phrases",
        "limits",
    }
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path, room, name in IMPORTS
        if room in pure and name.split(".")[0] in {"time", "random", "os", "secrets", "datetime", "socket"}
    ]
    assert wrong == []
