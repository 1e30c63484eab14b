"""What the README shows of ``holdstill review sample_frames/good`` is what the command prints."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from holdstill import cli

ROOT = Path(__file__).resolve().parents[2]
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def shown() -> list[str]:
    """The block of the README that begins with the first shot."""
    text = (ROOT / "README.md").read_text("utf-8")
    (block,) = re.findall(r"```text\n(.*?)```", text, re.DOTALL)
    return [line.rstrip() for line in block.splitlines() if line.strip()]


def test_the_readme_shows_what_review_prints(capsys: pytest.CaptureFixture[str]) -> None:
    args = cli.parser().parse_args(["review", str(ROOT / "sample_frames" / "good")])
    assert args.run(args) == 1
    told = [line.rstrip() for line in capsys.readouterr().out.splitlines() if line.strip()]
    wanted = shown()
    assert [NUMBER.sub("#", line) for line in told] == [NUMBER.sub("#", line) for line in wanted]
    for line, other in zip(told, wanted, strict=True):
        for seen, written in zip(NUMBER.findall(line), NUMBER.findall(other), strict=True):
            # points of single views and the last digits may differ between machines
            assert float(seen) == pytest.approx(float(written), rel=0.2, abs=2e-4), line
