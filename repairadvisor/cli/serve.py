"""``repairadvisor serve``: answer over HTTP, here or in the background."""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import requests

from repairadvisor.cli.streams import DONE, REFUSED, output
from repairadvisor.errors import SettingsError
from repairadvisor.settings import HIGHEST_PORT, PORT, Settings, state_folder

_START_S, _POLL_S = 120.0, 0.05


def add_to(commands: Any) -> None:
    """Declare the command."""
    serve = commands.add_parser("serve", help="answer over HTTP, on this machine only")
    serve.add_argument("--port", metavar="N", help=f"port to listen on, 0 for any free one (else {PORT})")
    serve.add_argument("--background", action="store_true", help="return once it answers, and leave it running")
    serve.add_argument("--json", action="store_true", help="print address and process as JSON")
    serve.set_defaults(run=_serve)


def _serve(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    if given.port is not None:
        settings = replace(settings, port=_port(given.port))
    command = [sys.executable, "-m", "repairadvisor.web.serve", "--port", str(settings.port)]
    if not given.background:
        sys.stdout.flush()
        # The HTTP door is a program beside this one: from here on this process is that one.
        os.execv(command[0], [*command, "--json"] if given.json else command)  # noqa: S606 - our own interpreter
    return _serve_in_background([*command, "--json"], as_json=given.json)


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= len(str(HIGHEST_PORT))):
        raise SettingsError("--port", text, "is not a port", f"0 to {HIGHEST_PORT}, 0 takes any free port")
    return int(text)


def _serve_in_background(command: list[str], *, as_json: bool) -> int:
    log = _log_file(os.environ)
    reading, writing = os.pipe()
    with log.open("ab") as errors:
        begins = errors.seek(0, os.SEEK_END)
        child = subprocess.Popen(  # noqa: S603 - our own interpreter and arguments
            command, stdin=subprocess.DEVNULL, stdout=writing, stderr=errors, start_new_session=True
        )
    os.close(writing)
    address = _announced(reading)
    if not address or not _becomes_live(address):
        child.kill()
        child.wait()
        sys.stderr.write(log.read_bytes()[begins:].decode(errors="replace"))
        print(f"the server did not start; what it said is in {log}", file=sys.stderr)
        return REFUSED
    with output():
        if as_json:
            print(orjson.dumps({"address": address, "pid": child.pid}).decode())
        else:
            print(f"Listening on {address}, process {child.pid}; stop it with: kill {child.pid}")
    # It is meant to outlive us: without this the interpreter would warn that it still runs.
    child.returncode = DONE
    return DONE


def _announced(reading: int) -> str:
    """The address that a starting server prints, or "" if it ends or takes too long before."""
    with os.fdopen(reading, "rb") as output:
        ready, _, _ = select.select([output], [], [], _START_S)
        line = output.readline() if ready else b""
    return str(orjson.loads(line)["address"]) if line else ""


def _becomes_live(address: str) -> bool:
    give_up_at = time.monotonic() + _START_S
    with requests.Session() as session:
        session.trust_env = False  # no proxy stands between this machine and itself
        while time.monotonic() < give_up_at:
            try:
                session.get(f"{address}/health/live", timeout=5).raise_for_status()
            except requests.RequestException:
                time.sleep(_POLL_S)
            else:
                return True
    return False


def _log_file(environment: Mapping[str, str]) -> Path:
    """Where a server in the background writes what it has to say: the user's state folder, by the XDG Base
    Directory Specification."""
    log = state_folder(environment) / "serve.log"
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        log.open("ab").close()
    except OSError as error:
        raise SettingsError("XDG_STATE_HOME", str(log.parent), f"cannot be written to: {error.strerror}") from error
    return log
