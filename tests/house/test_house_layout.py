"""The fixed top level, the size of files, and what must stand nowhere."""

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "server", "static", "tests", "sample_frames"}
LONGEST = 450


def tracked() -> list[Path]:
    done = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip("not a git checkout")
    return [Path(name) for name in done.stdout.split("\0") if name]


def test_the_top_level_is_fixed() -> None:
    top = {path.parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_python_files_stay_readable() -> None:
    long = {
        str(path): lines
        for path in tracked()
        if path.suffix == ".py"
        and (ROOT / path).exists()
        and (lines := len((ROOT / path).read_text("utf-8").splitlines())) > LONGEST
    }
    assert long == {}


def test_tracked_files_are_small() -> None:
    big = [str(p) for p in tracked() if (ROOT / p).exists() and (ROOT / p).stat().st_size > 1_500_000]
    assert big == []


def test_the_readme_has_two_self_contained_commands() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    blocks = [part.split("```")[0] for part in text.split("```sh\n")[1:]]
    demo, tests = blocks[0].strip(), blocks[1].strip()
    assert demo.count("\n") == 0
    assert tests.count("\n") == 0
    assert "python3 -m venv" in demo
    assert demo.endswith("holdstill demo")
    assert "python3 -m venv" in tests
    assert "pytest" in tests
