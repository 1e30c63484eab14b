"""An original becomes a frame: bounded in bytes and pixels, grey, with its full scale worked out."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

import numpy as np

from holdstill.errors import BadFrame
from holdstill.limits import limit
from holdstill.records import Frame, FrameBytes, FrameFile, Original, Picture, picture_digest

from .formats import Header, read_header, read_pixels
from .refusals import bad_frame, shown, unfinished

_OPENING = os.O_RDONLY
for _flag in ("O_NOFOLLOW", "O_NONBLOCK", "O_BINARY"):  # not every system has each
    _OPENING |= getattr(os, _flag, 0)
_SHADES = 16
"""Fewest different values that make a picture, and not a drawing."""
_GREY_OF_BGR = (0.114, 0.587, 0.299)  # ITU-R BT.601, section 2.5.1


def read_bytes(path: Path, name: str) -> bytes:
    """The bytes of a picture file, never through a link, a pipe or a device. Raises BadFrame."""
    try:
        handle = os.open(path, _OPENING)
    except FileNotFoundError:
        raise bad_frame("gone", name=name) from None
    except PermissionError:
        raise bad_frame("no-permission", name=name) from None
    except OSError as trouble:
        key = "link" if os.path.islink(path) else "unreadable"
        raise bad_frame(key, name=name, reason=trouble.strerror or "unknown trouble") from None
    try:
        with os.fdopen(handle, "rb") as file:
            facts = os.fstat(file.fileno())
            if not stat.S_ISREG(facts.st_mode):
                raise bad_frame("not-a-file", name=name)
            most = int(limit("intake_file_bytes_max"))
            if facts.st_size > most:
                raise _too_many_bytes(name, facts.st_size)
            return file.read(most)
    except OSError as trouble:
        raise bad_frame("unreadable", name=name, reason=trouble.strerror or "unknown trouble") from None


def _too_many_bytes(name: str, size: int) -> BadFrame:
    most = int(limit("intake_file_bytes_max"))
    return bad_frame("too-many-bytes", name=name, got_mb=size // 10**6, most_mb=most // 10**6)


def check(data: bytes, name: str) -> Header:
    """The header of an encoded picture, complete as far as can be told without decoding.

    Raises Unfinished (looks half-written: try again when the file changes) or BadFrame.
    """
    head = read_header(data, name)
    if head.raw is not None:
        offset, size = head.raw
        tail = size - len(data[offset : offset + size].rstrip(b"\0"))
        if tail >= min(limit("intake_zero_tail_bytes"), size):
            _refuse_zero_tail(data, head, name, tail)
    return head


def _refuse_zero_tail(data: bytes, head: Header, name: str, tail: int) -> None:
    """Refuse plain pixels that end in zeros, unless the rest of the picture has black pixels too."""
    assert head.raw is not None
    offset, size = head.raw
    if tail >= size:
        raise unfinished("all-zero", name=name)
    sample = np.dtype(np.uint16 if head.bits == 16 else np.uint8)
    written = np.frombuffer(data, sample, max((size - tail) // sample.itemsize, 1), offset)
    elsewhere = 1.0 - np.count_nonzero(written) / written.size
    if elsewhere <= limit("intake_zero_share_elsewhere"):
        end = offset + size
        raise unfinished("zero-tail", name=name, kind=head.kind, got=end - tail, wanted=end)


def grey(image: Picture) -> tuple[Picture, tuple[str, ...]]:
    """`image` as (rows, columns) of the same dtype, and what was done to it in words.

    Three channels (BGR) are weighted as in ITU-R BT.601; equal channels are taken as one, exactly.
    """
    if image.ndim == 2:
        return image.copy("C"), ()
    if image.shape[2] <= 2:
        return image[:, :, 0].copy("C"), ("transparency left out",) if image.shape[2] == 2 else ()
    blue, green, red = image[:, :, 0], image[:, :, 1], image[:, :, 2]
    if np.array_equal(blue, green) and np.array_equal(green, red):
        return green.copy("C"), ("three equal channels read as grey",)
    b, g, r = _GREY_OF_BGR
    mixed = np.rint(b * blue.astype(np.float32) + g * green.astype(np.float32) + r * red.astype(np.float32))
    return mixed.astype(image.dtype), ("colour reduced to grey",)


def work_out_full_scale(image: Picture) -> int:
    """Largest value that 8- or 16-bit samples can carry, worked out from the picture.

    8-bit: 255. 16-bit: where the low 8, 6, 4 or 2 bits are zero throughout (and the picture has more
    than a few shades), data shifted up (65280, 65472, 65520, 65532); else 4095, 16383 or 65535, the
    smallest not exceeded; 1023 only where pixels pile up exactly there. A dim 14-bit picture passes
    for 12-bit: declare the full scale where that matters.
    """
    if image.dtype == np.uint8:
        return 255
    used = int(np.bitwise_or.reduce(image, axis=None))
    # a drawing of a few flat greys may end in zeros by chance; a photograph does not
    rows = image[:: max(1, len(image) // 64)]
    varied = used > 0 and used % 4 == 0 and len(np.unique(rows)) >= _SHADES
    for shift in (8, 6, 4, 2):
        if varied and used % (1 << shift) == 0:
            return ((1 << (16 - shift)) - 1) << shift
    top = int(image.max())
    if top == 1023 and np.count_nonzero(image == 1023) >= limit("intake_ten_bit_pile_share") * image.size:
        return 1023
    return 4095 if top <= 4095 else 16383 if top <= 16383 else 65535


def decode(original: Original, *, full_scale: int | None = None) -> Frame:
    """The frame of an original: uint8 or uint16 (rows, columns), grey.

    `full_scale` declares the largest value the camera can deliver; otherwise it is taken from the
    file where it says so, or worked out. The digest is SHA-256 of the original bytes (of a raw
    picture: of its samples, little-endian row by row, after a line naming shape and dtype).
    Raises BadFrame (in words) for anything that can't be used.
    """
    if isinstance(original, FrameBytes) and original.image is not None:
        return _from_image(original, full_scale)
    name = shown(original.name)
    data = read_bytes(original.path, name) if isinstance(original, FrameFile) else (original.data or b"")
    if len(data) > limit("intake_file_bytes_max"):
        raise _too_many_bytes(name, len(data))
    try:
        head = check(data, name)
        stored = read_pixels(data, head, name)
    except BadFrame:
        raise
    except Exception as trouble:  # a decoder's own failure on a hostile file is still only a bad file
        raise bad_frame("undecodable", name=name, kind=type(trouble).__name__) from trouble
    image, notes = grey(stored)
    if image.shape != (head.height_px, head.width_px) or image.dtype not in (np.uint8, np.uint16):
        raise bad_frame("undecodable", name=name, kind=head.kind)
    told = original if isinstance(original, FrameBytes) else None
    declared = full_scale or (told.full_scale if told else None) or head.full_scale
    scale = declared if declared and declared >= int(image.max(initial=0)) else work_out_full_scale(image)
    return Frame(
        camera=original.camera,
        image=image,
        full_scale=scale,
        name=original.name,
        taken_at_ms=original.taken_at_ms,
        digest=hashlib.sha256(data).hexdigest(),
        exposure_ms=told.exposure_ms if told else None,
        gain_db=told.gain_db if told else None,
        notes=head.notes + notes,
    )


def _from_image(original: FrameBytes, full_scale: int | None) -> Frame:
    """The frame of a raw picture in memory."""
    assert original.image is not None
    name = shown(original.name)
    if original.image.dtype not in (np.uint8, np.uint16) or original.image.ndim not in (2, 3):
        raise bad_frame("wrong-array", name=name, kind=f"{original.image.dtype} {original.image.shape}")
    if original.image.size == 0:
        raise bad_frame("no-pixels", name=name, kind="picture", width_px=0, height_px=0)
    image, notes = grey(original.image)
    declared = full_scale or original.full_scale
    return Frame(
        camera=original.camera,
        image=image,
        full_scale=declared or work_out_full_scale(image),
        name=original.name,
        taken_at_ms=original.taken_at_ms,
        digest=picture_digest(original.image),
        exposure_ms=original.exposure_ms,
        gain_db=original.gain_db,
        notes=notes,
    )
