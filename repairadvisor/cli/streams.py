"""What a command reads and prints, and how it says that something is wrong."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import orjson

from repairadvisor.errors import Fault, InputError, RepairAdvisorError
from repairadvisor.render.sentences import one_line
from repairadvisor.schemas.json_text import LONGEST
from repairadvisor.schemas.problem import plain_fault

DONE, DIFFERS, REFUSED = 0, 1, 2


class OutputError(RepairAdvisorError):
    """What was asked for cannot be written where it should go."""

    slug = "output"


@contextmanager
def output() -> Iterator[None]:
    """All that is written to standard output is there when the block ends. A reader who has seen enough is no error."""
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        # Nothing may be written at exit either, or Python complains.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):
            raise OutputError(f"standard output cannot be written: {error.strerror}") from error


def open_what_was_closed() -> None:
    """Whoever starts us may have closed a standard stream; a file that is opened later must not take its place."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode))  # noqa: SIM115 - to the end, like the stream it is for


def content_of(name: str) -> bytes:
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


def tell_faults(error: InputError, *, as_json: bool) -> None:
    for fault in error.faults:
        print(orjson.dumps(plain_fault(fault)).decode() if as_json else one_line(fault.sentence()), file=sys.stderr)
    for caution in error.cautions:
        print(orjson.dumps({"caution": caution}).decode() if as_json else f"CAUTION: {caution}", file=sys.stderr)


def tell(slug: str, problem: str, *, as_json: bool) -> None:
    line = one_line(problem)
    print(orjson.dumps({"slug": slug, "problem": line}).decode() if as_json else line, file=sys.stderr)
