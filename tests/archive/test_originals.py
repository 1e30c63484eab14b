"""Originals are kept whole under their digest, or not at all."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from holdstill.archive import Originals, average_bytes, storage
from holdstill.errors import StorageTrouble
from holdstill.intake.decode import decode
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.records import FrameBytes, FrameFile, Nothing

RNG = np.random.default_rng(3)
GREY12 = RNG.integers(100, 4096, (300, 1400)).astype(np.uint16)


@pytest.fixture
def originals(tmp_path):
    return Originals(tmp_path / "s" / "originals", preview_of=preview_of_file, png_of=png_of_file)


def png(image: np.ndarray) -> bytes:
    return cv2.imencode(".png", image)[1].tobytes()


def test_a_file_is_kept_byte_for_byte_under_its_digest(originals, tmp_path):
    path = tmp_path / "left_0001.PNG"
    path.write_bytes(png(GREY12))
    original = FrameFile("left", path, path.name, 1.0)
    digest = originals.keep(original)
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest() == decode(original).digest
    assert originals.path(digest) == originals.folder / digest[:2] / f"{digest}.png"
    assert originals.path(digest).read_bytes() == path.read_bytes()
    assert originals.keep(original) == digest
    assert len(list(originals.folder.glob("*/*"))) == 1


def test_a_raw_picture_is_kept_sample_for_sample(originals):
    original = FrameBytes("right", "live 7", 1.0, image=GREY12, full_scale=4095)
    digest = originals.keep(original)
    assert digest == decode(original).digest
    assert np.array_equal(tifffile.imread(originals.path(digest)), GREY12)
    assert originals.damaged() == []


def test_a_file_that_changed_since_it_was_looked_at_is_refused(originals, tmp_path):
    path = tmp_path / "left.png"
    path.write_bytes(png(GREY12))
    original = FrameFile("left", path, path.name, 1.0)
    seen = decode(original).digest
    path.write_bytes(png(GREY12 + 1))
    with pytest.raises(StorageTrouble, match="changed between"):
        originals.keep(original, seen)
    path.unlink()
    with pytest.raises(StorageTrouble, match="moved or deleted"):
        originals.keep(original, seen)
    assert not list(originals.folder.glob("*/*"))


def test_previews_are_small_and_kept_for_the_next_time(originals):
    digest = originals.keep(FrameBytes("right", "live 7", 1.0, image=GREY12, full_scale=4095))
    data = originals.preview(digest)
    small = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    assert small.shape[1] <= 960
    assert abs(float(small.mean()) - GREY12.mean() / 4095 * 255) < 3
    (kept,) = (originals.folder.parent / "previews").iterdir()
    kept.write_bytes(b"from the cache")
    assert originals.preview(digest) == b"from the cache"


def test_deep_pictures_are_shown_at_their_own_full_scale(originals):
    deep = originals.keep(FrameBytes("a", "a.png", 1.0, data=png(GREY12)))
    shown = cv2.imdecode(np.frombuffer(originals.shown(deep), np.uint8), cv2.IMREAD_UNCHANGED)
    assert shown.dtype == np.uint8
    assert np.abs(shown - GREY12 / 4095 * 255).max() < 0.51
    eight = (GREY12 >> 4).astype(np.uint8)
    plain = originals.keep(FrameBytes("a", "b.png", 1.0, data=png(eight)))
    assert originals.shown(plain) == originals.path(plain)


@pytest.mark.parametrize("digest", ["", "../../etc/passwd", "0" * 64, "A" * 64, "*" * 64, "0" * 63 + "\n"])
def test_only_digests_that_are_kept_lead_anywhere(originals, digest):
    originals.keep(FrameBytes("a", "x/../../evil.png\0", 1.0, data=b"abc"))
    for answer in (originals.path(digest), originals.shown(digest), originals.preview(digest)):
        assert isinstance(answer, Nothing)


def test_what_can_not_be_developed_is_nothing(originals):
    digest = originals.keep(FrameBytes("a", "a.tif", 1.0, data=b"garbage"))
    assert originals.preview(digest) == Nothing("undecodable")


def test_a_damaged_original_is_found(originals):
    digest = originals.keep(FrameBytes("a", "a.png", 1.0, data=png(GREY12)))
    raw = originals.keep(FrameBytes("a", "live", 1.0, image=GREY12))
    for place in (originals.path(digest), originals.path(raw)):
        data = bytearray(place.read_bytes())
        data[-100] ^= 1
        place.write_bytes(data)
    assert sorted(originals.damaged()) == sorted([digest, raw])


def test_storage_is_forecast(tmp_path, originals):
    told = storage(tmp_path / "not" / "yet", 10_000_000)
    free = os.statvfs(tmp_path).f_bavail * os.statvfs(tmp_path).f_frsize
    assert abs(told.free_bytes - free) < 0.05 * free
    assert told.views_left == told.free_bytes // 10_000_000
    assert storage(tmp_path, 0).bytes_per_view == 1
    assert average_bytes(originals.folder, 2) == 0
    originals.keep(FrameBytes("a", "a.bin", 1.0, data=b"1" * 100))
    originals.keep(FrameBytes("b", "b.bin", 1.0, data=b"2" * 300))
    assert average_bytes(originals.folder, 2) == 400


ON_A_SMALL_DISK = """
import sys
sys.path.insert(0, {server!r})
from pathlib import Path
from holdstill.archive import Journal, Originals
from holdstill.errors import StorageTrouble
from holdstill.records import FrameBytes
from holdstill.records import events as ev
disk = Path(sys.argv[1])
journal = Journal.create(disk / "s")
originals = Originals(disk / "s" / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")
kept = []
told = ""
for number in range(500):
    try:
        digest = originals.keep(FrameBytes("a", "a.png", 1.0, data=number.to_bytes(4, "big") * 4000))
        journal.append(ev.FileRefused(1.0, digest, None, "x"))
        kept.append(digest)
    except StorageTrouble as trouble:
        told = str(trouble)
        break
assert "The disk is full" in told, told
assert [e.name for e in journal.events()] == kept
assert all(originals.path(d).read_bytes() == n.to_bytes(4, "big") * 4000 for n, d in enumerate(kept))
assert originals.damaged() == []
assert not [p for p in disk.rglob(".writing-*")]
journal.close()
again = Journal.open(disk / "s")
assert [e.name for e in again.events()] == kept
print(len(kept))
"""


def test_a_disk_that_really_fills_up_keeps_everything_kept_before(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    script = ON_A_SMALL_DISK.format(server=str(Path(__file__).parents[2] / "server"))
    inside = f'mount -t tmpfs -o size=1m none "{disk}" && exec "{sys.executable}" -c "$0" "{disk}"'
    command = ["unshare", "--mount", "sh", "-c", inside, script]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    except FileNotFoundError:
        pytest.skip("needs unshare, to mount a small disk of its own")
    if "mount" in done.stderr or "unshare" in done.stderr:
        pytest.skip(f"may not mount a small disk here: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 10
