"""``holdstill unpack``: a packed session as a session of this machine."""

from __future__ import annotations

import argparse
from pathlib import Path

from holdstill.archive.packing import unpack
from holdstill.archive.sessions import summary
from holdstill.phrases import say
from holdstill.records import Say

HELP = "take a packed session in, checked to the last byte"
DESCRIPTION = "The session then stands among this machine's own: list, recheck or go on with it."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("file", type=Path, metavar="FILE", help="what `holdstill pack` made")
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")


def run(args: argparse.Namespace) -> int:
    """Unpack a session."""
    from holdstill.compose import default_home

    folder = unpack(args.file, args.home or default_home())
    line = summary(folder)
    values: dict[str, float | int | str] = {
        "session": line.session_id,
        "path": line.folder,
        "events": line.events,
        "views": line.views_kept,
        "verdict": say(Say(f"verdict.{line.verdict}")) if line.verdict else "-",
    }
    print(say(Say("archive.pack.opened", values)))
    return 0
