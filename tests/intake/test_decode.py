"""Originals become frames, and what can't be used is refused with the reason."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from holdstill.errors import BadFrame
from holdstill.intake.decode import check, decode, work_out_full_scale
from holdstill.intake.refusals import Unfinished
from holdstill.records import FrameBytes, FrameFile

RNG = np.random.default_rng(7)
GREY8 = RNG.integers(20, 230, (96, 128)).astype(np.uint8)
GREY12 = RNG.integers(100, 4096, (96, 128)).astype(np.uint16)
COLOUR = RNG.integers(0, 256, (96, 128, 3)).astype(np.uint8)


def encoded(suffix: str, image: np.ndarray) -> bytes:
    ok, data = cv2.imencode(suffix, image)
    assert ok
    return data.tobytes()


def tiff(image: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, image, **options)
    return out.getvalue()


def from_bytes(data: bytes, name: str = "left_0001.tif") -> FrameBytes:
    return FrameBytes(camera="left", name=name, taken_at_ms=5.0, data=data)


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".pgm", ".tif"])
def test_lossless_formats_give_the_very_samples(suffix):
    frame = decode(from_bytes(encoded(suffix, GREY8)))
    assert frame.image.dtype == np.uint8
    assert np.array_equal(frame.image, GREY8)
    assert frame.full_scale == 255
    assert frame.notes == ()


@pytest.mark.parametrize("suffix", [".png", ".pgm", ".tif"])
def test_twelve_bits_in_sixteen_both_ways(suffix):
    low = decode(from_bytes(encoded(suffix, GREY12)))
    high = decode(from_bytes(encoded(suffix, (GREY12 << 4).astype(np.uint16))))
    assert np.array_equal(low.image, GREY12)
    assert low.full_scale == 4095
    assert np.array_equal(high.image, GREY12 << 4)
    assert high.full_scale == 65520


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"byteorder": ">"},
        {"compression": "lzw"},
        {"compression": "zlib", "predictor": True},
        {"compression": "packbits"},
        {"rowsperstrip": 7},
        {"rowsperstrip": 7, "compression": "lzw"},
        {"tile": (32, 32)},
        {"tile": (32, 32), "compression": "zlib"},
        {"bigtiff": True},
    ],
    ids=str,
)
@pytest.mark.parametrize("image", [GREY8, GREY12], ids=["8 bit", "12 in 16"])
def test_tiff_in_its_flavours(image, options):
    assert np.array_equal(decode(from_bytes(tiff(image, **options))).image, image)


@pytest.mark.parametrize("options", [{}, {"compression": "lzw"}], ids=str)
def test_white_is_zero_is_turned(options):
    frame = decode(from_bytes(tiff(GREY8, photometric="miniswhite", **options)))
    assert np.array_equal(frame.image, 255 - GREY8)
    assert "white is zero: turned" in frame.notes


def test_a_tiff_with_a_reduced_copy_is_one_picture():
    out = io.BytesIO()
    with tifffile.TiffWriter(out) as writer:
        writer.write(GREY8)
        writer.write(GREY8[::4, ::4].copy(), subfiletype=1)
    assert np.array_equal(decode(from_bytes(out.getvalue())).image, GREY8)


def test_jpeg_keeps_size_and_ignores_its_orientation_tag():
    smooth = cv2.GaussianBlur(GREY8, (0, 0), 3)
    data = encoded(".jpg", smooth)
    tagged = (
        data[:2]
        + bytes.fromhex("ffe10022")
        + b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0"
        + data[2:]
    )
    frame = decode(from_bytes(tagged))
    assert frame.image.shape == smooth.shape
    assert np.abs(frame.image.astype(int) - smooth).max() < 12


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".ppm", ".tif"])
def test_colour_becomes_grey_and_says_so(suffix):
    frame = decode(from_bytes(encoded(suffix, COLOUR)))
    wanted = cv2.cvtColor(COLOUR, cv2.COLOR_BGR2GRAY)
    assert np.abs(frame.image.astype(int) - wanted).max() <= 1
    assert "colour reduced to grey" in frame.notes


def test_grey_saved_as_colour_is_read_exactly():
    frame = decode(from_bytes(encoded(".png", np.repeat(GREY8[:, :, None], 3, axis=2))))
    assert np.array_equal(frame.image, GREY8)
    assert "three equal channels read as grey" in frame.notes


def test_digest_is_of_the_original_bytes(tmp_path):
    data = encoded(".png", GREY8)
    path = tmp_path / "left_0001.png"
    path.write_bytes(data)
    frame = decode(FrameFile(camera="left", path=path, name=path.name, taken_at_ms=9.0))
    assert frame.digest == hashlib.sha256(data).hexdigest()
    assert (frame.camera, frame.name, frame.taken_at_ms) == ("left", "left_0001.png", 9.0)


def test_raw_picture_with_declared_full_scale():
    frame = decode(
        FrameBytes(
            camera="right", name="live 7", taken_at_ms=1.0, image=GREY12, full_scale=4095, exposure_ms=4.0
        )
    )
    assert frame.full_scale == 4095
    assert frame.exposure_ms == 4.0
    again = decode(FrameBytes(camera="right", name="live 8", taken_at_ms=2.0, image=GREY12.copy()))
    assert again.digest == frame.digest
    assert (
        decode(FrameBytes(camera="right", name="live 9", taken_at_ms=3.0, image=GREY12 + 1)).digest
        != frame.digest
    )


@pytest.mark.parametrize(
    ("image", "wanted"),
    [
        (np.array([[0, 255]], np.uint8), 255),
        (np.array([[3, 800]], np.uint16), 4095),
        (np.array([[3, 1023, 1023, 7]], np.uint16), 1023),
        (np.array([[3, 16383]], np.uint16), 16383),
        (np.array([[3, 16384]], np.uint16), 65535),
        (np.arange(100, dtype=np.uint16)[None] * 304, 65520),
        (np.arange(100, dtype=np.uint16)[None] * 512, 65280),
        (np.arange(100, dtype=np.uint16)[None] * 16, 65520),
        (np.arange(100, dtype=np.uint16)[None] * 44, 65532),
        (np.array([[600, 3500]], np.uint16), 4095),
        (np.array([[0, 0]], np.uint16), 4095),
    ],
)
def test_full_scale_is_worked_out(image, wanted):
    assert work_out_full_scale(image) == wanted


def test_declared_full_scale_of_a_pgm_is_believed():
    data = b"P5\n# 10-bit camera\n4 2\n1023\n" + np.array([5, 6, 7, 8, 9, 10, 11, 12], ">u2").tobytes()
    assert decode(from_bytes(data)).full_scale == 1023


ALL = {
    "png": encoded(".png", GREY8),
    "bmp": encoded(".bmp", GREY8),
    "pgm": encoded(".pgm", GREY8),
    "jpg": encoded(".jpg", GREY8),
    "tif": tiff(GREY8),
    "tif lzw": tiff(GREY12, compression="lzw"),
    "tif deflate": tiff(GREY12, compression="zlib"),
}


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_refused_as_unfinished(kind, share):
    data = ALL[kind]
    with pytest.raises(Unfinished, match=r"left_0001\.tif"):
        decode(from_bytes(data[: int(len(data) * share)]))


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_file_reserved_and_partly_written_is_refused(kind, share):
    data = ALL[kind]
    keep = int(len(data) * share)
    with pytest.raises(BadFrame):
        decode(from_bytes(data[:keep] + b"\0" * (len(data) - keep)))


@pytest.mark.parametrize("kind", ALL)
def test_a_file_reserved_and_never_written_is_refused(kind):
    with pytest.raises(Unfinished, match="all zero"):
        decode(from_bytes(b"\0" * len(ALL[kind])))


@pytest.mark.parametrize("kind", ["bmp", "pgm", "tif"])
def test_a_black_picture_is_refused(kind):
    black = {"bmp": encoded(".bmp", GREY8 * 0), "pgm": encoded(".pgm", GREY8 * 0), "tif": tiff(GREY8 * 0)}[
        kind
    ]
    with pytest.raises(Unfinished, match="black throughout"):
        decode(from_bytes(black))


def test_a_dark_scene_with_black_at_the_end_is_kept():
    scene = RNG.integers(0, 3, (200, 200)).astype(np.uint8)
    scene[100:] = 0
    assert np.array_equal(decode(from_bytes(tiff(scene))).image, scene)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"GIF89a" + b"x" * 100, "not a picture that can be read"),
        (b"%PDF-1.7 ....", "not a picture that can be read"),
        (tiff(np.stack([GREY8, GREY8]), photometric="minisblack"), "several pictures"),
        (tiff(GREY8.astype(np.float32)), "floating point"),
        (tiff(GREY12.astype(np.uint32)), "32-bit"),
        (b"P5 70000 70000 255 ", "70000 by 70000"),
        (b"P5 0 10 255 ", "no picture in it"),
    ],
    ids=["empty", "gif", "pdf", "pages", "float", "32 bit", "giant", "no pixels"],
)
def test_each_trouble_has_its_own_words(data, words):
    with pytest.raises(BadFrame, match=words) as told:
        decode(from_bytes(data))
    assert "left_0001.tif" in str(told.value)


def test_a_giant_png_is_refused_by_its_header_alone():
    import struct
    import time
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 65535, 65535, 8, 0, 0, 0, 0))
    data += chunk(b"IDAT", zlib.compress(b"\0" * 10**6)) + chunk(b"IEND", b"")
    began = time.process_time()
    with pytest.raises(BadFrame, match="65535 by 65535"):
        decode(from_bytes(data, "bomb.png"))
    assert time.process_time() - began < 0.5


def test_links_pipes_and_missing_files_are_refused_without_waiting(tmp_path: Path):
    (tmp_path / "real.png").write_bytes(ALL["png"])
    (tmp_path / "link.png").symlink_to(tmp_path / "real.png")
    os.mkfifo(tmp_path / "pipe.png")
    for name, words in (
        ("link.png", "is a link"),
        ("pipe.png", "not an ordinary file"),
        ("no.png", "is gone"),
    ):
        with pytest.raises(BadFrame, match=words):
            decode(FrameFile(camera="left", path=tmp_path / name, name=name, taken_at_ms=0.0))


def test_a_name_with_newlines_stays_in_one_line():
    with pytest.raises(BadFrame) as told:
        decode(from_bytes(b"", 'left\n<script>alert("x")</script>\x1b[2J.png'))
    assert "\n" not in str(told.value)
    assert "\x1b" not in str(told.value)


def test_check_passes_what_decode_passes():
    for data in ALL.values():
        assert check(data, "x").width_px == 128
