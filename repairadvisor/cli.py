"""The command line: the use cases of the service, at a shell.

Exit status 0 when it is done, 2 when something that was given cannot be used: then standard error has one line for
each thing that is wrong.
"""

from __future__ import annotations

import argparse
import os
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from io import TextIOWrapper
from pathlib import Path
from typing import Any

import orjson
import requests

from repairadvisor.errors import Fault, InputError, RepairAdvisorError, SettingsError
from repairadvisor.render import terminal
from repairadvisor.render.headings import headings
from repairadvisor.render.sentences import one_line
from repairadvisor.schemas.json_text import LONGEST, read_object
from repairadvisor.schemas.problem import plain_fault
from repairadvisor.schemas.typed import typed_fact
from repairadvisor.service import Advisor, Answer, open_records, prepared_method
from repairadvisor.settings import HIGHEST_PORT, PORT, Settings
from repairadvisor.store.database import RecordsError

DONE, REFUSED = 0, 2

_PAIR = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)=(.*)", re.DOTALL)
_START_S, _POLL_S = 120.0, 0.05

_EXAMPLES = """\
examples:
  repairadvisor advise place=pole_top fault_seen=hanging wind_gust_mps=20km/h spare_near_m=0.5..3
  repairadvisor advise --json --no-record fault.json
  repairadvisor serve --port 8765 --background

a value: pole_top | pole_top|aerial_span | 3 | 3m | 0.5..3 | n/a | 2031-05-04T07:30:00Z (quote | from the shell)
"""


def main(arguments: list[str] | None = None) -> int:
    """Run one command; the exit status."""
    _open_what_was_closed()
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that cannot show µ shows ?
    given = _parser().parse_args(arguments)
    try:
        status: int = given.run(given)
    except InputError as error:
        _tell_faults(error, as_json=given.json)
        return REFUSED
    except RecordsError as error:
        _tell(error.slug, f"{error}; --no-record gives advice without keeping it", as_json=given.json)
        return REFUSED
    except RepairAdvisorError as error:
        _tell(error.slug, str(error), as_json=given.json)
        return REFUSED
    return status


class _OutputError(RepairAdvisorError):
    """What was asked for cannot be written where it should go."""

    slug = "output"


@contextmanager
def _output() -> Iterator[None]:
    """All that is written to standard output is there when the block ends. A reader who has seen enough is no error."""
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        # Nothing may be written at exit either, or Python complains.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):
            raise _OutputError(f"standard output cannot be written: {error.strerror}") from error


def _open_what_was_closed() -> None:
    """Whoever starts us may have closed a standard stream; a file that is opened later must not take its place."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode))  # noqa: SIM115 - to the end, like the stream it is for


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="repairadvisor",
        description="Advice for crews who repair optical fibre.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    advise = commands.add_parser("advise", help="facts in, advice out")
    advise.add_argument(
        "facts",
        nargs="+",
        metavar="FILE|-|NAME=VALUE",
        help="a request as JSON in a file, - for standard input, or facts",
    )
    advise.add_argument("--now", metavar="TIME", help="the moment the advice is for, ISO 8601 with its zone")
    advise.add_argument("--no-record", action="store_true", help="keep nothing")
    advise.add_argument("--json", action="store_true", help="print the document as JSON")
    advise.set_defaults(run=_advise)
    serve = commands.add_parser("serve", help="answer over HTTP, on this machine only")
    serve.add_argument("--port", metavar="N", help=f"port to listen on, 0 for any free one (else {PORT})")
    serve.add_argument("--background", action="store_true", help="return once it answers, and leave it running")
    serve.add_argument("--json", action="store_true", help="print address and process as JSON")
    serve.set_defaults(run=_serve)
    return parser


# --- advise -------------------------------------------------------------------------------------------------


def _advise(given: argparse.Namespace) -> int:
    request = _request(given.facts)
    if given.now is not None:
        request["now"] = given.now
    if given.no_record:
        request["record"] = False
    records = None if request.get("record") is False else open_records(Settings.from_environment(os.environ))
    advisor = Advisor(prepared_method(), records)
    answer = advisor.advise(request, datetime.now(UTC))
    _print_answer(answer, advisor.wording, as_json=given.json)
    return DONE


def _request(words: list[str]) -> dict[str, Any]:
    if len(words) == 1 and not _PAIR.fullmatch(words[0]):
        return read_object(_content(words[0]))
    faults: list[Fault] = []
    facts: dict[str, object] = {}
    for word in words:
        pair = _PAIR.fullmatch(word)
        if pair is None:
            faults.append(Fault("not-a-fact", word, "", "is neither a fact nor the only argument", "NAME=VALUE"))
        elif pair[1] in facts:
            faults.append(Fault("given-twice", pair[1], pair[2], "stands twice", "once; a|b or low..high for several"))
        else:
            facts[pair[1]] = typed_fact(pair[1], pair[2])
    if faults:
        raise InputError(faults)
    return {"facts": facts}


def _content(name: str) -> bytes:
    try:
        if name == "-":
            content = sys.stdin.buffer.read(LONGEST + 1)
        else:
            with Path(name).open("rb") as file:
                content = file.read(LONGEST + 1)
    except OSError as error:
        problem = f"cannot be read: {error.strerror}"
        raise InputError([Fault("no-file", name, "", problem, "a file, -, or NAME=VALUE")]) from error
    if len(content) > LONGEST:
        raise InputError([Fault("too-large", name, "", "is too large", f"up to {LONGEST} bytes")])
    return content


def _print_answer(answer: Answer, wording: Mapping[str, object], *, as_json: bool) -> None:
    if as_json:
        with _output():
            sys.stdout.buffer.write(answer.document + b"\n")
        if answer.id is not None:
            print(orjson.dumps({"id": answer.id}).decode(), file=sys.stderr)
        return
    with _output():
        print(terminal.render(answer.advice, headings(wording)), end="")
        if answer.id is not None:
            print(f"Kept as {answer.id}")


def _tell_faults(error: InputError, *, as_json: bool) -> None:
    for fault in error.faults:
        print(orjson.dumps(plain_fault(fault)).decode() if as_json else one_line(fault.sentence()), file=sys.stderr)
    for caution in error.cautions:
        print(orjson.dumps({"caution": caution}).decode() if as_json else f"CAUTION: {caution}", file=sys.stderr)


def _tell(slug: str, problem: str, *, as_json: bool) -> None:
    line = one_line(problem)
    print(orjson.dumps({"slug": slug, "problem": line}).decode() if as_json else line, file=sys.stderr)


# --- serve --------------------------------------------------------------------------------------------------


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
    with _output():
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
    folder = environment.get("XDG_STATE_HOME", "")
    if not Path(folder).is_absolute():
        folder = str(Path(environment.get("HOME") or "/") / ".local" / "state")
    log = Path(folder) / "repairadvisor" / "serve.log"
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        log.open("ab").close()
    except OSError as error:
        raise SettingsError("XDG_STATE_HOME", folder, f"cannot be written to: {error.strerror}") from error
    return log
