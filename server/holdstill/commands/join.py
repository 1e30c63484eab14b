"""``holdstill join``: a fresh link for a bench that is being served."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Say

HELP = "print fresh links with which phones join a running bench"
DESCRIPTION = "For the user who runs the bench: only that user can read the key behind the links."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("--home", type=Path, metavar="DIR", help="where the bench keeps its sessions")


def run(args: argparse.Namespace) -> int:
    """Print the links."""
    from holdstill.compose import SERVING_NAME, default_home, greeting, house_key

    from .welcome import tell_links

    home: Path = args.home or default_home()
    try:
        address = json.loads((home / SERVING_NAME).read_bytes())["address"]
    except (OSError, ValueError, KeyError, TypeError):
        raise BadInput(say(Say("join.not-serving", {"path": str(home)}))) from None
    tell_links(greeting(str(address), house_key(home)))
    return 0
