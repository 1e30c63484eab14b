"""``holdstill doctor``: what is wrong with this machine or with a session, and how to mend it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from holdstill.archive.examine import examine, mend
from holdstill.archive.findings import Finding, Health
from holdstill.archive.sessions import find_session
from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Say

HELP = "check this machine, or a session, and say how to mend what is wrong"
DESCRIPTION = "Exit status: 0 nothing to mend, 1 something is wrong, 2 bad input."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("session", nargs="?", metavar="SESSION", help="its id or folder; none: the machine")
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")
    p.add_argument("--port", type=int, default=8765, help="port of the pages")
    p.add_argument("--mend", action="store_true", help="copy what can be read of a damaged session")
    p.add_argument("--json", action="store_true", help="print one JSON array")


def run(args: argparse.Namespace) -> int:
    """Examine, and mend when told to."""
    from holdstill.compose import default_home

    home = args.home or default_home()
    if args.session is None:
        if args.mend:
            raise BadInput("--mend needs a session: holdstill doctor SESSION --mend.")
        from .doctor_machine import machine

        found = machine(home, args.port)
    else:
        folder = find_session(args.session, home)
        if args.mend:
            target, saved, skipped = mend(folder)
            values: dict[str, float | int | str] = {"path": str(target), "session": target.name}
            values |= {"saved": saved, "skipped": skipped}
            print(say(Say("doctor.mended", values)))
            folder = target
        found = examine(folder)
    tell(found, as_json=args.json)
    return int(any(f.health is Health.WRONG for f in found))


def tell(found: Sequence[Finding], *, as_json: bool) -> None:
    """The findings, one a line, or as JSON."""
    if as_json:
        rows = [
            {"check": f.check, "outcome": f.outcome, "health": f.health.value, "says": printable(f.words()),
             "values": dict(f.values)}
            for f in found
        ]  # fmt: skip
        print(json.dumps(rows, indent=2))
        return
    for finding in found:
        print(f"{say(Say(f'doctor.head.{finding.health.value}'))}  {printable(finding.words())}")
    bad = sum(f.health is Health.WRONG for f in found)
    print(say(Say("doctor.end.wrong", {"count": bad})) if bad else say(Say("doctor.end.fine")))


def printable(words: str) -> str:
    """Words with nothing in them that a terminal would act upon."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in words)
