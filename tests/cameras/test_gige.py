"""Two GigE Vision cameras on the wire: discovered, opened, streamed, triggered, set, lost and found."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from cameras.caught import Caught, running
from cameras.fakes import LEFT, RIGHT, Pair, cameras
from holdstill.intake import addresses, genicam_find
from holdstill.intake.camera import CameraTrouble, Wishes
from holdstill.intake.genicam import GenicamCamera
from holdstill.intake.live import LiveSource
from holdstill.phrases import say

pytestmark = pytest.mark.namespace

FULL = (0, 0, 2048, 2048)
SMALL = (0, 0, 640, 480)
FEATURES = ("Width", "Height", "PixelFormat", "TriggerMode", "TriggerSource", "ExposureTimeAbs", "GainRaw",
            "GainAuto", "AcquisitionFrameRate")  # fmt: skip


def scene(seed: int) -> np.ndarray:
    """Two pictures of 4 MP: grey 40 and 80, with structure."""
    rng = np.random.default_rng(seed)
    tile = rng.integers(-8, 9, (2048, 2048), dtype=np.int16)
    return np.stack([(level + tile).astype(np.uint8) for level in (40, 80)])


@pytest.fixture(scope="module")
def scenes() -> list[np.ndarray]:
    return [scene(1), scene(2)]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory, scenes: list[np.ndarray]) -> Iterator[Pair]:
    with cameras(tmp_path_factory.mktemp("cameras"), scenes) as pair:
        yield pair


@pytest.fixture
def pair(both: Pair) -> Pair:
    """Both cameras switched on, before the first picture, on a sound network."""
    for fake in both.both:
        if fake.process is None:
            fake.power_on()
        fake.tell("show 0")
        fake.tell("lost 0")
    return both


BOTH = f"gige:{LEFT},gige:{RIGHT}"


def source(text: str = BOTH, longest_ms: float | None = None, **wished: object) -> LiveSource:
    """A source over these cameras, as ``serve --cameras`` makes it."""
    given = addresses.parse_all(text)
    wishes = addresses.resolved(given, Wishes(**{"region": SMALL, **wished}))  # type: ignore[arg-type]
    return LiveSource(
        [(a.given, addresses.driver(a, wishes)) for a in given],
        addresses.names_for(len(given)),
        triggered=wishes.trigger == "software",
        rate_hz=wishes.rate_hz,
        longest_ms=longest_ms,
    )


def features(serial: str) -> dict[str, str]:
    """A camera's settings, read by a second program that only looks."""
    vg = genicam_find.library()
    info = genicam_find.find(f"gige:{serial}").handle
    with vg.connect_gige(info, monitor=True) as camera:
        return {name: camera.get(name) for name in FEATURES}


def level(caught: Caught, camera: str = "left") -> float:
    """Mean grey of the newest shot."""
    return float(caught.shots[-1].originals[camera].image.mean())  # type: ignore[union-attr]


def exposure(caught: Caught, camera: str = "left") -> float | None:
    """Exposure that the newest shot tells, ms."""
    return caught.shots[-1].originals[camera].exposure_ms  # type: ignore[union-attr]


def test_both_are_discovered_with_their_serial_numbers_and_listed(pair: Pair) -> None:
    found = {one.address: one for one in genicam_find.gige_listed()}
    assert set(found) == {f"gige:{LEFT}", f"gige:{RIGHT}"}
    assert all(one.why_not is None for one in found.values())
    done = subprocess.run(
        [sys.executable, "-m", "holdstill.cli", "cameras"],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "server")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert f"gige:{LEFT}" in done.stdout
    assert f"--cameras gige:{LEFT},gige:{RIGHT}" in done.stdout


def test_both_stream_ten_times_a_second_triggered_together(pair: Pair) -> None:
    """A third of a megapixel: little enough that it is the source which sets the pace, not the machine."""
    with running(source()) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        shots = caught.more(40)
        assert all(set(s.originals) == {"left", "right"} for s in shots)
        gaps_ms = 1000.0 * np.diff(caught.at_s[-41:])
        print(f"between shots: 25 % {np.quantile(gaps_ms, 0.25):.0f} ms, median {np.median(gaps_ms):.0f} ms")
        assert np.quantile(gaps_ms, 0.25) < 115.0  # what is held up is made up for, and no faster than asked
        assert np.mean(gaps_ms) > 90.0
        told = caught.source.feeds()
        assert told.pairing == "trigger"
        assert told.apart_ms is not None
        # free-running cameras would keep one gap throughout, of up to 50 ms; a held-up trigger spoils a few
        assert np.quantile([s.facts["apart_ms"] for s in shots], 0.25) < 10.0
        assert all(f.clock is not None for f in told.feeds)


def test_each_pair_of_four_megapixels_is_one_that_the_cameras_took(pair: Pair) -> None:
    """Counted in the cameras, whatever else this machine has to do: nothing twice, nothing made up."""
    before = pair.taken()
    with running(source(region=FULL)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        shots = caught.more(20)
        assert all(set(s.originals) == {"left", "right"} for s in shots)
        assert all(o.image.shape == (2048, 2048) for s in shots for o in s.originals.values())
        arrived = [f.frames for f in caught.source.feeds().feeds]
    taken = [now - then for now, then in zip(pair.taken(), before, strict=True)]
    print(f"taken by the cameras {taken}, arrived {arrived}, in pairs {len(caught.shots)}")
    for count, came in zip(taken, arrived, strict=True):
        assert len(caught.shots) <= came + 1  # one more may have come while the figures were read
        assert came <= count


def test_running_free_they_are_paired_by_their_clocks(pair: Pair) -> None:
    with running(source(trigger="free", rate_hz=20.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        shots = caught.more(15)
        assert caught.source.feeds().pairing == "times"
        # at most half a period of 50 ms, and a bit; where a busy machine loses frames, the next is farther
        assert np.median([s.facts["apart_ms"] for s in shots]) <= 28.0


def test_brightness_follows_exposure_and_gain_and_the_frame_tells_which(pair: Pair) -> None:
    with running(source(exposure_ms=5.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        assert level(caught) == pytest.approx(40.0, abs=1.0)
        assert exposure(caught) == pytest.approx(5.0)
        before = len(caught.shots)
        assert caught.source.control({"exposure": "1"}) is None
        caught.until(lambda: exposure(caught) == pytest.approx(10.0))
        assert level(caught) == pytest.approx(80.0, abs=1.5)
        for shot in caught.shots[before:][-60:]:  # none of them carries an exposure it was not taken with
            for original in shot.originals.values():
                if original.exposure_ms is not None:
                    assert original.image.mean() == pytest.approx(8.0 * original.exposure_ms, rel=0.03)
        assert caught.source.control({"gain_db": "6", "camera": "right"}) is None
        caught.until(lambda: level(caught, "right") > 150.0)
        assert level(caught, "right") == pytest.approx(80.0 * 10 ** (6 / 20), rel=0.03)
        assert level(caught, "left") == pytest.approx(80.0, abs=1.5)


def test_gain_is_the_last_resort_and_the_end_is_said(pair: Pair) -> None:
    with running(source(exposure_ms=5.0, longest_ms=8.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        assert caught.source.control({"exposure": "0.5"}) is None
        caught.until(lambda: exposure(caught) == pytest.approx(5.0 * 2**0.5, rel=0.01))
        assert caught.shots[-1].originals["left"].gain_db == 0.0
        assert caught.source.control({"exposure": "1"}) is None
        caught.until(lambda: exposure(caught) == pytest.approx(8.0, rel=0.01))
        caught.until(lambda: caught.shots[-1].originals["left"].gain_db == pytest.approx(5.0, abs=0.6))
        refused = caught.source.control({"exposure": "3"})
        assert refused is not None
        assert "lamps" in refused


def test_settings_are_put_back_on_leaving(pair: Pair) -> None:
    before = {serial: features(serial) for serial in (LEFT, RIGHT)}
    changed = source(region=(128, 64, 640, 480), exposure_ms=3.0, gain_db=4.0, pixel_format="Mono16")
    with running(changed) as caught:
        caught.until(lambda: len(caught.shots) >= 2)
        assert caught.shots[-1].originals["left"].image.dtype == np.uint16
        assert caught.shots[-1].originals["left"].full_scale == 65535
        during = features(LEFT)
        assert during["Width"] == "640"
        assert during["TriggerMode"] == "On"
        assert during != before[LEFT]
    assert {serial: features(serial) for serial in (LEFT, RIGHT)} == before


def test_a_camera_killed_and_started_again_comes_back_by_itself(pair: Pair) -> None:
    with running(source(exposure_ms=5.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        assert caught.source.control({"exposure_ms": "8"}) is None
        caught.until(lambda: exposure(caught, "right") == pytest.approx(8.0))
        pair.right.power_off()
        took_s = caught.until(lambda: caught.source.feeds().feeds[1].state == "lost", "noticing")
        print(f"a camera without power is noticed after {took_s:.1f} s")
        feed = caught.source.feeds().feeds[1]
        assert "cable" in say(feed.remedy)
        count = len(caught.shots)
        caught.until(lambda: len(caught.shots) > count + 3, "going on with the other camera")
        assert set(caught.shots[-1].originals) == {"left"}
        pair.right.power_on()
        took_s = caught.until(lambda: len(caught.shots[-1].originals) == 2, "coming back")
        print(f"back {took_s:.1f} s after it answers")
        caught.until(lambda: exposure(caught, "right") == pytest.approx(8.0), "its exposure")
        assert caught.source.feeds().feeds[1].reconnects == 1


def test_a_pulled_cable_is_noticed_and_the_camera_taken_up_again_when_it_is_back(pair: Pair) -> None:
    with running(source(exposure_ms=5.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 5)
        pair.right.unplug()
        try:
            took_s = caught.until(
                lambda: caught.source.feeds().feeds[1].state in ("silent", "lost"), "noticing"
            )
            print(f"a pulled cable is noticed after {took_s:.1f} s")
            count = len(caught.shots)
            caught.until(lambda: len(caught.shots) > count + 3, "going on with the other camera")
            assert set(caught.shots[-1].originals) == {"left"}
        finally:
            pair.right.plug_in()
        took_s = caught.until(lambda: len(caught.shots[-1].originals) == 2, "coming back")
        print(f"back {took_s:.1f} s after the cable")
        for shot in caught.more(8):
            if len(shot.originals) == 2:
                assert shot.facts["apart_ms"] < 40.0  # no frame of before is taken for one of now


def test_two_percent_of_packets_lost_are_told_with_the_figure(pair: Pair) -> None:
    """These cameras send nothing again (others do: see test_machine_vision), so that a packet costs its
    frame; small frames, of a packet or two, get through often enough to go on, and even two of them have
    room in the system's buffer, so that a busy machine loses none besides."""
    with running(source(region=(0, 0, 320, 240), rate_hz=20.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        for fake in pair.both:
            fake.tell("lost 20")
        caught.until(lambda: all(f.lost_share > 0.005 for f in caught.source.feeds().feeds), "noticing")
        shots = caught.more(12)
        # packets are lost by chance: the figure wanders about 2 % and is waited for, between 1 % and 4 %
        caught.until(
            lambda: 0.01 < caught.source.feeds().feeds[0].lost_share < 0.04, "the figure of the loss"
        )
        feed = caught.source.feeds().feeds[0]
        print(f"2 % of packets lost are told as {100 * feed.lost_share:.1f} %")
        assert "loses" in say(feed.trouble)
        assert "another cable" in say(feed.remedy)
        for shot in shots:  # what comes is whole: no picture with holes is ever delivered
            for original in shot.originals.values():
                assert int(original.image.min()) > 10  # type: ignore[union-attr]
        for fake in pair.both:
            fake.tell("lost 0")
        caught.more(10)


def test_a_camera_that_another_program_holds_says_so_and_is_taken_when_free(pair: Pair) -> None:
    first = GenicamCamera(f"gige:{LEFT}", Wishes(region=SMALL))
    first.open()
    with pytest.raises(CameraTrouble, match="Another program"):
        GenicamCamera(f"gige:{LEFT}", Wishes(region=SMALL)).open()
    listed = {one.address: one for one in genicam_find.gige_listed()}
    assert "Another program" in say(listed[f"gige:{LEFT}"].why_not)
    with running(source(f"gige:{LEFT}")) as caught:
        caught.until(lambda: caught.source.feeds().feeds[0].state == "lost")
        assert "Another program" in say(caught.source.feeds().feeds[0].trouble)
        first.close()
        caught.until(lambda: len(caught.shots) >= 2, "taking it over")


def test_left_and_right_are_swapped_and_turned_while_running(pair: Pair) -> None:
    pair.right.tell("show 1")
    with running(source(region=SMALL, exposure_ms=5.0)) as caught:
        caught.until(lambda: len(caught.shots) >= 3)
        assert level(caught, "right") > 1.8 * level(caught, "left")
        remembered: list[tuple[tuple[str, ...], tuple[int, ...]]] = []
        caught.source.changed = lambda: remembered.append((caught.source.addresses, caught.source.turns_deg))
        assert caught.source.control({"swap": "yes"}) is None
        caught.more(3)
        assert level(caught, "left") > 1.8 * level(caught, "right")
        before = caught.shots[-1].originals["left"].image
        assert caught.source.control({"turn": "90", "camera": "left"}) is None
        caught.more(3)
        after = caught.shots[-1].originals["left"].image
        assert after.shape == (640, 480)
        assert np.array_equal(after, np.rot90(before))
        assert remembered[-1] == ((f"gige:{RIGHT}", f"gige:{LEFT}"), (90, 0))


def test_what_a_camera_can_not_do_is_said_for_good(pair: Pair) -> None:
    for wished, words in (
        ({"pixel_format": "Mono12p"}, "grey pixel format"),
        ({"region": (0, 0, 5000, 480)}, "region"),
    ):
        with pytest.raises(CameraTrouble, match=words) as caught:
            GenicamCamera(f"gige:{LEFT}", Wishes(**wished)).open()  # type: ignore[arg-type]
        assert caught.value.for_good
    with pytest.raises(CameraTrouble, match=f"These answer: .*gige:{LEFT}"):
        GenicamCamera("gige:NOBODY").open()
    hardware = GenicamCamera(f"gige:{LEFT}", Wishes(region=SMALL, trigger="hardware"))
    assert hardware.open().triggered == "hardware"
    assert hardware.read(0.3) is None  # no pulse on its line: no frame
    hardware.close()
