"""``holdstill join``: a fresh link for a bench that is being served."""

from __future__ import annotations

import argparse
import json
import socket
from pathlib import Path
from urllib.parse import urlsplit

from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Say

HELP = "print fresh links with which phones join a running bench"
DESCRIPTION = "For the user who runs the bench: only that user can read the key behind the links."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("--home", type=Path, metavar="DIR", help="where the bench keeps its sessions")


def run(args: argparse.Namespace) -> int:
    """Print the links. Raises BadInput when no bench answers."""
    from holdstill.compose import SERVING_NAME, default_home, greeting, house_key

    from .welcome import tell_links

    home: Path = args.home or default_home()
    try:
        address = json.loads((home / SERVING_NAME).read_bytes())["address"]
    except (OSError, ValueError, KeyError, TypeError):
        raise BadInput(say(Say("join.not-serving", {"path": str(home)}))) from None
    if not _answers(str(address)):
        raise BadInput(say(Say("join.gone", {"address": str(address), "path": str(home)})))
    tell_links(greeting(str(address), house_key(home)))
    return 0


def _answers(address: str) -> bool:
    """Whether something listens where the bench was served last."""
    try:
        place = urlsplit(address)
        with socket.create_connection((place.hostname or "", place.port or 0), timeout=2.0):
            return True
    except (OSError, ValueError):
        return False
