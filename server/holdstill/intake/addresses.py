"""How cameras are named on the command line, and what makes a driver for each."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from . import genicam_find, producer
from .camera import Camera, Wishes
from .genicam import GenicamCamera
from .producer import ProducerCamera
from .refusals import bad_input
from .streams import Kind, StreamCamera

_REGION = re.compile(r"(\d+)x(\d+)(?:\+(\d+)\+(\d+))?")
_SEQUENCE = re.compile(r"%0?\d*d")
_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.\-]*")
MOST_CAMERAS = 16


@dataclass(frozen=True, slots=True)
class Address:
    """One camera as named: `kind` is ``"genicam"``, ``"producer"`` or a `Kind`'s value; `where` what
    its driver is told; `given` the words it was named with."""

    kind: str
    where: str
    given: str


def parse(text: str) -> Address:
    """What an address names.

    ``gige:SERIAL``, ``usb3:SERIAL``, a serial number alone; ``webcam:0`` or ``/dev/video0``;
    ``rtsp://``, ``http://`` or ``https://``; a video file; images numbered ``shot_%04d.tif``;
    ``producer:SERIAL`` for a camera that needs its maker's driver.  Raises BadInput.
    """
    given = text.strip()
    scheme, colon, rest = given.partition(":")
    lower = scheme.lower()
    if not given:
        raise bad_input("address-empty")
    if colon and rest.startswith("//") and lower in ("rtsp", "rtsps", "http", "https", "udp", "rtp"):
        return Address(Kind.NETWORK.value, given, given)
    if colon and lower in ("gige", "usb3") and rest:
        return Address("genicam", f"{lower}:{rest}", given)
    if colon and lower == "producer" and rest:
        return Address("producer", rest, given)
    if colon and lower == "webcam" and rest:
        return Address(Kind.WEBCAM.value, rest, given)
    if given.startswith("/dev/video"):
        return Address(Kind.WEBCAM.value, given, given)
    if _SEQUENCE.search(given):
        return Address(Kind.SEQUENCE.value, given, given)
    if Path(given).is_file():
        return Address(Kind.VIDEO.value, given, given)
    if "/" not in given and "\\" not in given and _SERIAL.fullmatch(given) and not _looks_like_file(given):
        return Address("genicam", given, given)
    raise bad_input("address-unknown", given=given)


def _looks_like_file(given: str) -> bool:
    return Path(given).suffix.lower() in (".avi", ".mkv", ".mp4", ".mov", ".m4v", ".wmv", ".ts")


def parse_all(text: str) -> list[Address]:
    """Addresses with commas between them. Raises BadInput for none, too many, or one twice."""
    addresses = [parse(part) for part in text.split(",")]
    if len(addresses) > MOST_CAMERAS:
        raise bad_input("too-many-cameras", count=len(addresses), most=MOST_CAMERAS)
    twice = {a.where for a in addresses if sum(b.where == a.where for b in addresses) > 1}
    if twice:
        raise bad_input("camera-twice", given=min(twice))
    return addresses


def region(text: str) -> tuple[int, int, int, int]:
    """A region ``WIDTHxHEIGHT`` or ``WIDTHxHEIGHT+LEFT+TOP``: left, top, width, height. Raises BadInput."""
    found = _REGION.fullmatch(text.strip())
    if found is None:
        raise bad_input("bad-region", given=text)
    width, height, left, top = (int(g or 0) for g in found.groups())
    if width == 0 or height == 0:
        raise bad_input("bad-region", given=text)
    return left, top, width, height


def names_for(count: int, known: Sequence[str] = ()) -> tuple[str, ...]:
    """Names of so many cameras: those the rig file gives, else left and right, else numbered."""
    if len(known) == count:
        return tuple(known)
    if count == 1:
        return ("camera",)
    return ("left", "right")[:count] if count == 2 else tuple(f"camera{n}" for n in range(1, count + 1))


def driver(address: Address, wishes: Wishes) -> Callable[[], Camera]:
    """What makes a driver for an address."""
    if address.kind == "genicam":
        return lambda: GenicamCamera(address.where, wishes)
    if address.kind == "producer":
        return lambda: ProducerCamera(address.where, wishes)
    return lambda: StreamCamera(Kind(address.kind), address.where, wishes)


def check_installed(addresses: Sequence[Address]) -> None:
    """Raises CameraTrouble, with how to install it, when a camera needs an extra that is not there."""
    kinds = {a.kind for a in addresses}
    if "genicam" in kinds:
        genicam_find.library()
    if "producer" in kinds:
        producer.library()


def can_trigger(addresses: Sequence[Address]) -> bool:
    """Whether all of these cameras take software triggers."""
    return all(a.kind in ("genicam", "producer") for a in addresses)


def recorded(addresses: Sequence[Address]) -> bool:
    """Whether all of them are recordings, whose frames belong together by number."""
    return all(a.kind in (Kind.VIDEO.value, Kind.SEQUENCE.value) for a in addresses)


def resolved(addresses: Sequence[Address], wishes: Wishes) -> Wishes:
    """The wishes with the trigger decided: together by software wherever all cameras can.

    Raises BadInput for a trigger that these cameras can't have.
    """
    if wishes.trigger is None:
        several = len(addresses) > 1 and can_trigger(addresses)
        return replace(wishes, trigger="software" if several else "free")
    if wishes.trigger != "free" and not can_trigger(addresses):
        which = next(a.given for a in addresses if a.kind not in ("genicam", "producer"))
        raise bad_input("cannot-trigger", given=which)
    return wishes
