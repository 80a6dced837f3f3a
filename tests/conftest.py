"""How the suite runs: a process for each core, each of one thread, the longest files first.

A file's tests stay in one process, and so do those of a folder that has a long set-up in common.

In CI a skipped test is a failed run: what is skipped there is tested nowhere.
"""

from __future__ import annotations

import os

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

# Read when numpy and OpenCV are loaded, here and in every process that a test starts; threads would only take turns.
for threads in ("OPENCV_FOR_THREADS_NUM", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

# A long file that began last would keep one core busy while the others rest. Real time is the longest of all.
FIRST = ("tests/whole/test_real_window.py", "tests/whole/", "tests/projector/setup/", "tests/measure/", "tests/vision/")

# One calibration serves all of such a folder: elsewhere it would have to be made again.
TOGETHER = ("tests/projector/setup/", "tests/whole/photographs/")


@pytest.hookimpl(tryfirst=True)
def pytest_sessionstart(session: pytest.Session) -> None:
    """Loops over pixels are compiled once, before all processes want them at the same time."""
    if not hasattr(session.config, "workerinput") and not session.config.option.collectonly:
        from vision.warming import warm_up  # reads the number of threads, as NumPy does

        warm_up()


class ByFile(LoadScopeScheduling):
    """Hands out files, and a folder of a common set-up as if it were one."""

    def _split_scope(self, nodeid: str) -> str:
        folders = (folder for folder in TOGETHER if nodeid.startswith(folder))
        return next(folders, nodeid.partition("::")[0])


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> ByFile:
    return ByFile(config, log)


def place_in_order(item: pytest.Item) -> int:
    """Files that are not named come last."""
    return next((place for place, start in enumerate(FIRST) if item.nodeid.startswith(start)), len(FIRST))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=place_in_order)  # stable: within a file nothing changes


def skipped(config: pytest.Config) -> list[str]:
    """Names and reasons of the tests that were skipped, if this is CI."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or os.environ.get("CI", "").lower() not in ("1", "true"):
        return []
    reports = reporter.stats.get("skipped", [])
    return [f"{report.nodeid}: {report.longrepr[2] if report.longrepr else ''}" for report in reports]


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    if session.exitstatus == pytest.ExitCode.OK and skipped(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for line in skipped(config):
        terminalreporter.write_line(f"SKIPPED IN CI, SO FAILED {line}", red=True)
