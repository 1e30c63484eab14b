"""``holdstill demo``: a simulated rig with a simulated operator, and everything else real."""

from __future__ import annotations

import argparse
import datetime
from typing import Any

from holdstill.compose import serve
from holdstill.intake.simulated import SimulatedSource

from .serve import add_serving, serving_of
from .welcome import welcome


def add(subparsers: Any) -> None:
    """Add the command."""
    p: argparse.ArgumentParser = subparsers.add_parser(
        "demo",
        help="watch the whole job on a simulated rig with a simulated operator",
        description="A bicycle-frame workshop gets its rig ready to test a carbon fork in bending.",
    )
    add_serving(p)
    p.add_argument("--seed", type=int, default=1, help="of everything that is random")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve the demo."""
    source = SimulatedSource(seed=args.seed)
    now = datetime.datetime.now().strftime("%Y-%m-%d %H.%M")
    serving = serving_of(args, f"Fork rig demo {now}")
    serving.settings["auto_hand_over"] = True
    plate = source.settings.plate
    return serve(
        serving, source, plate, source.described(), ready=welcome("showing a simulated rig", tls=args.tls)
    )
