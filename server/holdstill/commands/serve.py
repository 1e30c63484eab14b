"""``holdstill serve``: the coach over a watched folder."""

from __future__ import annotations

import argparse
import datetime
import getpass
from pathlib import Path
from typing import Any

from holdstill.compose import Serving, default_home, serve
from holdstill.errors import BadInput
from holdstill.intake.folder import FolderSource

from .review import add_target, plate_and_rig
from .welcome import welcome


def add(subparsers: Any) -> None:
    """Add the command."""
    p: argparse.ArgumentParser = subparsers.add_parser(
        "serve",
        help="coach an operator over the files that a camera program drops into a folder",
    )
    p.add_argument("--watch", type=Path, metavar="DIR", required=True, help="the folder to watch")
    add_target(p)
    add_serving(p)
    p.set_defaults(run=run)


def add_serving(p: argparse.ArgumentParser) -> None:
    """Options on where sessions live and who may reach the pages; shared with ``demo``."""
    p.add_argument("--name", help="the session's name")
    p.add_argument("--initials", help="the operator's initials")
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")
    p.add_argument("--new", action="store_true", help="begin a new session even if one can be gone on with")
    p.add_argument("--port", type=int, default=8765, help="port of the pages (0: any free one)")
    p.add_argument("--lan", action="store_true", help="let phones on the lab network reach the pages")
    p.add_argument("--tls", action="store_true", help="serve https with a certificate made on the spot")


def serving_of(args: argparse.Namespace, name: str) -> Serving:
    """The options as `Serving`."""
    initials = args.initials
    if initials is None:
        try:
            initials = getpass.getuser()[:3]
        except (OSError, KeyError):
            initials = ""
    return Serving(
        home=args.home or default_home(),
        name=args.name or name,
        initials=initials,
        port=args.port,
        lan=args.lan,
        tls=args.tls,
        fresh=args.new,
    )


def run(args: argparse.Namespace) -> int:
    """Serve a watched folder."""
    folder: Path = args.watch
    if not folder.is_dir():
        raise BadInput(
            f"{folder} is not a folder: make it, or name the one into which the camera program saves."
        )
    plate, rig = plate_and_rig(args, folder)
    source = FolderSource(folder, args.pattern, cameras=len(rig.cameras) or None)
    day = datetime.date.today().isoformat()
    serving = serving_of(args, f"{folder.resolve().name} {day}")
    return serve(serving, source, plate, rig, ready=welcome(f"watching {folder}", tls=args.tls))
