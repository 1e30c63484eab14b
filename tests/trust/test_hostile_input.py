"""Files made to do harm: too many pixels, names with scripts and line ends, links out, thousands at once."""

from __future__ import annotations

import dataclasses
import os
import re
import struct
import time
import zlib
from enum import Enum
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from holdstill.archive.sessions import SessionSummary
from holdstill.commands.sessions import table
from holdstill.errors import BadFrame
from holdstill.intake.decode import decode
from holdstill.intake.folder import FolderSource, read_folder
from holdstill.intake.names import work_out
from holdstill.records import FrameBytes, Shot, Snapshot
from holdstill.web.views import PAGES, Renderer
from web.scenes import scenes

EVIL = "\"'><img src=x onerror=alert(1)><script>alert(2)</script>\n{{7*7}}${7*7}\x1b[31m&lt;"


def png(width: int, height: int, data: bytes) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def tiff(width: int, height: int) -> bytes:
    fields = [(256, width), (257, height), (258, 8), (259, 1), (262, 1), (273, 8), (277, 1), (278, height),
              (279, (width * height) & 0xFFFFFFFF)]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", k, 4, 1, v) for k, v in fields)
    return b"II*\0" + struct.pack("<IH", 8, len(fields)) + entries + struct.pack("<I", 0)


def jpeg(width: int, height: int) -> bytes:
    frame = struct.pack(">BHHB", 8, height, width, 1) + b"\x01\x11\x00"
    return b"\xff\xd8\xff\xc0" + struct.pack(">H", len(frame) + 2) + frame + b"\xff\xd9"


def bmp(width: int, height: int) -> bytes:
    head = struct.pack("<IiiHHIIiiII", 40, width, height, 1, 8, 0, 0, 0, 0, 256, 0)
    return b"BM" + struct.pack("<IHHI", 1078 + 100, 0, 0, 1078) + head + bytes(1024 + 100)


HUGE = {
    "png square": png(65535, 65535, zlib.compress(bytes(100_000), 9)),
    "png wide": png(2**31 - 1, 1, zlib.compress(b"x")),
    "png none": png(0, 0, zlib.compress(b"x")),
    "tiff square": tiff(65535, 65535),
    "tiff wide": tiff(2**32 - 1, 2**32 - 1),
    "jpeg square": jpeg(65535, 65535),
    "bmp square": bmp(65535, 65535),
    "bmp upside down": bmp(65535, -65535),
    "pgm square": b"P5 65535 65535 255\n" + bytes(100),
    "pgm endless": b"P5 " + b"9" * 5000 + b" 1 255\n",
    "pgm remarks": b"P5 " + b"# remark\n" * 100_000,
}


@pytest.mark.parametrize("name", HUGE)
def test_a_picture_that_claims_too_much_is_refused_before_any_of_it_is_made(name: str) -> None:
    began = time.process_time()
    with pytest.raises(BadFrame) as told:
        decode(FrameBytes("left", f"{name}.png", 0.0, data=HUGE[name]))
    assert time.process_time() - began < 0.5
    assert len(str(told.value)) > 20


def test_a_name_reaches_words_only_in_a_harmless_form() -> None:
    with pytest.raises(BadFrame) as told:
        decode(FrameBytes("left", EVIL, 0.0, data=b"no picture"))
    assert "\n" not in str(told.value)
    assert "\x1b" not in str(told.value)


# -- pages -----------------------------------------------------------------------------------------


def spoilt(thing: Any, depth: int = 0) -> Any:
    """A record with every text in it that a person or a file could have given replaced by `EVIL`."""
    if isinstance(thing, Enum) or depth > 12:
        return thing
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        changes = {}
        for field in dataclasses.fields(thing):
            if field.init and field.name not in ("key", "digests"):
                changes[field.name] = spoilt(getattr(thing, field.name), depth + 1)
        return dataclasses.replace(thing, **changes)
    if isinstance(thing, str):
        return EVIL if " " in thing or len(thing) > 2 else thing
    if isinstance(thing, tuple):
        return tuple(spoilt(one, depth + 1) for one in thing)
    if isinstance(thing, dict):
        return {key: spoilt(value, depth + 1) for key, value in thing.items()}
    return thing


GIVEN = ("session_name", "initials", "file_messages", "message", "plate_words", "views", "files")
"""What of a snapshot comes from files and people."""


class Reader(HTMLParser):
    """Notes the elements and attributes that a browser would make."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "script" and dict(attrs).get("src", "").startswith("/static/"):  # type: ignore[union-attr]
            return
        if tag == "script" or any(name.startswith("on") for name, _ in attrs):
            self.bad.append(f"{tag} {attrs}")
        if tag == "img" and not str(dict(attrs).get("src", "")).startswith("/"):
            self.bad.append(f"{tag} {attrs}")
        for name, value in attrs:
            if name in ("href", "src", "action") and value and value.strip().lower().startswith("javascript"):
                self.bad.append(value)


def found_in(html: str) -> list[str]:
    reader = Reader()
    reader.feed(html)
    reader.close()
    return reader.bad


def spoilt_parts(snapshot: Snapshot) -> list[Snapshot]:
    out = []
    for name in GIVEN:
        if hasattr(snapshot, name):
            out.append(dataclasses.replace(snapshot, **{name: spoilt(getattr(snapshot, name))}))
    cameras = tuple(dataclasses.replace(camera, name=EVIL) for camera in snapshot.cameras)
    out.append(dataclasses.replace(snapshot, cameras=cameras))
    return out


def test_nothing_in_a_name_reaches_a_page_unescaped() -> None:
    assert found_in(f"<p>{EVIL}</p>"), "the reader notices nothing"
    shown = drawn = 0
    for name, scene in list(scenes().items())[::3]:
        for snapshot in spoilt_parts(scene):
            renderer = Renderer()
            for page, names in PAGES.items():
                try:
                    fragments = renderer.fragments(snapshot, names)
                except (KeyError, ValueError):  # a text that chooses a phrase can't be given from outside
                    continue
                drawn += 1
                whole = renderer.page(
                    f"{page}.html", page=page, look="", fragments=fragments, session=snapshot.session_name,
                    may_act=True, join=True, simulated=snapshot.sim is not None,
                )  # fmt: skip
                assert found_in(whole) == [], (name, page)
                shown += whole.count("&lt;script&gt;alert(2)")
    assert drawn > 40
    assert shown > 20


def test_what_a_terminal_prints_of_names_is_plain() -> None:
    line = SessionSummary("s", "f", EVIL, EVIL, None, None, 1, None, 1)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", "\n".join(table([line])))


# -- folders ---------------------------------------------------------------------------------------

SMALL = b"P5 8 8 255\n" + bytes(range(64))


def test_links_out_of_the_folder_are_told_and_never_opened(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "left_0001.pgm").write_bytes(SMALL)
    inside = tmp_path / "in"
    inside.mkdir()
    for number in (1, 2, 3):
        for camera in ("left", "right"):
            (inside / f"{camera}_{number:04d}.pgm").write_bytes(SMALL)
    os.symlink(tmp_path / "out" / "left_0001.pgm", inside / "left_0004.pgm")
    os.symlink("/etc/passwd", inside / "right_0004.pgm")
    os.symlink(tmp_path / "out", inside / "more")
    os.symlink(inside, inside / "round")
    os.mkfifo(inside / "left_0005.pgm")
    told: list[str] = []
    shots = read_folder(inside, complain=lambda name, camera, words: told.append(words))
    assert [s.name for s in shots if len(s.originals) == 2] == ["0001", "0002", "0003"]
    assert sum("0004" in words for words in told) >= 2
    for shot in shots:
        for original in shot.originals.values():
            assert "out" not in original.path.parts  # type: ignore[union-attr]


NAMES = ("left_<script>alert(1)<_0001.pgm", "left\n_0001.pgm", "left_\x1b[31m_0001.pgm", "left_{x}_0001.pgm",
         "-rf left_0001.pgm", "left_\udcff_0001.pgm", "'; drop table events; --_0001.pgm")  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_file_of_any_name_is_dealt_with(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(SMALL)
    told: list[str] = []
    shots = read_folder(tmp_path, complain=lambda file, camera, words: told.append(words))
    assert len(shots) == 1
    (original,) = shots[0].originals.values()
    assert decode(original).image.shape == (8, 8)
    for words in told:
        assert "\n" not in words
        assert "\x1b" not in words


def at_once(folder: Path, pairs: int) -> float:
    """Delivers every pair of a folder that is full when the watch begins; CPU seconds."""
    for number in range(pairs):
        for camera in ("left", "right"):
            (folder / f"{camera}_{number:06d}.pgm").write_bytes(SMALL)
    told: list[str] = []
    got: list[Shot] = []
    source = FolderSource(folder)
    began = time.process_time()
    source.start(got.append, lambda name, camera, words: told.append(words))
    end = time.monotonic() + 240.0
    while len(got) < pairs and time.monotonic() < end:
        time.sleep(0.05)
    took = time.process_time() - began
    source.stop()
    assert len(got) == pairs
    assert all(len(shot.originals) == 2 for shot in got)
    assert told == []
    return took


def test_hundreds_of_files_at_once_are_all_delivered_in_pairs(tmp_path: Path) -> None:
    at_once(tmp_path, 250)


def test_the_other_camera_is_seen_behind_thousands_of_files_of_the_first() -> None:
    names = [f"{camera}_{number:06d}.pgm" for camera in ("left", "right") for number in range(2500)]
    pattern = work_out(names)
    assert pattern is not None
    assert pattern.cameras == ("left", "right")
    dated = [f"{c}/2026-11-25_{n:05d}.tif" for c in ("cam1", "cam2") for n in range(2500)]
    found = work_out(dated)
    assert found is not None
    assert found.cameras == ("cam1", "cam2")


@pytest.mark.long
def test_fifty_thousand_files_at_once(tmp_path: Path) -> None:
    few, many = tmp_path / "few", tmp_path / "many"
    few.mkdir()
    many.mkdir()
    short, long = at_once(few, 2500), at_once(many, 25_000)
    print(f"5,000 files {short:.1f} s of CPU, 50,000 files {long:.1f} s")
    assert long < 25.0 * short
