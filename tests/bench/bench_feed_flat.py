"""CPU and memory of draining and pairing, over 10,000 pairs, without any camera's own library.

pytest -m bench tests/bench/bench_feed_flat.py -s      (half a minute)
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from cameras.caught import running
from holdstill.intake.camera import Grab
from holdstill.intake.live import LiveSource
from intake.test_drain import Scripted

PAIRS = 10_000


class Quick(Scripted):
    """Frames of a third of a megapixel, as fast as they are taken."""

    def read(self, timeout_s: float) -> Grab | None:
        time.sleep(0.001)
        self.number += 1
        now_s = time.monotonic()
        return Grab(np.full((480, 640), 7, np.uint8), 255, now_s, now_s + self.ahead_s, self.number)


def resident_mb() -> float:
    line = next(li for li in Path("/proc/self/status").read_text().splitlines() if li.startswith("VmRSS"))
    return int(line.split()[1]) / 1024.0


@pytest.mark.bench
def test_draining_and_pairing_stay_flat() -> None:
    source = LiveSource([("a", Quick), ("b", Quick)], ("left", "right"), rate_hz=2000.0)
    rows: list[tuple[int, float, float]] = []
    with running(source) as caught:
        seen, cpu = 0, time.process_time()
        while seen < PAIRS:
            time.sleep(0.2)
            seen += len(caught.shots)
            caught.shots.clear()
            caught.at_s.clear()
            if seen >= (len(rows) + 1) * PAIRS / 10:
                rows.append((seen, resident_mb(), time.process_time() - cpu))
                cpu = time.process_time()
    print("\npairs   memory (MB)   CPU per 1000 (s)")
    for pairs, mb, seconds in rows:
        print(f"{pairs:6d}  {mb:8.1f}  {seconds:8.2f}")
    assert np.mean([r[1] for r in rows[-3:]]) < np.mean([r[1] for r in rows[:3]]) + 40.0
    assert rows[-1][2] < 2.0 * rows[1][2]
