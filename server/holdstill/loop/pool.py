"""Worker processes that are watched: one that crashes, hangs or eats memory is ended and replaced."""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import TypeVar

from holdstill.limits import limit

T = TypeVar("T")
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
"""Workers' libraries keep to one thread each: matrices here are small, and threads that wait for work that
never comes cost a solve of eight cameras six times its time."""
READY_S = 240.0
"""A worker that is not ready after this long never will be."""
WATCH_S = 0.2
"""How often a working process's memory is looked at."""


class WorkerLost(Exception):
    """The worker process crashed, took too long or too much memory; it has been replaced."""


def _begin(first: Callable[..., None] | None, arguments: tuple[object, ...], most_bytes: int) -> None:
    """At a worker's start: leave Ctrl-C to the parent, end with it, keep memory within bounds, prepare."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        # what grows faster than it is looked at meets a wall of the system's own
        resource.setrlimit(resource.RLIMIT_DATA, (2 * most_bytes, resource.RLIM_INFINITY))
    if first is not None:
        first(*arguments)


def _end_with_parent() -> None:
    """Wait for the parent's end, however it comes, and follow: nobody is left to work for."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)


def resident_bytes(pid: int) -> int | None:
    """Memory that a process has in use; None where the system does not tell."""
    try:
        pages = Path(f"/proc/{pid}/statm").read_text("ascii").split()[1]
        return int(pages) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return None


class Pool:
    """One spawned worker process that runs functions one after the other.

    first
        Runs in each new process before anything else.
    longest_s
        A call that takes longer is given up and its process ended.
    most_bytes
        A process that has more memory in use is ended; by default the limit `worker_memory_mb`.
    """

    def __init__(
        self,
        name: str,
        *,
        longest_s: float,
        first: Callable[..., None] | None = None,
        arguments: tuple[object, ...] = (),
        most_bytes: int | None = None,
    ) -> None:
        self.name = name
        self.longest_s = longest_s
        self.most_bytes = most_bytes or int(limit("worker_memory_mb") * 1e6)
        self.restarts = 0
        self._first = first
        self._arguments = arguments
        for one in ONE_THREAD:  # read by libraries when they load, which is before `_begin` runs
            os.environ.setdefault(one, "1")
        self._executor = self._new()

    def _new(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            1,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_begin,
            initargs=(self._first, self._arguments, self.most_bytes),
        )

    async def ready(self) -> None:
        """Wait until the worker has started and prepared itself (compiling may take a while on a new
        machine). Raises `WorkerLost` when it can't."""
        await self._within(READY_S, int)

    async def run(self, function: Callable[..., T], *arguments: object) -> T:
        """`function(*arguments)` in the worker.

        Raises `WorkerLost` when the process crashed, took longer than `longest_s` or more memory than
        `most_bytes`; a new process stands ready by then.  Other exceptions of the function itself pass
        through.
        """
        return await self._within(self.longest_s, function, *arguments)

    async def _within(self, seconds: float, function: Callable[..., T], *arguments: object) -> T:
        loop = asyncio.get_running_loop()
        executor = self._executor
        try:
            working = loop.run_in_executor(executor, function, *arguments)
            working.add_done_callback(lambda given_up: given_up.cancelled() or given_up.exception())
            end = loop.time() + seconds
            while True:
                left = end - loop.time()
                done, _ = await asyncio.wait([working], timeout=max(min(WATCH_S, left), 0.0))
                if done:
                    return working.result()
                if left <= 0:
                    raise TimeoutError
                if self._too_large(executor):
                    raise MemoryError
        except (BrokenProcessPool, TimeoutError, MemoryError) as error:
            self._replace(executor)
            raise WorkerLost(f"{self.name}: {type(error).__name__}") from error

    def _too_large(self, executor: ProcessPoolExecutor) -> bool:
        sizes = [resident_bytes(p.pid) for p in _processes(executor) if p.pid is not None]
        return any(size is not None and size > self.most_bytes for size in sizes)

    def _replace(self, old: ProcessPoolExecutor) -> None:
        """A new process instead of `old`, unless another call has seen to that already."""
        if self._executor is old:
            self._executor = self._new()
            self.restarts += 1
            _end(old)

    def close(self) -> None:
        """End the worker at once."""
        _end(self._executor)


def _processes(executor: ProcessPoolExecutor) -> list[multiprocessing.process.BaseProcess]:
    return list((executor._processes or {}).values())


def _end(executor: ProcessPoolExecutor) -> None:
    processes = _processes(executor)
    executor.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.kill()
    for process in processes:
        process.join(2.0)
