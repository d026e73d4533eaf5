"""``repairadvisor advise``: facts in, advice out."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import orjson

from repairadvisor.cli.streams import DONE, content_of, output
from repairadvisor.errors import Fault, InputError
from repairadvisor.methods import prepared_method
from repairadvisor.render import comparison, terminal
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.advice import comparison_bytes
from repairadvisor.schemas.json_text import read_object
from repairadvisor.schemas.typed import typed_fact
from repairadvisor.service import Advisor, Answer, open_records
from repairadvisor.settings import Settings, cache_folder, policy_folder, units_of

_PAIR = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)=(.*)", re.DOTALL)


def add_to(commands: Any) -> None:
    """Declare the command."""
    advise = commands.add_parser("advise", help="facts in, advice out")
    advise.add_argument(
        "facts",
        nargs="+",
        metavar="FILE|-|NAME=VALUE",
        help="a request as JSON in a file, - for standard input, or facts",
    )
    advise.add_argument("--now", metavar="TIME", help="the moment the advice is for, ISO 8601 with its zone")
    advise.add_argument("--no-record", action="store_true", help="keep nothing")
    advise.add_argument("--issued-plan", metavar="PLAN", help="the plan given before for this fault")
    advise.add_argument("--turning", action="store_true", help="say at which values of the facts the answer would turn")
    advise.add_argument(
        "--compare-with",
        action="append",
        metavar="NAME=VALUE",
        help="a fact told otherwise: both answers side by side; may stand several times",
    )
    advise.add_argument("--json", action="store_true", help="print the document as JSON")
    advise.set_defaults(run=_advise)


def _advise(given: argparse.Namespace) -> int:
    request = request_of(given.facts)
    if given.now is not None:
        request["now"] = given.now
    if given.no_record:
        request["record"] = False
    if given.issued_plan is not None:
        request["issued_plan"] = given.issued_plan
    if given.turning:
        request["turning_points"] = True
    if given.compare_with:
        request["compare_with"] = request_of(given.compare_with)["facts"]
    if request.get("compare_with") is not None:
        return _compare(request, as_json=given.json)
    records = None if request.get("record") is False else open_records(Settings.from_environment(os.environ))
    method = prepared_method(cache_folder(os.environ), records, overlay=policy_folder(os.environ))
    advisor = Advisor(method, records, units_of(os.environ))
    answer = advisor.advise(request, datetime.now(UTC))
    _print_answer(answer, advisor.voice, as_json=given.json)
    return DONE


def _compare(request: Mapping[str, object], *, as_json: bool) -> int:
    method = prepared_method(cache_folder(os.environ), overlay=policy_folder(os.environ))
    advisor = Advisor(method, None, units_of(os.environ))
    found = advisor.compare(request, datetime.now(UTC))
    with output():
        if as_json:
            sys.stdout.buffer.write(comparison_bytes(found) + b"\n")
        else:
            print(comparison.render(found, advisor.voice), end="")
    return DONE


def request_of(words: list[str]) -> dict[str, Any]:
    """The request that arguments make: a file, standard input, or facts one by one."""
    if len(words) == 1 and not _PAIR.fullmatch(words[0]):
        return read_object(content_of(words[0]))
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


def _print_answer(answer: Answer, voice: Voice, *, as_json: bool) -> None:
    if as_json:
        with output():
            sys.stdout.buffer.write(answer.document + b"\n")
        if answer.id is not None:
            print(orjson.dumps({"id": answer.id}).decode(), file=sys.stderr)
        return
    with output():
        print(terminal.render(answer.advice, voice), end="")
        if answer.id is not None:
            print(voice.say("terminal", "kept_as", id=answer.id))
