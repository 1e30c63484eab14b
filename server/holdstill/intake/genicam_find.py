"""GigE Vision and USB3 Vision cameras: which are there, and why one can't be used."""

from __future__ import annotations

import contextlib
import ipaddress
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from holdstill.records import Say

from .camera import CameraTrouble

SERIAL_AT, SERIAL_BYTES = 0x00D8, 16
"""Bootstrap register with the serial number (GigE Vision 2.0, table of bootstrap registers; from
memory)."""
CONTROL_AT = 0x0A00
"""Control channel privilege register: not zero while a program holds the camera (same table)."""
_WAIT_MS = 600
_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class Listed:
    """A camera that answered.

    address
        How to name it in ``--cameras``. `what`: maker, model, and where it is connected.
    why_not
        Why it can't be used now, and `remedy`; None when it can.
    """

    address: str
    what: str
    why_not: Say | None = None
    remedy: Say | None = None
    handle: Any = None


def library() -> Any:
    """The extra's library. Raises CameraTrouble when it is not installed."""
    try:
        import viva_genicam
    except ImportError:
        raise CameraTrouble("no-extra", for_good=True) from None
    return viva_genicam


def installed() -> bool:
    """Whether the extra for machine-vision cameras is installed."""
    with contextlib.suppress(CameraTrouble):
        library()
        return True
    return False


def gige_listed() -> list[Listed]:
    """Every GigE Vision camera that answers on any network of this machine, by serial number."""
    vg = library()
    with _lock:  # two searches at once would take each other's answers
        try:
            found = vg.discover(timeout_ms=_WAIT_MS, all=True)
        except vg.GenicamError as trouble:
            raise CameraTrouble("no-search", reason=_short(trouble)) from trouble
    return [_gige(vg, info) for info in found]


def _gige(vg: Any, info: Any) -> Listed:
    name = " ".join(part for part in (info.manufacturer, info.model) if part) or "?"
    try:
        with vg.connect_gige(info, monitor=True) as camera:
            serial = serial_of(vg, camera)
            held = int.from_bytes(camera.read_register(CONTROL_AT, 4), "big") != 0
    except vg.GenicamError as trouble:
        why = CameraTrouble("unreachable", address=info.ip, reason=_short(trouble))
        return Listed(f"gige:{info.ip}", f"{name}, {info.ip}", why.trouble, why.remedy, info)
    what = f"{name}, serial {serial}, {info.ip}" if serial else f"{name}, {info.ip}"
    address = f"gige:{serial or info.ip}"
    if held:
        why = CameraTrouble("held", address=address)
        return Listed(address, what, why.trouble, why.remedy, info)
    return Listed(address, what, handle=info)


def serial_of(vg: Any, camera: Any) -> str:
    """A camera's serial number: its feature of that name, or the bootstrap register; "" for none."""
    for name in ("DeviceSerialNumber", "DeviceID"):
        with contextlib.suppress(vg.GenicamError):
            text = str(camera.get(name)).strip("\0 ")
            if text:
                return text
    with contextlib.suppress(vg.GenicamError):
        told: bytes = camera.read_register(SERIAL_AT, SERIAL_BYTES)
        return told.split(b"\0")[0].decode("ascii", "replace").strip()
    return ""


def usb3_listed() -> list[Listed]:
    """Every USB3 Vision camera plugged in, by serial number."""
    vg = library()
    try:
        found = vg.discover_u3v()
    except vg.GenicamError as trouble:
        raise CameraTrouble("no-usb", reason=_short(trouble)) from trouble
    out = []
    for info in found:
        name = " ".join(part for part in (info.manufacturer, info.model) if part) or "?"
        serial = info.serial or f"{info.bus}-{info.address}"
        speed = f", {info.speed}" if info.speed else ""
        out.append(Listed(f"usb3:{serial}", f"{name}, serial {serial}{speed}", handle=info))
    return out


def find(address: str) -> Listed:
    """The camera of an address: ``gige:SERIAL``, ``gige:IP``, ``usb3:SERIAL`` or a serial alone.

    Raises CameraTrouble when it does not answer.
    """
    kind, _, name = address.rpartition(":")
    listed: Iterable[Listed] = ()
    if kind in ("", "gige"):
        listed = [*listed, *gige_listed()]
    if kind in ("", "usb3"):
        with contextlib.suppress(CameraTrouble) if kind == "" else contextlib.nullcontext():
            listed = [*listed, *usb3_listed()]
    for one in listed:
        ip = getattr(one.handle, "ip", None)
        if one.address.partition(":")[2] == name or ip == name:
            return one
    others = ", ".join(one.address for one in listed) or "–"
    raise CameraTrouble("not-found", address=address, others=others)


def foreign(ip: str, own: Iterable[str]) -> bool:
    """Whether a camera's address lies outside the networks of this machine (``a.b.c.d/n``)."""
    networks = [ipaddress.ip_network(net, strict=False) for net in own]
    return bool(networks) and all(ipaddress.ip_address(ip) not in net for net in networks)


def _short(trouble: Exception) -> str:
    return str(trouble).splitlines()[0][:120]
