"""Frames of one camera must stay of one depth: a change half-way shifts every level."""

from __future__ import annotations

from dataclasses import dataclass, field

from holdstill.records import Frame

from .refusals import bad_frame


@dataclass(slots=True)
class Depths:
    """The depth each camera began with, as stored (8 or 16 bits), and the frame that set it."""

    first: dict[str, tuple[int, str]] = field(default_factory=dict)

    def check(self, frame: Frame) -> Frame:
        """`frame` itself; the first frame of a camera sets its depth. Raises BadFrame for another."""
        bits = 8 * frame.image.dtype.itemsize
        wanted, name = self.first.setdefault(frame.camera, (bits, frame.name))
        if bits != wanted:
            raise bad_frame(
                "depth-changed", name=frame.name, camera=frame.camera, bits=bits, want_bits=wanted, first=name
            )
        return frame
