"""The HTTP door as a process: ``python -m repairadvisor.web.serve``, which ``repairadvisor serve`` becomes.

Prints one line once it listens. Ends with exit status 0 when told to stop (SIGTERM, Ctrl-C), with 2 and one line on
standard error when it cannot start.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import sys
from dataclasses import replace
from typing import Any

import orjson
from waitress import create_server
from waitress.channel import HTTPChannel
from waitress.task import ErrorTask

from repairadvisor.card_making import CardMaking
from repairadvisor.delivery.office import Office, open_office
from repairadvisor.delivery.pulse import Name
from repairadvisor.errors import RepairAdvisorError, SettingsError
from repairadvisor.render.sentences import one_line
from repairadvisor.schemas.json_text import LONGEST
from repairadvisor.service import open_advisor
from repairadvisor.settings import PORT, Settings
from repairadvisor.web.app import create_app
from repairadvisor.web.cards import CARD_MAKING
from repairadvisor.web.problems import MEDIA_TYPE, document_of_status

#: The application refuses far shorter bodies, with a problem; this is against floods.
_MOST_BYTES = 32 * LONGEST
#: What is longer than this waits in a file, not in memory.
_MOST_IN_MEMORY = 64 * 1024


class _AsProblem:
    """What the HTTP server itself refuses, in the shape in which the application refuses."""

    def __init__(self, error: Any) -> None:
        self._error = error

    def to_response(self, _ident: object = None) -> tuple[str, list[tuple[str, str]], bytes]:
        status, detail = self._error.code, one_line(self._error.body)
        headers = [("Content-Type", MEDIA_TYPE), ("X-Content-Type-Options", "nosniff")]
        return f"{status} {self._error.reason}", headers, document_of_status(status, detail)


class _ProblemTask(ErrorTask):  # type: ignore[misc]
    def execute(self) -> None:
        self.request.error = _AsProblem(self.request.error)
        super().execute()


class _Channel(HTTPChannel):  # type: ignore[misc]
    error_task_class = _ProblemTask


def main(arguments: list[str] | None = None) -> int:
    """Serve until told to stop; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m repairadvisor.web.serve", description=__doc__)
    parser.add_argument("--port", type=int, help=f"port to listen on, 0 for any free one (else {PORT})")
    parser.add_argument("--json", action="store_true", help="print address and process as JSON")
    given = parser.parse_args(arguments)
    try:
        settings = Settings.from_environment(os.environ)
        server, office, cards = _server(settings if given.port is None else replace(settings, port=given.port))
    except RepairAdvisorError as error:
        sys.stderr.write(f"{one_line(str(error))}\n")
        return 2
    signal.signal(signal.SIGTERM, _stop)
    sys.stdout.write(_announcement(_address(server), as_json=given.json))
    sys.stdout.flush()
    try:
        server.run()
    finally:
        if office is not None:
            office.stop()
        if cards is not None:
            cards.stop()
    return 0


def _server(settings: Settings) -> tuple[Any, Office | None, CardMaking | None]:
    # First the port, then the policy: that takes seconds, and a port that is taken is to be told at once.
    listening = _listening(settings)
    try:
        advisor = open_advisor(settings)
        office = open_office(settings, advisor, os.environ)
        if office is not None:
            office.start(Name(settings.worker, settings.database_url, os.environ))
        app = create_app(settings, advisor, office)
    except RepairAdvisorError:
        listening.close()
        raise
    server = create_server(
        app,
        sockets=[listening],
        ident=None,
        max_request_body_size=_MOST_BYTES,
        inbuf_overflow=_MOST_IN_MEMORY,
        clear_untrusted_proxy_headers=True,
    )
    server.channel_class = _Channel
    return server, office, app.extensions[CARD_MAKING]


def _listening(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        return socket.create_server((settings.host, settings.port), family=family)
    except OSError as error:
        raise SettingsError(
            PORT, str(settings.port), f"cannot be listened on: {os.strerror(error.errno or 0)}", "a free port"
        ) from error


def _stop(_signal: int, _frame: object) -> None:
    raise SystemExit(0)


def _address(server: Any) -> str:
    host, port = server.effective_host, server.effective_port
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def _announcement(address: str, *, as_json: bool) -> str:
    if as_json:
        return orjson.dumps({"address": address, "pid": os.getpid()}).decode() + "\n"
    return f"Listening on {address}, process {os.getpid()}; stop it with Ctrl-C\n"


if __name__ == "__main__":
    sys.exit(main())
