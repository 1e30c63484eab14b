"""The loop's clock: wall time at the start, never falling, whatever is done to the machine's."""

from __future__ import annotations

from holdstill.loop.clock import SteadyClock


def test_a_clock_that_is_set_back_or_forth_changes_nothing() -> None:
    wall, passed = [1_700_000_000_000.0], [50.0]
    clock = SteadyClock(lambda: wall[0], lambda: passed[0])
    assert clock() == wall[0]
    wall[0] -= 3_600_000.0
    passed[0] += 2.5
    assert clock() == 1_700_000_002_500.0
    wall[0] += 9e9
    passed[0] += 0.5
    assert clock() == 1_700_000_003_000.0


def test_a_session_goes_on_after_its_last_entry_though_the_wall_clock_is_behind() -> None:
    clock = SteadyClock(lambda: 5000.0, lambda: 0.0, not_before_ms=9000.0)
    assert clock() == 9000.0
    assert SteadyClock(lambda: 5000.0, lambda: 0.0, not_before_ms=100.0)() == 5000.0
