"""The front door: ``holdstill COMMAND``. Each command stands in a file of its own in ``commands``: its HELP
and its DESCRIPTION, where there is one, ``add`` for its options, and ``run``."""

from __future__ import annotations

import argparse
import importlib
import logging
import sys
from pathlib import Path

from . import __version__
from .errors import HoldstillError

COMMANDS = (
    "demo", "serve", "cameras", "review", "find", "gauge", "target", "plan", "recheck", "sessions", "doctor",
    "pack", "unpack", "join", "samples",
)  # fmt: skip
"""Names of the files in ``commands``, in the order in which ``--help`` shows them."""

BUG = (
    "Something went wrong inside Holdstill, and it is not your doing (reference {reference}). Nothing that "
    "was kept is lost. A report without pictures or names is in {path}: send it on."
)


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="holdstill", description="A live bench-side capture coach for stereo camera rigs."
    )
    top.add_argument("--version", action="version", version=f"holdstill {__version__}")
    top.add_argument("--verbose", action="store_true", help="show what happens inside")
    subparsers = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in COMMANDS:
        room = importlib.import_module(f"holdstill.commands.{name}")
        p = subparsers.add_parser(name, help=room.HELP, description=getattr(room, "DESCRIPTION", None))
        room.add(p)
        p.set_defaults(run=room.run)
    return top


def reported(error: Exception, home: Path | None) -> str:
    """Write a report on a bug; the sentence that tells of it."""
    from .archive.bug_report import write_report
    from .compose import default_home, reports_folder

    folder = reports_folder(home or default_home())
    reference = write_report(folder, error, {})
    return BUG.format(reference=reference, path=folder / f"{reference}.txt")


def main(argv: list[str] | None = None) -> int:
    """Run a command. Exit status: 0 fine or ready, 1 not yet, 2 bad input, 3 stop."""
    args = parser().parse_args(argv)
    logging.basicConfig(level=logging.INFO if args.verbose else logging.WARNING, format="%(message)s")
    try:
        status: int = args.run(args)
    except HoldstillError as error:
        print(f"holdstill: {error}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        return 0
    except Exception as error:
        print(f"holdstill: {reported(error, getattr(args, 'home', None))}", file=sys.stderr)
        if args.verbose:
            raise
        return 70
    return status


if __name__ == "__main__":
    sys.exit(main())
