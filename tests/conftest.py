"""In CI a skipped test is a failed run: what is skipped there is tested nowhere."""

from __future__ import annotations

import os

import pytest


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
