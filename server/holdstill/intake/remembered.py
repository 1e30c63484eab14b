"""Which camera is left, which is right, and which way up: remembered from session to session."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

FILE = "cameras.json"
_MOST_RIGS = 200


@dataclass(frozen=True, slots=True)
class Placed:
    """A camera's address and by how much its pictures are turned, anticlockwise."""

    address: str
    turn_deg: int = 0


class Remembered:
    """A small file beside the sessions: for each set of cameras, their order and turns.

    A file that can't be read or written costs the memory and nothing else.
    """

    def __init__(self, home: Path) -> None:
        self._path = home / FILE

    def recall(self, addresses: Sequence[str]) -> list[Placed] | None:
        """The order and turns these cameras had last; None when they were not seen together."""
        for rig in self._read():
            if sorted(p.address for p in rig) == sorted(addresses):
                return rig
        return None

    def keep(self, placed: Sequence[Placed]) -> bool:
        """Remember; False when the file could not be written."""
        same = sorted(p.address for p in placed)
        others = [rig for rig in self._read() if sorted(p.address for p in rig) != same]
        rigs = [list(placed), *others][:_MOST_RIGS]
        told = [[{"address": p.address, "turn_deg": p.turn_deg} for p in rig] for rig in rigs]
        waiting = self._path.with_suffix(".new")
        with contextlib.suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            waiting.write_text(json.dumps(told, indent=1), "utf-8")
            os.replace(waiting, self._path)
            return True
        return False

    def _read(self) -> list[list[Placed]]:
        try:
            told = json.loads(self._path.read_text("utf-8"))
            return [[_placed(p) for p in rig] for rig in told]
        except (OSError, ValueError, TypeError, KeyError):
            return []


def _placed(told: Mapping[str, object]) -> Placed:
    return Placed(str(told["address"]), int(str(told["turn_deg"])) % 360 // 90 * 90)
