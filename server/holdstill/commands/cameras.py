"""``holdstill cameras``: which cameras are there, and why one can't be used."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

from holdstill.intake import genicam_find
from holdstill.intake.camera import CameraTrouble
from holdstill.intake.genicam_find import Listed
from holdstill.intake.producer import producer_files, producer_listed
from holdstill.intake.webcams import webcams_listed
from holdstill.phrases import say
from holdstill.records import Say

HELP = "list the cameras that are there, and say why one can't be used"
DESCRIPTION = (
    "Lists GigE Vision and USB3 Vision cameras, webcams, and cameras behind their makers' "
    "drivers. Exit status: 0 at least one can be used, 1 none."
)


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("--producer", action="append", default=[], metavar="FILE", help="a maker's driver (.cti)")


def run(args: argparse.Namespace) -> int:
    """Search, and tell."""
    usable = []
    for title, search in searches(args.producer):
        print(title)
        try:
            found = search()
        except CameraTrouble as trouble:
            print(f"  {trouble}")
            continue
        for one in found:
            tell(one)
        if not found:
            print("  none")
        usable += [one.address for one in found if one.why_not is None]
    print(f"\n{hint(usable)}")
    return 0 if usable else 1


def searches(producers: Sequence[str]) -> list[tuple[str, Callable[[], list[Listed]]]]:
    """What is searched, in order; makers' drivers only where there are any."""
    out = [
        (say(Say("cameras.gige")), genicam_find.gige_listed),
        (say(Say("cameras.usb3")), genicam_find.usb3_listed),
        (say(Say("cameras.webcams")), webcams_listed),
    ]
    files = producer_files(producers)
    if files:
        out.append((say(Say("cameras.producers")), lambda: producer_listed(files)))
    return out


def tell(one: Listed) -> None:
    """One camera, and what is wrong with it."""
    print(f"  {one.address:24} {one.what}")
    if one.why_not is not None:
        print(f"  {'':24} {say(one.why_not)}. {say(one.remedy) if one.remedy else ''}")


def hint(usable: Sequence[str]) -> str:
    """What to type next."""
    if not usable:
        return say(Say("cameras.none"))
    return say(Say("cameras.start", {"cameras": ",".join(usable[:2])}))
