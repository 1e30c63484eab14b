import numpy as np
import pytest

from holdstill.measure.shake import ShakeCause, apparent_motion, shake
from measure.focus_sweeps import light
from measure.shaken_series import series, warped

KINDS = [cause.value for cause in ShakeCause]


@pytest.mark.parametrize("kind", KINDS)
def test_each_cause_is_told_from_the_others(kind):
    rng = np.random.default_rng(11)
    told = [
        shake(apparent_motion(series(kind, rng, size=256)[0], full_scale=255)).cause.value for _ in range(2)
    ]
    assert told == [kind, kind]


def test_a_known_vibration_has_its_size():
    base = (light("speckle", 0.5, size=256) * 190).astype(np.float32)
    rng = np.random.default_rng(1)
    swing = 0.3 * np.sin(np.arange(24) * 2.1)
    frames = [
        np.clip(
            np.rint(warped(base, np.full(base.shape, s), np.zeros(base.shape)) + rng.normal(size=base.shape)),
            0,
            255,
        )
        for s in swing
    ]
    got = shake(apparent_motion([f.astype(np.uint8) for f in frames], full_scale=255))
    assert got.cause is ShakeCause.VIBRATION
    assert got.vibration_px == pytest.approx(np.std(swing), rel=0.2)
    assert got.fast_share > 0.5


def test_a_known_step_has_its_size():
    base = (light("speckle", 0.5, size=256) * 190).astype(np.float32)
    rng = np.random.default_rng(2)
    frames = []
    for k in range(20):
        shift = np.full(base.shape, 3.4 if k >= 9 else 0.0)
        frames.append(
            np.clip(np.rint(warped(base, shift, 0 * shift) + rng.normal(size=base.shape)), 0, 255).astype(
                np.uint8
            )
        )
    got = shake(apparent_motion(frames, full_scale=255))
    assert got.cause is ShakeCause.MOVED
    assert got.step_px == pytest.approx(3.4, rel=0.1)


def test_expected_failures_are_values():
    flat = [np.full((128, 128), 90, np.uint8)] * 12
    assert apparent_motion(flat[:3], full_scale=255).why == "too few frames"
    assert apparent_motion(flat, full_scale=255).why == "no structure"
    assert apparent_motion([*flat[:9], np.zeros((64, 64), np.uint8)], full_scale=255).why == "mixed sizes"


@pytest.mark.long
def test_shake_study():
    """40 series of each kind; run by hand, the table stands in docs/measures.md."""
    rng = np.random.default_rng(100)
    right = 0
    print("\n| spoilt by | " + " | ".join(KINDS) + " |\n" + "|---" * (len(KINDS) + 1) + "|")
    for kind in KINDS:
        told = [shake(apparent_motion(series(kind, rng)[0], full_scale=255)).cause.value for _ in range(40)]
        right += told.count(kind)
        print(f"| {kind} | " + " | ".join(str(told.count(name)) for name in KINDS) + " |", flush=True)
    assert right / (40 * len(KINDS)) >= 0.95
