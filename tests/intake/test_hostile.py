"""Hostile files: mutated pictures are read or refused in words, quickly, and never anything else."""

from __future__ import annotations

import contextlib
import io
import struct
import time
import zlib
from collections import Counter

import cv2
import numpy as np
import pytest
import tifffile

from holdstill.errors import BadFrame
from holdstill.intake.decode import decode
from holdstill.records import FrameBytes

SLOWEST_S = 3.0
"""CPU time that no small file may take: the honest ones take a millisecond."""


def _tiff(image: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, image, **options)
    return out.getvalue()


def seeds() -> dict[str, bytes]:
    """A real file of every format and flavour, about 4 kB each."""
    rng = np.random.default_rng(2)
    grey = cv2.GaussianBlur(rng.integers(0, 256, (60, 72)).astype(np.uint8), (0, 0), 1.5)
    deep = grey.astype(np.uint16) * 16
    colour = np.dstack([grey, grey[::-1], grey[:, ::-1]])
    out = {f"{n}": cv2.imencode(n, grey)[1].tobytes() for n in (".png", ".bmp", ".pgm", ".jpg")}
    out |= {f"deep {n}": cv2.imencode(n, deep)[1].tobytes() for n in (".png", ".pgm")}
    out |= {f"colour {n}": cv2.imencode(n, colour)[1].tobytes() for n in (".png", ".bmp", ".ppm", ".jpg")}
    progressive = [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]
    out["progressive .jpg"] = cv2.imencode(".jpg", grey, progressive)[1].tobytes()
    out["tif"] = _tiff(deep)
    out["tif big-endian"] = _tiff(grey, byteorder=">")
    out["tif big"] = _tiff(grey, bigtiff=True)
    out["tif tiled"] = _tiff(grey, tile=(32, 32), compression="zlib")
    out["tif strips"] = _tiff(deep, rowsperstrip=5, compression="lzw", predictor=True)
    out["tif packbits"] = _tiff(grey, compression="packbits")
    out["tif colour"] = _tiff(colour, photometric="rgb")
    return out


def mend_png(data: bytes) -> bytes:
    """Make every chunk's check sum true again, so that the damage reaches the decoder."""
    out, at = bytearray(data), 8
    while at + 12 <= len(out):
        (length,) = struct.unpack_from(">I", out, at)
        end = at + 12 + length
        if end > len(out):
            break
        struct.pack_into(">I", out, end - 4, zlib.crc32(out[at + 4 : end - 4]))
        at = end
    return bytes(out)


def mutate(data: bytes, rng: np.random.Generator) -> bytes:
    """One to four mutations: bytes changed, numbers made extreme, parts cut, doubled or zeroed."""
    out = bytearray(data)
    for _ in range(rng.integers(1, 5)):
        # the first bytes hold the structure: hit them more often
        reach = min(len(out), 64 if rng.random() < 0.5 else len(out)) or 1
        at = int(rng.integers(0, reach))
        match rng.integers(0, 7):
            case 0:
                out[at : at + 1] = rng.bytes(1)
            case 1:
                size = int(rng.choice([2, 4, 8]))
                worst = [0, 1, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, 2**63 - 1, 65535, 40000]
                number = int(rng.choice(np.array(worst, dtype=np.uint64))) % (1 << (8 * size))
                out[at : at + size] = number.to_bytes(size, str(rng.choice(["little", "big"])))
            case 2:
                del out[at + 1 :]
            case 3:
                del out[at : at + int(rng.integers(1, 40))]
            case 4:
                piece = out[at : at + int(rng.integers(1, 200))]
                out[at:at] = piece * int(rng.integers(1, 4))
            case 5:
                end = at + int(rng.integers(1, 2000))
                out[at:end] = bytes(len(out[at:end]))
            case _:
                out[at:at] = rng.bytes(int(rng.integers(1, 40)))
    fixed = bytes(out)
    return mend_png(fixed) if fixed.startswith(b"\x89PNG") and rng.random() < 0.7 else fixed


def run(count: int, seed: int) -> tuple[Counter[str], float]:
    """Outcomes of `count` mutated files, and the longest CPU time one took (s)."""
    rng = np.random.default_rng(seed)
    pool = list(seeds().values())
    outcomes: Counter[str] = Counter()
    slowest = 0.0
    for number in range(count):
        data = mutate(pool[number % len(pool)], rng)
        began = time.process_time()
        try:
            frame = decode(FrameBytes("left", "fuzzed.png", 0.0, data=data))
        except BadFrame as trouble:
            words = str(trouble)
            outcomes["refused" if "fuzzed.png" in words and "\n" not in words else "unclear"] += 1
        else:
            assert frame.image.ndim == 2
            assert frame.image.dtype in (np.uint8, np.uint16)
            assert 0 < frame.image.size <= 160e6
            assert int(frame.image.max()) <= frame.full_scale or frame.image.dtype == np.uint16
            outcomes["read"] += 1
        slowest = max(slowest, time.process_time() - began)
    return outcomes, slowest


def test_the_seeds_themselves_are_read():
    for name, data in seeds().items():
        assert decode(FrameBytes("left", name, 0.0, data=data)).image.shape == (60, 72), name


def test_ten_thousand_mutated_files_are_read_or_refused():
    outcomes, slowest = run(10_000, seed=20261125)
    print(dict(outcomes), f"slowest {1000 * slowest:.1f} ms")
    assert outcomes["read"] + outcomes["refused"] == 10_000
    assert outcomes["read"] > 500
    assert outcomes["refused"] > 5000
    assert slowest < SLOWEST_S


def test_a_tiff_of_a_hundred_thousand_pages_is_refused_at_once():
    page = struct.pack("<HHHII", 1, 256, 4, 1, 16)  # one field and the next page's place
    size = len(page) + 2
    head = b"II*\0" + struct.pack("<I", 8)
    body = b"".join(page[:14] + struct.pack("<I", 8 + size * (n + 1)) for n in range(100_000))
    began = time.process_time()
    with pytest.raises(BadFrame):
        decode(FrameBytes("left", "pages.tif", 0.0, data=head + body + bytes(32)))
    assert time.process_time() - began < 0.5


def test_a_tiff_whose_pages_go_round_in_a_circle_ends():
    data = bytearray(_tiff(np.full((16, 16), 9, np.uint8)))
    (first,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, first)
    struct.pack_into("<I", data, first + 2 + 12 * count, first)
    with pytest.raises(BadFrame, match="several pictures"):
        decode(FrameBytes("left", "round.tif", 0.0, data=bytes(data)))


def test_a_deflate_bomb_in_a_tiff_does_not_grow():
    import resource

    bomb = zlib.compress(bytes(200_000_000), 9)
    fields = [
        (256, 64),
        (257, 64),
        (258, 8),
        (259, 8),
        (262, 1),
        (273, 0),
        (277, 1),
        (278, 64),
        (279, len(bomb)),
    ]
    place = 8 + 2 + 12 * len(fields) + 4
    entries = b"".join(struct.pack("<HHII", k, 4, 1, place if k == 273 else v) for k, v in fields)
    data = b"II*\0" + struct.pack("<IH", 8, len(fields)) + entries + struct.pack("<I", 0) + bomb
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with contextlib.suppress(BadFrame):
        decode(FrameBytes("left", "bomb.tif", 0.0, data=data))
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert grown_mb < 100


def test_a_png_with_a_compressed_text_bomb_is_read_without_it():
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    plain = seeds()[".png"]
    bomb = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(100_000_000), 9))
    data = plain[:33] + bomb + plain[33:]
    assert np.array_equal(
        decode(FrameBytes("a", "x.png", 0.0, data=data)).image,
        decode(FrameBytes("a", "y.png", 0.0, data=plain)).image,
    )


def test_a_progressive_jpeg_with_endless_scans_is_refused_at_once():
    data = seeds()["progressive .jpg"]
    at = data.rindex(b"\xff\xda")
    scan = data[at : data.rindex(b"\xff\xd9")]
    began = time.process_time()
    with pytest.raises(BadFrame, match="more than 100 scans"):
        decode(FrameBytes("left", "scans.jpg", 0.0, data=data[:at] + scan * 5000 + b"\xff\xd9"))
    assert time.process_time() - began < 1.0
