"""``holdstill demo``: a simulated rig with a simulated operator, and everything else real."""

from __future__ import annotations

import argparse
import datetime
from dataclasses import replace

from holdstill.compose import serve
from holdstill.geometry import baseline_mm, compose, invert
from holdstill.intake.simulated import SimulatedSource
from holdstill.records import Rig
from holdstill.simulate import BenchSettings, Skill

from .serve import add_serving, serving_of
from .welcome import welcome

OPERATOR = Skill(tilt_sigma_deg=4.0, place_sigma_mm=6.0, reaction_s=0.5, pace=1.4, lapse_rate=0.15)
"""The demo's operator: practised and brisk, with a lapse about every sixth cue, so that a visitor who
watches for two minutes sees the whole job and what is refused."""


HELP = "watch the whole job on a simulated rig with a simulated operator"
DESCRIPTION = "A bicycle-frame workshop gets its rig ready to test a carbon fork in bending."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    add_serving(p)
    p.add_argument("--seed", type=int, default=1, help="of everything that is random")


def run(args: argparse.Namespace) -> int:
    """Serve the demo."""
    source = SimulatedSource(BenchSettings(skill=OPERATOR), seed=args.seed)
    now = datetime.datetime.now().strftime("%Y-%m-%d %H.%M")
    serving = serving_of(args, f"Fork rig demo {now}")
    serving.settings["auto_hand_over"] = True
    plate, rig = source.settings.plate, taped(source)
    return serve(serving, source, plate, rig, ready=welcome("showing a simulated rig", tls=args.tls))


def taped(source: SimulatedSource) -> Rig:
    """The demo's rig as its owner describes it, the cameras' distance read off a tape measure to the
    half millimetre: an independent length, so that the scale can be believed."""
    first, second = (c.pose_cam_from_rig for c in source.settings.rig.cameras[:2])
    apart_mm = baseline_mm(compose(second, invert(first)))
    return replace(source.described(), tape_baseline_mm=round(2.0 * apart_mm) / 2.0, tape_sigma_mm=0.5)
