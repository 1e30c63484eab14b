"""``holdstill serve``: the coach over a watched folder, over cameras, or over frames that are sent."""

from __future__ import annotations

import argparse
import datetime
import getpass
from dataclasses import replace
from pathlib import Path

from holdstill.compose import Serving, default_home, serve
from holdstill.errors import BadInput
from holdstill.intake import addresses
from holdstill.intake.camera import Wishes
from holdstill.intake.folder import FolderSource
from holdstill.intake.live import LiveSource
from holdstill.intake.pushed import PushedSource
from holdstill.intake.remembered import Placed, Remembered
from holdstill.intake.source import Source
from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.records import Rig, Step

from .review import add_target, plate_and_rig
from .welcome import welcome

_TRIGGERS = ("software", "hardware", "free")


HELP = "coach an operator over a watched folder, over cameras, or over frames that are sent"


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    where = p.add_mutually_exclusive_group(required=True)
    where.add_argument("--watch", type=Path, metavar="DIR", help="the folder to watch")
    where.add_argument(
        "--cameras", metavar="A,B", help="cameras, left first: see holdstill cameras; also rtsp://, files"
    )
    where.add_argument("--push", metavar="left,right", help="frames are sent to these names")
    add_target(p)
    add_cameras(p)
    add_serving(p)


def add_cameras(p: argparse.ArgumentParser) -> None:
    """Options on how cameras run."""
    g = p.add_argument_group("cameras")
    g.add_argument("--rate", type=float, metavar="HZ", help="shots per second (10)")
    g.add_argument("--exposure", type=float, metavar="MS", help="exposure to begin with")
    g.add_argument("--gain", type=float, metavar="DB", help="gain to begin with")
    g.add_argument("--pixel-format", metavar="NAME", help="for example Mono8 or Mono12p")
    g.add_argument("--region", metavar="WxH+X+Y", help="part of the sensor that is read out")
    g.add_argument("--trigger", choices=_TRIGGERS, help="software where the cameras can, else free")
    g.add_argument("--producer", action="append", default=[], metavar="FILE", help="a maker's driver (.cti)")
    g.add_argument("--single", action="store_true", help="with --push: every shot is taken on purpose")
    steps = [s.value for s in Step]
    g.add_argument("--step", choices=steps, help="where to begin: rig with cameras, else poses")


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
    """Serve whatever the pictures come from."""
    day = datetime.date.today().isoformat()
    source: Source
    if args.watch is not None:
        folder: Path = args.watch
        if not folder.is_dir():
            raise BadInput(
                f"{folder} is not a folder: make it, or name the one into which the camera program saves."
            )
        plate, rig = plate_and_rig(args, folder)
        source = FolderSource(folder, args.pattern, cameras=len(rig.cameras) or None)
        serving, what = serving_of(args, f"{folder.resolve().name} {day}"), f"watching {folder}"
    elif args.cameras is not None:
        plate, rig = plate_and_rig(args)
        serving, what = serving_of(args, f"{rig.name} {day}"), f"coaching over {args.cameras}"
        source = live_source(args, rig, serving.home)
        serving.first_step = Step.RIG
    else:
        plate, rig = plate_and_rig(args)
        serving, what = serving_of(args, f"{rig.name} {day}"), f"waiting for frames of {args.push}"
        source = pushed_source(args)
    if args.step is not None:
        serving.first_step = Step(args.step)
    return serve(serving, source, plate, rig, ready=welcome(what, tls=args.tls, sent=args.push is not None))


def live_source(args: argparse.Namespace, rig: Rig, home: Path) -> LiveSource:
    """The cameras named, left and right and turned as they were last time."""
    given = addresses.parse_all(args.cameras)
    addresses.check_installed(given)
    wishes = addresses.resolved(given, wishes_of(args))
    remembered = Remembered(home)
    placed = remembered.recall([a.given for a in given]) or [Placed(a.given) for a in given]
    by_given = {a.given: a for a in given}
    ordered = [by_given[p.address] for p in placed]
    source = LiveSource(
        [(a.given, addresses.driver(a, wishes)) for a in ordered],
        addresses.names_for(len(ordered), [c.name for c in rig.cameras]),
        triggered=wishes.trigger == "software",
        numbered=addresses.recorded(ordered),
        rate_hz=wishes.rate_hz,
        longest_ms=longest_exposure_ms(rig),
        turns_deg=[p.turn_deg for p in placed],
    )
    source.changed = lambda: remembered.keep(
        [Placed(a, t) for a, t in zip(source.addresses, source.turns_deg, strict=True)]
    )
    return source


def wishes_of(args: argparse.Namespace) -> Wishes:
    """How the cameras should run. Raises BadInput for numbers that mean nothing."""
    for name, value in (("--rate", args.rate), ("--exposure", args.exposure)):
        if value is not None and not 0.0 < value < 1e6:
            raise BadInput(f"{name} is {value:g}: a number above zero is wanted.")
    wishes = Wishes(
        pixel_format=args.pixel_format,
        exposure_ms=args.exposure,
        gain_db=args.gain,
        rate_hz=args.rate,
        trigger=args.trigger,
        producers=tuple(args.producer),
    )
    return wishes if args.region is None else replace(wishes, region=addresses.region(args.region))


def longest_exposure_ms(rig: Rig) -> float | None:
    """The longest exposure at which a hand's tremor blurs no camera's dots too much; None: not known."""
    out = []
    for c in rig.cameras:
        if rig.stand_off_mm and c.focal_mm and c.pixel_um and rig.stand_off_mm > c.focal_mm:
            scale = optics.image_scale_um_per_px(c.focal_mm, rig.stand_off_mm, c.pixel_um)
            speed, blur_px = limit("paper_tremor_mm_per_s"), limit("feed_exposure_blur_px")
            out.append(optics.longest_exposure_ms(speed, scale, blur_px))
    return min(out, default=None)


def pushed_source(args: argparse.Namespace) -> PushedSource:
    """The names to which frames are sent. Raises BadInput for names that no address can hold."""
    names = [n.strip() for n in args.push.split(",")]
    bad = next((n for n in names if not n or not n.replace("-", "").replace("_", "").isalnum()), None)
    if bad is not None or len(set(names)) < len(names):
        raise BadInput(
            f"--push {args.push}: names of letters and digits, each once, are wanted, for example left,right."
        )
    return PushedSource(names, single=args.single)
