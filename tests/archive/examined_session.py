"""A small session on disk with originals, for tests of the doctor and of packing."""

from __future__ import annotations

from pathlib import Path

from holdstill.archive import Journal, Originals
from holdstill.records import FrameBytes, Plate, PlateKind, Rig, View
from holdstill.records import events as ev

PLATE = Plate(PlateKind.DOTS, 14, 10, 12.0)


def made(folder: Path, views: int, name: str = "fork") -> Path:
    """A closed session with so many views, each with two originals; its folder."""
    originals = Originals(folder / "originals", preview_of=lambda path: b"", png_of=lambda path: b"")
    with Journal.create(folder) as journal:
        journal.append(ev.SessionOpened(1.7e12, name, "ab", PLATE, Rig(), ("left", "right"), True))
        for number in range(1, views + 1):
            frames = {c: f"{c} {number}".encode() * 99 for c in ("left", "right")}
            kept = {c: originals.keep(FrameBytes(c, f"{c}.png", 0.0, data=d)) for c, d in frames.items()}
            at = 1.7e12 + 1000.0 * number
            journal.append(ev.ViewKept(at, View(number, f"{number:02d}", at, {}, originals=kept), None))
    return folder
