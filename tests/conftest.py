"""Generated examples are the same in every run, so that a green run can be had again; whole runs look further.

At the end a run says of each expensive check how much of it was done: "n of N".
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable

import pytest
from hypothesis import settings

settings.register_profile("fixed", derandomize=True)
settings.register_profile("whole", print_blob=True)
settings.load_profile("whole" if os.environ.get("REPAIRADVISOR_LONG") else "fixed")


#: Compiled once for all processes of a run, those that tests start included; never what another run has left.
_CACHE = pytest.StashKey[str]()


def pytest_configure(config: pytest.Config) -> None:
    """Give the run a cache of its own; its workers and their children find it in the environment."""
    if not hasattr(config, "workerinput"):
        config.stash[_CACHE] = os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="repairadvisor-cache-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take it away again."""
    if _CACHE in config.stash:
        shutil.rmtree(config.stash[_CACHE], ignore_errors=True)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what only a whole run of the long checks does; how many is said at the end as deselected."""
    left = [one for one in items if one.get_closest_marker("whole_run")]
    if left and not os.environ.get("REPAIRADVISOR_LONG"):
        config.hook.pytest_deselected(items=left)
        items[:] = [one for one in items if one not in left]


@pytest.fixture
def share(record_property: Callable[[str, object], None]) -> Callable[[int, int, int], int]:
    """How many of ``whole`` a check does: all of them in a whole run, else ``usual``; told at the end with the seed."""

    def of(whole: int, usual: int, seed: int) -> int:
        count = whole if os.environ.get("REPAIRADVISOR_LONG") else usual
        for name, value in (("seed", seed), ("n", count), ("of", whole)):
            record_property(name, value)
        return count

    return of


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Tell the share here: what a check prints itself is not shown when it passes."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.getreports(outcome):
            told = dict(report.user_properties)
            if "of" in told:
                terminalreporter.write_line(f"{report.nodeid}: {told['n']} of {told['of']} (seed {told['seed']})")
