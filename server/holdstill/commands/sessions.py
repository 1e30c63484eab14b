"""``holdstill sessions``: the sessions there are."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from holdstill.archive.sessions import SessionSummary, sessions
from holdstill.phrases import say
from holdstill.records import Say

HELP = "list the sessions there are"


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")
    p.add_argument("--json", action="store_true", help="print one JSON array")


def run(args: argparse.Namespace) -> int:
    """List the sessions."""
    from holdstill.compose import default_home

    home = args.home or default_home()
    found = sessions(home)
    if args.json:
        print(json.dumps([asdict(s) for s in found], indent=2, allow_nan=False))
    elif not found:
        print(say(Say("archive.no-sessions", {"path": str(home)})))
    else:
        print("\n".join(table(found)))
    return 0


def table(found: list[SessionSummary]) -> list[str]:
    """The sessions as lines of a table, troubles below it."""
    head = [say(Say(f"archive.column.{c}")) for c in ("id", "name", "opened", "last", "views", "verdict")]
    rows = [head, *[_cells(s) for s in found]]
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    return lines + [f"{s.session_id}: {s.trouble}" for s in found if s.trouble]


def _cells(s: SessionSummary) -> list[str]:
    verdict = say(Say(f"verdict.{s.verdict}")) if s.verdict else "-"
    name = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in s.name)[:40]
    return [s.session_id, name, _time(s.opened_at_ms), _time(s.last_at_ms), str(s.views_kept), verdict]


def _time(at_ms: float | None) -> str:
    if at_ms is None:
        return "-"
    try:
        return datetime.fromtimestamp(at_ms / 1000.0).strftime("%Y-%m-%d %H:%M")
    except (OverflowError, OSError, ValueError):
        return "-"
