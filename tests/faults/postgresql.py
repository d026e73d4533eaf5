"""A PostgreSQL server of the test's own, on loopback, that can be crashed: nobody else's may be.

Its programs are looked for where Debian puts them, as ``.ci/with_postgresql`` does.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path

_PROGRAMS = Path("/usr/lib/postgresql")
_WITHIN_S = 60


def programs() -> Path | None:
    """The folder of the newest server's programs, or None."""
    found = [one for one in _PROGRAMS.glob("*/bin") if (one / "initdb").exists()]
    return max(found, key=lambda one: [int(part) for part in re.findall(r"\d+", one.parent.name)], default=None)


class Server:
    """The server. Its data lie in a folder of its own, which is removed when it ends."""

    def __init__(self, folder_of_programs: Path) -> None:
        self._programs = folder_of_programs
        self._folder = Path(tempfile.mkdtemp(prefix="faults-postgresql-"))
        # The server refuses to run as root.
        self._user = "postgres" if os.getuid() == 0 else None
        if self._user is not None:
            shutil.chown(self._folder, self._user)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self._port = free.getsockname()[1]
        self.crashes = 0
        self._is_away = False
        self._back_at = 0.0

    @property
    def url(self) -> str:
        """The URL of its one database."""
        return f"postgresql://advisor@127.0.0.1:{self._port}/postgres"

    def __enter__(self) -> Server:
        self._run("initdb", "--auth=trust", "--username=advisor", "--encoding=UTF8", "--locale=C.UTF-8")
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if (self._folder / "data" / "postmaster.pid").exists():
                self._run("pg_ctl", "stop", "-m", "fast", "-w")
        finally:
            shutil.rmtree(self._folder, ignore_errors=True)

    def crash(self, away_s: float = 1.5) -> None:
        """End it as a crash would, without a word to anybody, and start it again after a while."""
        self._is_away = True
        self._run("pg_ctl", "stop", "-m", "immediate", "-w")
        self.crashes += 1
        time.sleep(away_s)
        self._start()
        self._back_at = time.monotonic()
        self._is_away = False

    def was_away_since(self, moment: float) -> bool:
        """Whether it is away, or was since that moment (monotonic, s)."""
        return self._is_away or self._back_at >= moment

    def _start(self) -> None:
        options = f"-p {self._port} -c listen_addresses=127.0.0.1 -c unix_socket_directories=''"
        self._run("pg_ctl", "start", "-w", "-l", str(self._folder / "log"), "-o", options)

    def _run(self, program: str, *given: str) -> None:
        # To nobody's pipe: the server would hold it open.
        subprocess.run(
            [str(self._programs / program), "-D", str(self._folder / "data"), *given],
            user=self._user,
            group=self._user,
            extra_groups=None if self._user is None else [],
            cwd=self._folder,
            check=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=_WITHIN_S,
        )
