"""From the last file of a shot being closed to the cue changed in a browser, 1.3-MP pairs.

    pytest -m bench tests/bench/bench_latency.py -s
"""

from __future__ import annotations

import json
import statistics
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from browser.conftest import PHONE, launched
from flow.serving import served
from holdstill import target
from holdstill.simulate import Bench, BenchSettings, read

SHOTS = 14
WATCH = """() => {
  window.seen = [];
  const note = () => window.seen.push([Date.now(), document.querySelector('#cue h1')?.textContent ?? '']);
  new MutationObserver(note).observe(document.body, {subtree: true, childList: true, characterData: true});
}"""


@pytest.mark.bench
def test_from_file_to_cue(tmp_path: Path) -> None:
    settings = BenchSettings()
    bench = Bench(settings, np.random.default_rng(3))
    watched = tmp_path / "shots"
    watched.mkdir()
    words = ("serve", "--watch", str(watched), "--target", target.words(settings.plate))
    taken = []
    with served(tmp_path / "home", *words) as running, launched() as browser:
        page = browser.new_page(viewport=PHONE)  # type: ignore[arg-type]
        page.goto(running.link)
        page.wait_for_url(running.origin + "/phone")
        page.evaluate(WATCH)
        for number in range(SHOTS):
            tilt = {"tilt_x_deg": str(15 * np.sin(number)), "tilt_y_deg": str(15 * np.cos(number))}
            bench.set(read({"visitor_holds": "yes", **tilt}))
            bench.advance(1.0, None)
            frames = bench.shoot(0.0)
            for camera, frame in frames.items():
                assert frame.image is not None
                done, data = cv2.imencode(".bmp", frame.image)
                assert done
                path = watched / f"fork_{camera}_{number:03d}.bmp"
                path.write_bytes(data.tobytes())
            closed_ms = 1000.0 * time.time()
            time.sleep(3.0)
            seen = json.loads(page.evaluate("() => JSON.stringify(window.seen.splice(0))"))
            first = [at for at, text in seen if at >= closed_ms and text]
            assert first, "the page did not change"
            taken.append(first[0] - closed_ms)
    steady = sorted(taken[1:])
    print(f"\nlast file closed to cue changed, {len(steady)} pairs of 1280x1024 BMP (first shot left out):")
    print(f"median {statistics.median(steady):.0f} ms, 95 % {steady[int(0.95 * len(steady))]:.0f} ms")
    assert statistics.median(steady) < 10_000  # a hang, not a speed
