"""``repairadvisor judge``: results in, one or a file of them, verdicts out, every attempt kept beside its advice."""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from repairadvisor.cli.streams import DIFFERS, DONE, REFUSED, output
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment
from repairadvisor.render.outcome import render, verdict_word
from repairadvisor.render.sentences import one_line
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.json_text import LONGEST, NotJsonError, read_object
from repairadvisor.schemas.outcome_answer import read_answer
from repairadvisor.schemas.outcome_rows import (
    LONGEST_LINE,
    Row,
    objects_of,
    read_cells,
    refuse_names,
    row_of_object,
    rows_of,
)
from repairadvisor.schemas.problem import plain_fault
from repairadvisor.service import Advisor, open_advisor
from repairadvisor.settings import Settings
from repairadvisor.work_done import Consequence, WorkDone
from repairadvisor.work_file import Tally, Telling, WorkFile

_PAIR = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)=(.*)", re.DOTALL)
#: Answers that are printed as text; of more the counts say enough.
_MOST_SHOWN = 20
_MOST_FAULTS = 1000
_TOLD_EVERY_S = 2.0


def add_to(commands: Any) -> None:
    """Declare the command."""
    judge = commands.add_parser("judge", help="results of joints in, verdicts out")
    judge.add_argument(
        "results",
        nargs="+",
        metavar="FILE|-|NAME=VALUE",
        help="a CSV file, a JSON file (one report, or one a line), - for standard input, or one result",
    )
    judge.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="what every row of a CSV file has that does not say it otherwise; may stand several times",
    )
    judge.add_argument("--now", metavar="TIME", help="the moment of judging, ISO 8601 with its zone; else the clock's")
    judge.add_argument("--leave-out-bad", action="store_true", help="keep the rest of a file of which rows are wrong")
    judge.add_argument("--no-record", action="store_true", help="keep nothing")
    judge.add_argument("--json", action="store_true", help="print a JSON object a line, one an advice, then the counts")
    judge.set_defaults(run=_judge)


def _judge(given: argparse.Namespace) -> int:
    shared, now = _pairs(given.set), _now(given.now)
    settings = Settings.from_environment(os.environ)
    advisor = open_advisor(settings)
    faults = _Faults(as_json=given.json)
    telling = Telling(faults.tell, _Progress().tell)
    with ExitStack() as stack:
        then = None if given.no_record else _consequence(settings, advisor, stack)
        work = WorkDone(advisor, settings.outcome_days, then)
        file = stack.enter_context(WorkFile(work, now, telling))
        with _rows(given.results, shared) as rows:
            file.take(rows)
        faults.end()
        if file.tally.bad and not given.leave_out_bad:
            refused = f"{file.tally.bad} of {file.tally.rows} cannot be used: nothing was kept"
            print(refused, file=sys.stderr)
            return REFUSED
        if not given.no_record:
            file.keep()
        _print(file, given, advisor.voice)
        return DIFFERS if file.tally.bad else DONE


def _consequence(settings: Settings, advisor: Advisor, stack: ExitStack) -> Consequence | None:
    """What follows in tickets, where there are any."""
    if not settings.plugins:
        return None
    from repairadvisor.delivery.office import work_notes_from_outside  # noqa: PLC0415 - the engine takes its time

    notes = stack.enter_context(work_notes_from_outside(settings, advisor, os.environ))
    return None if notes is None else notes.owe


def _now(told: str | None) -> datetime:
    if told is None:
        return datetime.now(UTC)
    moment = read_moment(told)
    if moment is None:
        form = "ISO 8601 with its zone, as 2031-05-04T07:30:00Z"
        raise InputError([Fault("wrong-time", "--now", told, "not a time that can be used", form)])
    return moment


# --- what is read ---------------------------------------------------------------------------------------------


def _pairs(words: Iterable[str]) -> dict[str, str]:
    faults: list[Fault] = []
    told: dict[str, str] = {}
    for word in words:
        pair = _PAIR.fullmatch(word)
        if pair is None:
            faults.append(Fault("not-a-result", word, "", "tells nothing of a result", "NAME=VALUE"))
        elif pair[1] in told:
            faults.append(Fault("given-twice", pair[1], pair[2], "stands twice", "once"))
        else:
            told[pair[1]] = pair[2]
    if faults:
        raise InputError(faults)
    refuse_names(told)
    return told


@contextmanager
def _rows(words: list[str], shared: dict[str, str]) -> Iterator[Iterable[Row | InputError]]:
    """The rows of a file, or the one result that is typed."""
    if len(words) > 1 or _PAIR.fullmatch(words[0]):
        yield [read_cells({**shared, **_pairs(words)}, "")]
        return
    if words[0] == "-":
        yield _of_stream(sys.stdin.buffer, shared)
        return
    try:
        file = Path(words[0]).open("rb")  # noqa: SIM115 - closed below
    except OSError as error:
        problem = f"cannot be read: {error.strerror}"
        raise InputError([Fault("no-file", words[0], "", problem, "a file, -, or NAME=VALUE")]) from error
    with file:
        yield _of_stream(file, shared)


def _of_stream(stream: BinaryIO, shared: dict[str, str]) -> Iterator[Row | InputError]:
    """CSV, unless it begins as JSON does: then one report, or one a line where the first line is whole."""
    first = stream.readline(LONGEST_LINE + 1)
    if not first.lstrip().startswith(b"{"):
        return rows_of(_text(chain([first], _lines(stream))), shared)
    if shared:
        told = ", ".join(shared)
        raise InputError([Fault("unknown-field", "--set", told, "is for CSV", "what attempts share, under each")])
    if _is_whole(first):
        return objects_of(_text(chain([first], _lines(stream))))
    content = first + stream.read(LONGEST + 1)
    if len(content) > LONGEST:
        problem, allowed = "is too large for one report", f"up to {LONGEST} bytes, or one report a line"
        raise InputError([Fault("too-large", "file", "", problem, allowed)])
    return iter([row_of_object(content, "", 1)])


def _is_whole(line: bytes) -> bool:
    try:
        read_object(line)
    except NotJsonError as error:
        return error.faults[0].slug != "not-json"
    return True


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    return iter(lambda: stream.readline(LONGEST_LINE + 1), b"")


def _text(lines: Iterable[bytes]) -> Iterator[str]:
    for number, line in enumerate(lines, start=1):
        if len(line) > LONGEST_LINE:
            allowed = f"up to {LONGEST_LINE} bytes"
            raise InputError([Fault("too-long", f"line {number}", "", "is too long", allowed)])
        try:
            yield line.decode("utf-8-sig" if number == 1 else "utf-8")
        except UnicodeDecodeError as error:
            problem = "is not UTF-8"
            raise InputError([Fault("not-utf-8", f"line {number}", f"byte {error.start}", problem, "UTF-8")]) from error


# --- what is told ---------------------------------------------------------------------------------------------


class _Faults:
    """Prints faults as they are found; of very many the first."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._count = 0

    def tell(self, fault: Fault) -> None:
        self._count += 1
        if self._count > _MOST_FAULTS:
            return
        line = orjson.dumps(plain_fault(fault)).decode() if self._as_json else one_line(fault.sentence())
        print(line, file=sys.stderr)

    def end(self) -> None:
        if self._count > _MOST_FAULTS:
            print(f"and {self._count - _MOST_FAULTS} more things that are wrong", file=sys.stderr)


class _Progress:
    """Says now and then how far it is."""

    def __init__(self) -> None:
        self._told_at = time.monotonic()

    def tell(self, what: str, count: int) -> None:
        now = time.monotonic()
        if now - self._told_at >= _TOLD_EVERY_S:
            self._told_at = now
            print(f"{count} {what} …", file=sys.stderr, flush=True)


def _print(file: WorkFile, given: argparse.Namespace, voice: Voice) -> None:
    with output():
        for number, document in enumerate(file.answers()):
            if given.json:
                sys.stdout.buffer.write(_shown(document, given) + b"\n")
            elif file.tally.reports <= _MOST_SHOWN:
                answer = read_answer(_shown(document, given))
                head = voice.say("work", "advice", id=answer.advice)
                print(head if number == 0 else f"\n{head}")
                print(render(answer, voice), end="")
        print(orjson.dumps(file.tally).decode() if given.json else _counts(file.tally, voice))


def _shown(document: bytes, given: argparse.Namespace) -> bytes:
    """An answer as it is printed: what is not kept has no id."""
    return orjson.dumps(replace(read_answer(document), id="")) if given.no_record else document


def _counts(tally: Tally, voice: Voice) -> str:
    verdicts = [
        voice.say("work", "counted", verdict=verdict_word(word, voice), n=count)
        for word, count in sorted(tally.verdicts.items())
    ]
    if tally.bad:
        rows = voice.say("work", "rows_left_out", n=tally.rows, bad=tally.bad)
    else:
        rows = voice.say("work", "rows", n=tally.rows)
    attempts = [voice.say("work", "attempts_new", new=tally.new)]
    if tally.corrected:
        attempts.append(voice.say("work", "attempts_corrected", corrected=tally.corrected))
    if tally.known:
        attempts.append(voice.say("work", "attempts_known", known=tally.known))
    between = voice.say("work", "between")
    joints = between.join(verdicts) or voice.say("work", "joints_none")
    return voice.say("work", "told_rows", rows=rows, attempts=between.join(attempts), joints=joints)
