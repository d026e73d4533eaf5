"""The service as it is, over imagined desks in memory and a method that takes no time, in a process of its own.

``python -m benchmarks.desk_service [--slow-s S] [--door-only]``: the rest comes from the environment, as for
``repairadvisor serve``. Started and ended by :func:`serving`.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from builders import FixedMethod, an_advice
from delivery.desk import Desk

from repairadvisor.delivery.durable import DurableQueue
from repairadvisor.delivery.office import Office
from repairadvisor.delivery.pulse import Name
from repairadvisor.plugin.loading import Plugins, Source
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings
from repairadvisor.store.database import open_database
from repairadvisor.web import serve

#: The sources; each is its own carrier. The desk named SLOW takes its time over every write.
DESK, OTHER, SLOW = "desk", "other", "slow"
#: A source that is not set up.
NOBODY = "nobody"
_TESTS = Path(__file__).resolve().parent.parent
_STARTS_WITHIN_S, _STOPS_WITHIN_S = 90.0, 30.0


class DoorOnly(Office):
    """Takes events in and does nothing about them: what the door costs by itself."""

    def start(self, name: Name) -> None:
        self._queue.start(self, (), name.text)


def main() -> int:
    """Serve until told to stop."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--slow-s", type=float, default=0.0)
    parser.add_argument("--door-only", action="store_true")
    given = parser.parse_args()
    desks = {DESK: Desk(), OTHER: Desk(), SLOW: Desk(before=lambda _: time.sleep(given.slow_s))}
    plugins = Plugins(sources={name: Source(name, desk, name) for name, desk in desks.items()}, carriers=desks)
    kind = DoorOnly if given.door_only else Office

    def open_office(settings: Settings, advisor: Advisor, environment: Mapping[str, str]) -> Office:
        queue = DurableQueue(settings.database_url)
        return kind(open_database(settings.database_url), queue, advisor, plugins, settings.public_url)

    def open_advisor(settings: Settings) -> Advisor:
        # An advice that runs out would leave work for later, and the service would never be seen at rest.
        return Advisor(FixedMethod(replace(an_advice(), valid_until="")), open_records(settings))

    vars(serve).update(open_office=open_office, open_advisor=open_advisor)
    return serve.main(["--port", "0", "--json"])


@contextmanager
def serving(folder: Path, database_url: str, *given: str) -> Iterator[str]:
    """A process that serves over a database, and its address; ended at the end. ``folder`` is its home and new.

    Raises :class:`RuntimeError` with its last words where it does not come to listen.
    """
    folder.mkdir()
    environment = {
        "PATH": os.environ.get("PATH", ""),
        "HOME": str(folder),
        "XDG_CACHE_HOME": os.environ.get("XDG_CACHE_HOME", ""),
        "PYTHONPATH": os.pathsep.join([str(_TESTS), *filter(None, [os.environ.get("PYTHONPATH")])]),
        "REPAIRADVISOR_DATABASE_URL": database_url,
    }
    with (folder / "log").open("w", encoding="utf-8") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "benchmarks.desk_service", *given],
            env=environment,
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
    try:
        address = _announced(process)
        if not address:
            raise RuntimeError(f"the service did not start: {(folder / 'log').read_text(encoding='utf-8')[-500:]}")
        yield address
    finally:
        _ended(process)


def _announced(process: subprocess.Popen[str]) -> str:
    """The address that a process prints once it listens; "" where it ends first, or takes too long."""
    if process.stdout is None:
        raise ValueError("its output is not read")
    until = time.monotonic() + _STARTS_WITHIN_S
    while time.monotonic() < until and process.poll() is None:
        if select.select([process.stdout], [], [], 0.1)[0]:
            line = process.stdout.readline()
            return str(json.loads(line)["address"]) if line else ""
    return ""


def _ended(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(timeout=_STOPS_WITHIN_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=_STOPS_WITHIN_S)
    if process.stdout is not None:
        process.stdout.close()


if __name__ == "__main__":
    sys.exit(main())
