"""What `numba` compiles, compiled once for a run of the whole suite by two processes.

Compiling the eye's loops costs as much as a fifth of all tests. The two processes may not share a cache:
numba's files mix up what two processes compile at one moment. So the loops are compiled once, in a folder
named by a digest of the sources (no code is ever taken for another's), and each process begins with a copy.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
READY = "HOLDSTILL_TESTS_COMPILED"
LONGEST_S = 400.0
WARM = """
import os, sys
try:
    from holdstill.loop.warm import warm_eye, warm_mind
    warm_eye()
    warm_mind()
finally:
    os.rename(sys.argv[1], sys.argv[2])
"""
AT_WORK: list[subprocess.Popen[bytes]] = []
"""What compiles, kept so that nobody misses it."""


def begin() -> None:
    """In the process that hands out the tests: compile in the background, unless that was done before."""
    digest = hashlib.sha256(sys.version.encode())
    for path in sorted((ROOT / "server" / "holdstill").rglob("*.py")):
        digest.update(path.read_bytes())
    ready = ROOT / "build" / f"compiled-{digest.hexdigest()[:16]}"
    os.environ[READY] = str(ready)
    if ready.is_dir():
        return
    for old in ready.parent.glob("compiled-*"):
        shutil.rmtree(old, ignore_errors=True)
    ready.parent.mkdir(exist_ok=True)
    partly = tempfile.mkdtemp(prefix="compiling-", dir=ready.parent)
    environment = {**os.environ, "NUMBA_CACHE_DIR": partly, "PYTHONPATH": str(ROOT / "server")}
    command, quiet = [sys.executable, "-c", WARM, partly, str(ready)], subprocess.DEVNULL
    AT_WORK.append(subprocess.Popen(command, env=environment, stdout=quiet, stderr=quiet))


def end() -> None:
    """In that process, when all is over: nothing is left at work."""
    for process in AT_WORK:
        if process.poll() is None:
            process.kill()
            process.wait()


def of_its_own() -> None:
    """In a process that runs tests, before numba is imported: a cache of its own."""
    os.environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp(prefix="holdstill-numba-")
    atexit.register(shutil.rmtree, os.environ["NUMBA_CACHE_DIR"], ignore_errors=True)


def take() -> None:
    """In that process, before the first test: wait for what is being compiled, and take a copy."""
    ready, end = Path(os.environ[READY]), time.monotonic() + LONGEST_S
    while not ready.is_dir() and time.monotonic() < end:
        time.sleep(0.2)
    if ready.is_dir():
        shutil.copytree(ready, os.environ["NUMBA_CACHE_DIR"], dirs_exist_ok=True)
