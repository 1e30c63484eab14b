"""``holdstill pack``: a session as one file that another machine opens."""

from __future__ import annotations

import argparse
from pathlib import Path

from holdstill.archive.packing import SUFFIX, pack
from holdstill.archive.sessions import find_session
from holdstill.phrases import say
from holdstill.records import Say

HELP = "make one file of a session, for another machine"
DESCRIPTION = "Journal, pictures and hand-over files, with check sums. The session may be running."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("session", metavar="SESSION", help="a session's id (see: holdstill sessions) or folder")
    p.add_argument("-o", "--output", type=Path, metavar="FILE", help=f"default: SESSION{SUFFIX}, here")
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")


def run(args: argparse.Namespace) -> int:
    """Pack a session."""
    from holdstill.compose import default_home

    folder = find_session(args.session, args.home or default_home())
    made = pack(folder, args.output or Path(folder.resolve().name + SUFFIX))
    numbers: dict[str, float | int | str] = {
        "path": str(made.path),
        "name": made.path.name,
        "session": folder.resolve().name,
        "events": made.events,
        "files": made.files,
        "size_mb": made.size_bytes / 1e6,
    }
    print(say(Say("archive.pack.made", numbers)))
    return 0
