"""With ``REPAIRADVISOR_REQUIRE_ALL=1`` a test that would be skipped fails instead; the figures of each run are told."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
        report.outcome = "failed"
        report.longrepr = f"skipped where every test must run: {call.excinfo.value if call.excinfo else ''}"
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What a run prints itself is not shown when it passes, and it is what a reader wants to know."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.getreports(outcome):
            for name, value in report.user_properties:
                if name == "figures":
                    terminalreporter.write_line(f"{report.nodeid}:")
                    for line in str(value).splitlines():
                        terminalreporter.write_line(f"    {line}")
