"""Files become shots: names worked out, frames paired. The same way for a live and a finished folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from holdstill.limits import limit
from holdstill.records import FrameFile, Shot

from .listing import Found
from .names import LEFT, RIGHT, NamePattern, camera_order, given_pattern, tokens_of, work_out
from .pairing import Arrival, Complaint, Complete, Pairing
from .refusals import words

_ENOUGH_TO_DOUBT = 6
"""Frames without a single complete shot after which the pattern is looked at again."""


@dataclass(frozen=True, slots=True)
class Held:
    """A file taken in before the pattern of the names was known; times in seconds."""

    found: Found
    seen_s: float


class Grouping:
    """Takes settled files and gives shots. Pure but for the time handed in.

    pattern
        As the user gave it, or None to work it out.
    cameras
        How many cameras there are, when that is known beforehand.
    """

    def __init__(self, where: Path, pattern: str | None = None, cameras: int | None = None) -> None:
        self._where = where
        self._given = given_pattern(pattern, [], str(where)) if pattern is not None else None
        self._count = cameras
        self._held: list[Held] = []
        self._pattern: NamePattern | None = None
        self._pairing: Pairing | None = None
        self._unpaired: list[Held] = []
        """Everything taken in since the pattern was settled, until a first shot is complete."""
        self._shots = 0

    @property
    def cameras(self) -> tuple[str, ...]:
        """Cameras in order; empty until known."""
        return self._pairing.cameras if self._pairing is not None else ()

    @property
    def template(self) -> str | None:
        """The pattern of the names as shown to people; None until known."""
        return self._pattern.template if self._pattern is not None else None

    @property
    def overwritten(self) -> bool:
        """True when each shot overwrites the files of the one before."""
        return self._pairing is not None and self._pairing.overwritten

    def add(self, found: Sequence[Found], now_s: float) -> tuple[list[Shot], list[Complaint]]:
        """Take in settled files, several at once where they were found at once."""
        held = [Held(f, now_s) for f in found]
        if self._pairing is None:
            self._held += held
            return self._settle(now_s)
        if self._shots == 0:
            self._unpaired += held
            if len(self._unpaired) >= _ENOUGH_TO_DOUBT and self._mistaken():
                self._held, self._unpaired, self._pairing = self._unpaired, [], None
                return self._settle(now_s, certain=True)
        return self._pair(held)

    def _mistaken(self) -> bool:
        """True when the frames seen since fall into shots by another pattern, or only by time."""
        if self._given is not None or self._pattern is None:
            return False
        fresh = self._work_out(self._unpaired)
        return fresh is not None and (fresh.by_time, fresh.cameras) != (self._pattern.by_time, self.cameras)

    def due_s(self, now_s: float) -> float | None:
        """When `tick` will next have something to do; None when it has nothing to wait for."""
        if self._pairing is not None:
            return self._pairing.next_due_s(limit("intake_partner_wait_s"))
        if not self._held:
            return None
        return self._held[-1].seen_s + self._patience(self._work_out(self._held))

    def tick(self, now_s: float) -> tuple[list[Shot], list[Complaint]]:
        """What the passing of time alone brings: a pattern settled, frames found odd."""
        if self._pairing is None:
            return self._settle(now_s)
        return [], self._pairing.overdue(now_s, limit("intake_partner_wait_s"))

    def whole(self, found: Sequence[Found]) -> tuple[list[Shot], list[Complaint]]:
        """All files of a finished folder at once; every odd frame is told."""
        self._held = [Held(f, 0.0) for f in found]
        shots, complaints = self._settle(0.0, certain=True)
        if self._pairing is not None:
            complaints = complaints + self._pairing.overdue(0.0, 0.0)
        return shots, complaints

    def _work_out(self, held: Sequence[Held]) -> NamePattern | None:
        if self._given is not None:
            return self._given
        names = [h.found.name for h in held]
        return work_out(names, {h.found.name: h.found.written_ns / 1e9 for h in held})

    def _cameras_in(self, pattern: NamePattern, held: Sequence[Held]) -> tuple[str, ...]:
        read = [pattern.read(h.found.name) for h in held]
        return tuple(sorted({r.camera for r in read if r is not None}, key=camera_order))

    def _patience(self, pattern: NamePattern | None) -> float:
        """Quiet time (s) to wait before a pattern that is not certain is taken."""
        several = pattern is not None and len(self._cameras_in(pattern, self._held)) > 1
        return limit("intake_first_shot_wait_s" if several else "intake_lone_file_wait_s")

    def _settle(self, now_s: float, *, certain: bool = False) -> tuple[list[Shot], list[Complaint]]:
        """Fix the pattern and the cameras once nothing more can change them, and pair what is held."""
        pattern = self._work_out(self._held)
        if pattern is None or not self._held:
            return [], []
        cameras = self._cameras_in(pattern, self._held)
        quiet = now_s - self._held[-1].seen_s >= self._patience(pattern)
        if not cameras:
            if not (quiet or certain):
                return [], []
            complaints = [self._no_match(h, pattern.example) for h in self._held]
            self._held = []
            return [], complaints
        if not (certain or quiet or self._certain(pattern, cameras)):
            return [], []
        self._pattern = pattern
        self._pairing = Pairing(cameras, by_time=pattern.by_time, overwritten=pattern.overwritten)
        held, self._held = self._held, []
        self._unpaired = list(held)
        if pattern.by_time:
            held.sort(key=lambda h: h.found.written_ns)
        return self._pair(held)

    def _certain(self, pattern: NamePattern, cameras: tuple[str, ...]) -> bool:
        if self._count is not None:
            return len(cameras) == self._count and (pattern.sure or len(cameras) > 1)
        if len(cameras) == 1:
            return pattern.sure and (self._given is None or "{camera}" not in pattern.template)
        sides = {t.casefold() for c in cameras for t in tokens_of(c)}
        if len(cameras) == 2 and sides & LEFT and sides & RIGHT:
            return True
        return pattern.sure and len(self._held) >= 2 * len(cameras)

    def _pair(self, held: Sequence[Held]) -> tuple[list[Shot], list[Complaint]]:
        assert self._pairing is not None
        assert self._pattern is not None
        shots: list[Complete] = []
        complaints: list[Complaint] = []
        for one in held:
            reading = self._pattern.read(one.found.name)
            if reading is None:
                complaints.append(self._no_match(one, self._pattern.example))
                continue
            arrival = Arrival(
                one.found.name, one.found.path, reading.camera, reading.key, reading.label,
                one.found.written_ns / 1e9, one.seen_s,
            )  # fmt: skip
            complete, refused = self._pairing.add(arrival)
            shots += complete
            complaints += refused
        if len(held) > 1 and not self._pairing.by_time:
            shots.sort(key=lambda c: next(iter(c.frames.values())).key)
        return [self._shot(c) for c in shots], complaints

    def _no_match(self, held: Held, example: str) -> Complaint:
        name = held.found.name
        return Complaint(name, None, words("no-match", name=name, example=example))

    def _shot(self, complete: Complete) -> Shot:
        self._shots += 1
        self._unpaired = []
        originals = {
            camera: FrameFile(camera=camera, path=a.path, name=a.name, taken_at_ms=1000.0 * a.written_s)
            for camera, a in complete.frames.items()
        }
        taken = min(o.taken_at_ms for o in originals.values())
        name = f"{complete.label} {self._shots}" if self.overwritten else complete.label
        return Shot(self._shots, name, taken, originals, single=True)
