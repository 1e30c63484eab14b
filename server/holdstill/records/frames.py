"""Pictures on their way in: a frame per camera, a shot per instant."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One camera's picture, decoded.

    image
        uint8 or uint16 (rows, columns), grey, as the camera delivered it (colour already reduced).
    full_scale
        Largest value the picture's format can carry (255, 4095, 65535), declared or worked out.
    exposure_ms, gain_db
        As the source tells, or None.
    digest
        SHA-256 of the original bytes, hex; the name under which the original is kept.
    """

    camera: str
    image: Picture
    full_scale: int
    name: str
    taken_at_ms: float
    digest: str
    exposure_ms: float | None = None
    gain_db: float | None = None
    notes: tuple[str, ...] = ()
    """Things worth telling that did not stop the frame, e.g. ``"colour reduced to grey"``."""


@dataclass(frozen=True, slots=True)
class FrameFile:
    """Where an original waits, not yet decoded: a file that has settled."""

    camera: str
    path: Path
    name: str
    taken_at_ms: float


@dataclass(frozen=True, slots=True, eq=False)
class FrameBytes:
    """An original in memory: either encoded (`data`) or a raw picture (`image`)."""

    camera: str
    name: str
    taken_at_ms: float
    data: bytes | None = None
    image: Picture | None = None
    full_scale: int | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None


Original = FrameFile | FrameBytes


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One frame per camera at one instant (some cameras may be missing).

    `single` is True when the picture was taken on purpose by a camera program (files); False when
    it is one instant of a stream from which the coach picks.
    """

    number: int
    name: str
    taken_at_ms: float
    originals: Mapping[str, Original]
    single: bool
    facts: Mapping[str, Any] = field(default_factory=dict)
    """What the source knows besides: simulated truth for tests and demo pages, trigger ids."""


def picture_digest(image: Picture) -> str:
    """SHA-256 (hex) of a raw picture: a line naming shape and dtype, then the samples, little-endian."""
    kind = "u1" if image.dtype == np.uint8 else "u2"
    told = f"{'x'.join(str(n) for n in image.shape)} {kind}\n".encode()
    return hashlib.sha256(told + np.ascontiguousarray(image, dtype=f"<{kind}").tobytes()).hexdigest()
