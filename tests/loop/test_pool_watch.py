"""Worker processes: one that crashes, hangs or eats memory is ended, replaced, and the next call works."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from holdstill.limits import limit
from holdstill.loop.pool import Pool, WorkerLost, resident_bytes

SOME = int(limit("worker_memory_mb") * 1e6)


def crash() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def hang() -> None:
    time.sleep(600)


def eat(megabytes: int, each_s: float) -> int:
    held = []
    for _ in range(megabytes):
        held.append(bytearray(os.urandom(1 << 20)))
        time.sleep(each_s)
    return len(held)


def swallow(megabytes: int) -> int:
    return len(bytearray(megabytes << 20))


def threads_of_a_product() -> int:
    import numpy as np

    some = np.ones((300, 300))
    assert float((some @ some).sum()) > 0
    status = Path("/proc/self/status").read_text()
    return int(status.split("Threads:")[1].split()[0])


def fail() -> None:
    raise KeyError("a bug")


def test_crash_hang_and_appetite_end_one_call_only() -> None:
    async def run() -> None:
        pool = Pool("eye", longest_s=1.5, most_bytes=150_000_000)
        try:
            await pool.ready()
            first = await pool.run(os.getpid)
            for bad, arguments in ((crash, ()), (eat, (2000, 0.002)), (swallow, (900,)), (hang, ())):
                began = time.monotonic()
                with pytest.raises(WorkerLost):
                    await pool.run(bad, *arguments)
                assert time.monotonic() - began < 100.0  # and not after the ten minutes of `hang`
                await pool.ready()  # a busy machine takes longer to start a process than a call may
                assert await pool.run(abs, -1) == 1
            assert pool.restarts == 4
            with pytest.raises(KeyError):
                await pool.run(fail)
            assert pool.restarts == 4
            assert await pool.run(os.getpid) != first
        finally:
            pool.close()

    asyncio.run(run())


def test_libraries_in_a_worker_keep_to_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)

    async def run() -> int:
        pool = Pool("mind", longest_s=30.0)
        try:
            return await pool.run(threads_of_a_product)
        finally:
            pool.close()

    assert asyncio.run(run()) <= 2  # itself, and the one that watches the parent


def test_two_calls_that_lose_the_same_process_replace_it_once() -> None:
    async def run() -> None:
        pool = Pool("mind", longest_s=5.0)
        try:
            answers = await asyncio.gather(pool.run(crash), pool.run(abs, -2), return_exceptions=True)
            assert all(isinstance(a, WorkerLost) for a in answers)
            assert pool.restarts == 1
            assert await pool.run(abs, -3) == 3
        finally:
            pool.close()

    asyncio.run(run())


def test_memory_in_use_is_told_of_this_process() -> None:
    told = resident_bytes(os.getpid())
    assert told is not None
    assert 10_000_000 < told < SOME * 4
    assert resident_bytes(2**22 + 5) is None


ORPHANS = """
import asyncio, os, signal, sys, time
sys.path.insert(0, {server!r})
from holdstill.loop.pool import Pool

async def main():
    pool = Pool("eye", longest_s=60.0)
    print(await pool.run(os.getpid), flush=True)
    await pool.run(time.sleep, 50)

if __name__ == "__main__":
    asyncio.run(main())
"""


def test_workers_end_with_a_parent_that_was_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(ORPHANS.format(server=str(Path(__file__).parents[2] / "server")))
    parent = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    worker = int(parent.stdout.readline())
    parent.kill()
    parent.wait(10)
    parent.stdout.close()
    end = time.monotonic() + 40.0  # it would sleep for 50
    while time.monotonic() < end:
        try:
            state = Path(f"/proc/{worker}/stat").read_text().split(")")[1].split()[0]
        except OSError:
            break
        if state == "Z":
            break
        time.sleep(0.05)
    else:
        os.kill(worker, signal.SIGKILL)
        pytest.fail("the worker outlived its parent")
