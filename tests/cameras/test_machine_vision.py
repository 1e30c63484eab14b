"""Pixel formats, USB3 Vision and makers' drivers, each with a camera in software."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from cameras.caught import running
from holdstill.intake.camera import CameraTrouble, Wishes
from holdstill.intake.genicam import GenicamCamera
from holdstill.intake.live import LiveSource
from holdstill.intake.packed import bytes_of, full_scale_of, unpack
from holdstill.intake.producer import ProducerCamera, producer_listed

REQUIRED = os.environ.get("HOLDSTILL_REQUIRE_CAMERAS") == "1"
if REQUIRED:
    import viva_genicam as vg
else:
    vg = pytest.importorskip("viva_genicam", reason="the extra genicam is not installed")


def bits_of(values: np.ndarray, bits: int) -> bytes:
    """Values as one stream of bits, lowest first: worked out bit by bit, by another way than `unpack`."""
    stream = 0
    for at, value in enumerate(values.ravel().tolist()):
        stream |= value << (at * bits)
    return stream.to_bytes(-(-values.size * bits // 8), "little")


def packed_of(values: np.ndarray, bits: int) -> bytes:
    """The older packing of pixel pairs: high byte, low bits of both, high byte."""
    low = bits - 8
    flat = [*values.ravel().tolist(), 0][: values.size + values.size % 2]
    out = bytearray()
    for a, b in zip(flat[::2], flat[1::2], strict=True):
        out += bytes((a >> low, (a & (1 << low) - 1) | (b & (1 << low) - 1) << 4, b >> low))
    return bytes(out)


@pytest.mark.parametrize("size", [(5, 3), (8, 4), (7, 7)])
@pytest.mark.parametrize("bits", [10, 12])
def test_packed_pixels_are_unpacked_exactly(bits: int, size: tuple[int, int]) -> None:
    width, height = size
    values = np.random.default_rng(bits).integers(0, 1 << bits, (height, width), dtype=np.uint16)
    streamed, paired = bits_of(values, bits), packed_of(values, bits)
    assert np.array_equal(unpack(streamed, f"Mono{bits}p", width, height), values)
    assert np.array_equal(unpack(paired, f"Mono{bits}Packed", width, height), values)
    assert np.array_equal(unpack(values.astype("<u2").tobytes(), f"Mono{bits}", width, height), values)
    assert len(streamed) == bytes_of(f"Mono{bits}p", width * height)
    with pytest.raises(ValueError, match="bytes"):
        unpack(streamed[:-1], f"Mono{bits}p", width, height)


def test_two_libraries_agree_on_packed_pixels() -> None:
    """Outside check: viva-genicam's own unpacking (its Rust code knows nothing of ours)."""
    rng = np.random.default_rng(5)
    for name, bits in (("Mono10p", 10), ("Mono12p", 12), ("Mono10Packed", 10), ("Mono12Packed", 12)):
        payload = rng.integers(0, 256, bytes_of(name, 12 * 8), dtype=np.uint8).tobytes()
        if name.endswith("Packed") and bits == 10:
            payload = bytes(b & 0x33 if n % 3 == 1 else b for n, b in enumerate(payload))
        theirs = vg.Frame.from_parts(payload, 12, 8, name) if hasattr(vg.Frame, "from_parts") else None
        native = theirs or vg._native.Frame(payload, 12, 8, name)
        assert np.array_equal(native.to_numpy(), unpack(payload, name, 12, 8)), name


SCALES = {
    "Mono8": 255,
    "Mono12p": 4095,
    "Mono10Packed": 1023,
    "Mono16": 65535,
    "RGB8": None,
    "BayerRG12p": None,
}


@pytest.mark.parametrize(("name", "scale"), SCALES.items())
def test_full_scales(name: str, scale: int | None) -> None:
    assert full_scale_of(name) == scale


def gige(pixel_format: str, drop: list[tuple[int, int]] | None = None) -> Iterator[GenicamCamera]:
    """A camera of this very process."""
    fake = vg._native.FakeGigeCamera(
        width=128, height=96, fps=20, pixel_format=pixel_format, drop_packets=drop
    )
    fake.start()
    try:
        info = fake.device_info()
        yield GenicamCamera("gige:fake", connect=lambda: vg.Camera(vg._native.connect_gige(info)))
    finally:
        fake.stop()


FORMATS = ("Mono8", "Mono16")
"""What this library's own camera in software puts on the wire; packed ones are tried as bytes above, and
Mono12Packed by USB below."""


@pytest.mark.namespace
@pytest.mark.parametrize("pixel_format", FORMATS)
def test_grey_formats_arrive_with_its_full_scale(pixel_format: str) -> None:
    for camera in gige(pixel_format):
        camera.open()
        try:
            grab = next(g for _ in range(20) if (g := camera.read(0.5)) is not None)
            assert grab.image.shape == (96, 128)
            assert grab.full_scale == full_scale_of(pixel_format)
            assert grab.image.dtype == (np.uint8 if pixel_format == "Mono8" else np.uint16)
            assert 0 < int(grab.image.max()) <= grab.full_scale
        finally:
            camera.close()


@pytest.mark.namespace
def test_packets_that_are_sent_again_are_counted_and_cost_no_frame() -> None:
    drop = [(block, 1) for block in range(1, 40)]
    for camera in gige("Mono8", drop):
        camera.open()
        try:
            grabs = [g for _ in range(30) if (g := camera.read(0.3)) is not None]
            assert len(grabs) > 10
            losses = camera.losses()
            assert losses.packets_again > 5
            assert losses.frames_lost == 0
        finally:
            camera.close()


def test_a_usb3_vision_camera_is_read_and_put_back() -> None:
    fake = vg._native.FakeU3vCamera(width=96, height=64, pixel_format="Mono8")
    wishes = Wishes(pixel_format="Mono12Packed", region=(0, 0, 64, 32))
    camera = GenicamCamera("usb3:fake", wishes, connect=lambda: vg.Camera(fake.connect()))
    with running(LiveSource([("usb3:fake", lambda: camera)], ["camera"])) as caught:
        shot = caught.more(4)[-1]
        assert shot.originals["camera"].image.shape == (32, 64)
        assert shot.originals["camera"].image.dtype == np.uint16
        assert shot.originals["camera"].full_scale == 4095
        (feed,) = caught.source.feeds().feeds
        assert feed.clock is not None
        refused = caught.source.control({"exposure_ms": "7"})  # this one has no such feature
        assert refused is not None
        assert "own program" in refused
    after = vg.Camera(fake.connect())
    assert (after.get("PixelFormat"), after.get("Width"), after.get("Height")) == ("Mono8", "96", "64")
    after.close()


def viky() -> str:
    """A GenTL producer in software that comes with the GenICam committee's own package."""
    if not REQUIRED:
        pytest.importorskip("genicam", reason="the extra producer is not installed")
        pytest.importorskip("harvesters", reason="the extra producer is not installed")
    import genicam

    path = Path(genicam.__file__).with_name("viky.cti")
    if not path.is_file():
        pytest.skip("this build of the package genicam brings no producer in software")
    return str(path)


def test_a_camera_behind_its_makers_driver_is_listed_opened_and_put_back() -> None:
    file = viky()
    listed = {one.address: one for one in producer_listed([file])}
    assert "producer:1" in listed
    assert "Viky" in listed["producer:1"].what
    maker = ("producer:1", lambda: ProducerCamera("1", Wishes(region=(0, 0, 200, 100), producers=(file,))))
    with running(LiveSource([maker], ["camera"], rate_hz=20.0)) as caught:
        shot = caught.more(5)[-1]
        assert shot.originals["camera"].image.dtype == np.uint8
        assert shot.originals["camera"].image.shape == (100, 200)
        (feed,) = caught.source.feeds().feeds
        assert feed.state == "running"
    again = ProducerCamera("1", Wishes(producers=(file,)))
    opened = again.open()
    again.close()
    assert opened.size_px == (400, 400)


def test_drivers_that_are_not_there_or_no_drivers_are_said(tmp_path: Path) -> None:
    viky()
    with pytest.raises(CameraTrouble, match="No driver file"):
        ProducerCamera("1", Wishes()).open()
    bad = tmp_path / "camera.cti"
    bad.write_bytes(b"not a library")
    with pytest.raises(CameraTrouble, match="can't be loaded") as caught:
        ProducerCamera("1", Wishes(producers=(str(bad),))).open()
    assert caught.value.for_good
