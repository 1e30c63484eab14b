"""Ten thousand mutated files of each format: read or refused in words, quickly, and never anything else."""

from __future__ import annotations

import time
from collections import Counter

import numpy as np
import pytest

from holdstill.errors import BadFrame
from holdstill.intake.decode import decode
from holdstill.intake.formats import kind_of
from holdstill.records import FrameBytes
from intake.test_hostile import SLOWEST_S, mutate, seeds

FORMATS = ("TIFF", "PNG", "JPEG", "BMP", "PGM")


def fuzz(kind: str, count: int, seed: int) -> tuple[Counter[str], float]:
    """Outcomes, and the longest CPU time that one file took (s)."""
    pool = [data for data in seeds().values() if kind_of(data) == kind]
    assert pool
    rng, outcomes, slowest = np.random.default_rng(seed), Counter[str](), 0.0
    for number in range(count):
        data = mutate(pool[number % len(pool)], rng)
        began = time.process_time()
        try:
            frame = decode(FrameBytes("left", "fuzzed", 0.0, data=data))
        except BadFrame as trouble:
            outcomes["refused" if 20 < len(str(trouble)) < 600 else "unclear"] += 1
        else:
            sound = frame.image.ndim == 2 and frame.image.dtype in (np.uint8, np.uint16)
            outcomes["read" if sound else "unsound"] += 1
        slowest = max(slowest, time.process_time() - began)
    return outcomes, slowest


@pytest.mark.parametrize("kind", FORMATS)
def test_some_hundreds_of_each_format(kind: str) -> None:
    outcomes, slowest = fuzz(kind, 300, 7)
    assert outcomes["read"] + outcomes["refused"] == 300
    assert outcomes["refused"] > 30
    assert slowest < SLOWEST_S


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
def test_ten_thousand_of_each_format(kind: str) -> None:
    outcomes, slowest = fuzz(kind, 10_000, 20261125)
    print(kind, dict(outcomes), f"slowest {1000 * slowest:.1f} ms of CPU")
    assert outcomes["read"] + outcomes["refused"] == 10_000
    assert slowest < SLOWEST_S
