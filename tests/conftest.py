"""How the tests are run: the whole suite by two processes, and tests with cameras on a network in a network
namespace of their own, those of a file at once, by a second pytest inside it; here each reports what it
came to there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, settings

import compiled

INSIDE = "HOLDSTILL_IN_NAMESPACE"
REQUIRED = "HOLDSTILL_REQUIRE_CAMERAS"
ROOT = Path(__file__).parents[1]
SETUP = 'ip link set lo up && ip addr add 127.0.0.2/8 dev lo && exec "$@"'


@cache
def why_not() -> str | None:
    """Why there can be no cameras on a network here; None when there can."""
    if not sys.platform.startswith("linux") or shutil.which("unshare") is None or shutil.which("ip") is None:
        return "no network namespaces on this system (unshare and ip are needed)"
    try:
        trial = ["unshare", "-rn", "sh", "-c", SETUP, "sh", "true"]
        done = subprocess.run(trial, capture_output=True, text=True, timeout=20, check=False)
    except (OSError, subprocess.TimeoutExpired) as trouble:
        return f"network namespaces are not allowed here: {trouble}"
    if done.returncode:
        return f"network namespaces are not allowed here: {done.stderr.strip()}"
    return None


@cache
def missing() -> str | None:
    """What is missing to be a camera; None when nothing is."""
    import ctypes

    try:
        ctypes.CDLL("libaravis-0.8.so.0")
        import viva_genicam  # noqa: F401 - is it there?
    except (OSError, ImportError) as trouble:
        return f"no camera to be had: {trouble} (Debian's libaravis-0.8-0, and the extra genicam)"
    return None


ONE_OF_TWO = "PYTEST_XDIST_WORKER" in os.environ
"""Whether this process is one of those that run the whole suite."""
if ONE_OF_TWO:
    compiled.of_its_own()

# time is not what the laws are about: a busy machine must not make one fail
settings.register_profile("laws", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("laws")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """The whole suite, as it is asked for without a word more, goes to two processes, file by file: much
    of it is waiting. A part of it, long studies and benches run in the one process that was asked."""
    if ONE_OF_TWO:
        return
    if "PYTEST_XDIST_WORKER" in os.environ or "PYTEST_XDIST_TESTRUNUID" in os.environ:
        return  # one of the two, or what it started: two more each would go on without end
    option = config.option
    whole = config.args_source is config.ArgsSource.TESTPATHS and option.markexpr == USUAL
    asked = option.keyword or option.capture == "no" or option.usepdb or option.collectonly
    if whole and not asked and getattr(option, "numprocesses", 0) is None:
        option.numprocesses, option.dist, option.loadscopereorder = 2, "loadfile", False
        compiled.begin()


def pytest_unconfigure() -> None:
    compiled.end()


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop() -> None:
    """One of the two processes begins with what was compiled for both."""
    if ONE_OF_TWO and compiled.READY in os.environ:
        compiled.take()


USUAL = "not long and not bench"
"""What ``addopts`` selects."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take longest begin first, so that neither process is left with one at the end."""
    items.sort(key=lambda item: not item.path.parent.name.startswith(FIRST))


FIRST = ("cameras", "trust")


def pytest_configure(config: pytest.Config) -> None:
    config.stash[RESULTS] = {}


RESULTS: pytest.StashKey[dict[str, tuple[str, str, float]]] = pytest.StashKey()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Run a namespace test inside one; report here."""
    del nextitem
    if item.get_closest_marker("namespace") is None or os.environ.get(INSIDE) == "1":
        return None
    outcome, text, seconds = _outcome(item)
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    longrepr: object = None
    if outcome == "skipped":
        longrepr = (str(item.path), item.location[1], f"Skipped: {text}")
    elif outcome == "failed":
        longrepr = text
    for when in ("setup", "call", "teardown"):
        told = outcome if when == "call" else "passed"
        report = pytest.TestReport(
            nodeid=item.nodeid,
            location=item.location,
            keywords=dict.fromkeys(item.keywords, 1),
            outcome=told,  # type: ignore[arg-type]
            longrepr=longrepr if told == outcome and when == "call" else None,  # type: ignore[arg-type]
            when=when,  # type: ignore[arg-type]
            duration=seconds if when == "call" else 0.0,
        )
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def _outcome(item: pytest.Item) -> tuple[str, str, float]:
    reason = why_not()
    if reason is not None:
        return "skipped", reason, 0.0
    lack = missing()
    if lack is not None:
        return ("failed" if os.environ.get(REQUIRED) == "1" else "skipped"), lack, 0.0
    results = item.config.stash[RESULTS]
    if item.nodeid not in results:
        here = [i for i in item.session.items if i.path == item.path]
        results.update(_run_inside([i for i in here if i.get_closest_marker("namespace") is not None]))
    return results.get(item.nodeid, ("failed", "the test did not come to an end inside the namespace", 0.0))


def _run_inside(items: list[pytest.Item]) -> dict[str, tuple[str, str, float]]:
    """These tests of a file, run by a pytest inside a new network namespace."""
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told.xml"
        command = [
            sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-m", "namespace",
            "-o", "junit_family=xunit1", f"--junitxml={told}", *(str(i.nodeid) for i in items),
        ]  # fmt: skip
        if items and items[0].config.getoption("capture") == "no":
            command.append("-s")
        done = subprocess.run(
            ["unshare", "-rn", "sh", "-c", SETUP, "sh", *command],
            cwd=items[0].config.rootpath,
            env={**{k: v for k, v in os.environ.items() if "XDIST" not in k}, INSIDE: "1"},
            capture_output="-s" not in command,
            text=True,
            check=False,
        )
        results: dict[str, tuple[str, str, float]] = {}
        if told.is_file():
            for case in ElementTree.parse(told).iter("testcase"):
                results.update(_told(case, items))
        said = f"pytest inside ended with {done.returncode}:\n{done.stdout or ''}\n{done.stderr or ''}"
        for item in items:
            results.setdefault(item.nodeid, ("failed", said, 0.0))
        return results


def _told(case: ElementTree.Element, items: list[pytest.Item]) -> dict[str, tuple[str, str, float]]:
    name, seconds = case.get("name", ""), float(case.get("time", "0"))
    file = case.get("file", "")
    for item in items:
        if item.name == name and str(item.nodeid).startswith(file):
            for child in case:
                if child.tag in ("failure", "error"):
                    return {item.nodeid: ("failed", child.text or child.get("message", ""), seconds)}
                if child.tag == "skipped":
                    return {item.nodeid: ("skipped", child.get("message", ""), seconds)}
            return {item.nodeid: ("passed", "", seconds)}
    return {}
