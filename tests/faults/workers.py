"""The service's processes: started, watched, started again when they die; and the tokens by which they die."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO

TESTS = Path(__file__).parents[1]
#: A start takes about two seconds on an idle machine, more where a name has to be waited for.
_STARTS_WITHIN_S, _STOPS_WITHIN_S = 90.0, 30.0
KILLED = -signal.SIGKILL


class Worker:
    """One process after the other under one name; ``address`` is "" while there is none to talk to."""

    def __init__(self, crew: Crew, name: str) -> None:
        self.name = name
        self.address = ""
        self.stays_dead_s = 0.0
        self.process: subprocess.Popen[str] | None = None
        self._crew = crew
        self._thread = threading.Thread(target=self._keep, daemon=True)

    def start(self) -> None:
        """Keep a process alive from now on."""
        self._thread.start()

    def join(self) -> None:
        """Wait until nothing is kept alive any more."""
        self._thread.join(timeout=_STARTS_WITHIN_S + _STOPS_WITHIN_S)

    def _keep(self) -> None:
        while not self._crew.over.is_set():
            with (self._crew.folder / f"{self.name}.log").open("a", encoding="utf-8") as log:
                self._one_life(log)
            dead_s, self.stays_dead_s = self.stays_dead_s, 0.0
            self._crew.over.wait(dead_s)

    def _one_life(self, log: IO[str]) -> None:
        process, started_at = self._crew.started(self.name, log), time.monotonic()
        self.process = process
        try:
            self.address = _announced(process)
            while process.poll() is None and not self._crew.over.is_set():
                time.sleep(0.02)
        finally:
            self.address = ""
            if process.poll() is None:
                process.terminate()
            try:
                ended = process.wait(timeout=_STOPS_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                ended = process.wait(timeout=_STOPS_WITHIN_S)
                self._crew.faults.append(f"{self.name} did not stop when told to")
            if process.stdout is not None:
                process.stdout.close()
        self._crew.ended(self.name, ended, started_at)


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


class Crew:
    """All workers on one database and one desk. ``deaths`` counts processes that were killed, ``refusals`` those that
    would not start, ``faults`` whatever else ended them."""

    def __init__(
        self, folder: Path, database_url: str, desk_url: str, names: Sequence[str], *, named: bool, blind: bool = False
    ) -> None:
        """``named``: the service is told its name, as on several machines; else it finds one, as on a single one."""
        self.folder = folder
        self.tokens = folder / "tokens"
        self.tokens.mkdir()
        self.over = threading.Event()
        self.deaths: Counter[str] = Counter()
        self.refusals = 0
        self.faults: list[str] = []
        #: Whether a process that was started at that moment (monotonic, s) may have found no database.
        self.was_database_away: Callable[[float], bool] = lambda _: False
        self._database_url = database_url
        self._desk_url = desk_url
        self._named = named
        self._blind = blind
        self.workers = [Worker(self, name) for name in names]

    def __enter__(self) -> Crew:
        for worker in self.workers:
            worker.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        for worker in self.workers:
            worker.join()

    def started(self, name: str, log: IO[str]) -> subprocess.Popen[str]:
        """A new process."""
        environment = {
            "PATH": os.environ.get("PATH", ""),
            "HOME": str(self.folder),
            "XDG_CACHE_HOME": os.environ.get("XDG_CACHE_HOME", ""),
            "PYTHONPATH": os.pathsep.join([str(TESTS), *filter(None, [os.environ.get("PYTHONPATH")])]),
            "REPAIRADVISOR_DATABASE_URL": self._database_url,
            "REPAIRADVISOR_WORKER": name if self._named else "",
        }
        given = ["--desk", self._desk_url, "--tokens", str(self.tokens), "--worker", name]
        return subprocess.Popen(
            [sys.executable, "-m", "faults.service", *given, *(["--blind"] if self._blind else [])],
            env=environment,
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )

    def ended(self, name: str, status: int, started_at: float) -> None:
        """A process ended."""
        if status == KILLED:
            self.deaths[name] += 1
        elif self.over.is_set() and status == 0:
            pass
        elif status == 2 and self.was_database_away(started_at):
            self.refusals += 1
            time.sleep(0.3)
        else:
            last_words = (self.folder / f"{name}.log").read_text(encoding="utf-8").splitlines()[-1:]
            self.faults.append(f"{name} ended with {status}: {last_words}")
            time.sleep(1.0)

    def kill(self, name: str) -> bool:
        """Kill the process of that name now, if there is one that listens."""
        for worker in self.workers:
            if worker.name == name and worker.address and worker.process is not None:
                worker.process.kill()
                return True
        return False

    def addresses(self) -> list[str]:
        """Where somebody listens."""
        return [address for worker in self.workers if (address := worker.address)]

    def said(self, words: str) -> int:
        """How often the processes' logs hold these words."""
        logs = [self.folder / f"{worker.name}.log" for worker in self.workers]
        return sum(log.read_text(encoding="utf-8").count(words) for log in logs if log.exists())
