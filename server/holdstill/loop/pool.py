"""Worker processes that are watched: one that crashes or hangs is ended and replaced."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

T = TypeVar("T")
READY_S = 240.0
"""A worker that is not ready after this long never will be."""


class WorkerLost(Exception):
    """The worker process crashed or took too long; it has been replaced."""


def _begin(first: Callable[..., None] | None, arguments: tuple[object, ...]) -> None:
    """At a worker's start: leave Ctrl-C to the parent, keep libraries to one thread, prepare."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    if first is not None:
        first(*arguments)


class Pool:
    """One spawned worker process that runs functions one after the other.

    first
        Runs in each new process before anything else.
    longest_s
        A call that takes longer is given up and its process ended.
    """

    def __init__(
        self,
        name: str,
        *,
        longest_s: float,
        first: Callable[..., None] | None = None,
        arguments: tuple[object, ...] = (),
    ) -> None:
        self.name = name
        self.longest_s = longest_s
        self.restarts = 0
        self._first = first
        self._arguments = arguments
        self._executor = self._new()

    def _new(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            1,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_begin,
            initargs=(self._first, self._arguments),
        )

    async def ready(self) -> None:
        """Wait until the worker has started and prepared itself (compiling may take a while on a new
        machine). Raises `WorkerLost` when it can't."""
        await self._within(READY_S, int)

    async def run(self, function: Callable[..., T], *arguments: object) -> T:
        """`function(*arguments)` in the worker.

        Raises `WorkerLost` when the process crashed or took longer than `longest_s`; a new
        process stands ready by then.  Exceptions of the function itself pass through.
        """
        return await self._within(self.longest_s, function, *arguments)

    async def _within(self, seconds: float, function: Callable[..., T], *arguments: object) -> T:
        loop = asyncio.get_running_loop()
        try:
            return await asyncio.wait_for(loop.run_in_executor(self._executor, function, *arguments), seconds)
        except (BrokenProcessPool, TimeoutError) as error:
            self._replace()
            raise WorkerLost(f"{self.name}: {type(error).__name__}") from error

    def _replace(self) -> None:
        old, self._executor = self._executor, self._new()
        self.restarts += 1
        _end(old)

    def close(self) -> None:
        """End the worker at once."""
        _end(self._executor)


def _end(executor: ProcessPoolExecutor) -> None:
    processes = list((executor._processes or {}).values())
    executor.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.kill()
    for process in processes:
        process.join(2.0)
