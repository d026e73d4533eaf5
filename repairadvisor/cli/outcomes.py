"""``repairadvisor outcomes``: what is kept of work that was done: shown, exported, erased."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import UTC, datetime
from typing import Any

import orjson

from repairadvisor.cli.streams import DONE, output
from repairadvisor.decision.answer import moment_text
from repairadvisor.errors import NotFoundError
from repairadvisor.render.outcome import render_work
from repairadvisor.schemas.outcome import WHO
from repairadvisor.schemas.outcome_answer import answer_bytes
from repairadvisor.service import ADVICE_ID, open_advisor, open_records
from repairadvisor.settings import Settings
from repairadvisor.store import erasing
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import secret_of
from repairadvisor.store.outcomes import KeptAttempt, KeptClosure, is_pseudonym, pseudonym
from repairadvisor.work_done import WorkDone

_ID = "the id of an advice, of a report, or of a person, machine or cleaver"


def add_to(commands: Any) -> None:
    """Declare the commands."""
    outcomes = commands.add_parser("outcomes", help="what is kept of work that was done")
    what = outcomes.add_subparsers(required=True, metavar="WHAT")
    show = what.add_parser("show", help="the work under an advice: every attempt, the verdict on each joint")
    show.add_argument("id", help="the id of the advice")
    show.set_defaults(run=_show)
    export = what.add_parser("export", help="everything that was reported, a JSON object a line")
    export.add_argument("id", help=_ID)
    export.set_defaults(run=_export)
    erase = what.add_parser("erase", help="erase it; of a person, machine or cleaver: take it out of what was reported")
    erase.add_argument("id", help=_ID)
    erase.set_defaults(run=_erase)
    name = what.add_parser("id", help="under which id somebody or something is kept")
    name.add_argument("kind", choices=WHO)
    name.add_argument("name", help="as it is told in reports")
    name.set_defaults(run=_name)
    for command in what.choices.values():
        command.add_argument("--json", action="store_true", help="print as JSON")


def _show(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    advisor = open_advisor(settings)
    found = WorkDone(advisor, settings.outcome_days).so_far(given.id, datetime.now(UTC))
    with output():
        if given.json:
            sys.stdout.buffer.write(answer_bytes(found) + b"\n")
        else:
            print(render_work(found, advisor.voice), end="")
    return DONE


def _export(given: argparse.Namespace) -> int:
    engine = open_records(Settings.from_environment(os.environ)).engine
    count = 0
    with output(), reading(engine) as connection:
        for row in erasing.attempts_by(connection, given.id):
            sys.stdout.buffer.write(orjson.dumps(_plain_attempt(row)) + b"\n")
            count += 1
        for one in erasing.closures_by(connection, given.id):
            sys.stdout.buffer.write(orjson.dumps(_plain_closure(one)) + b"\n")
            count += 1
    if not count:
        raise NotFoundError("work reported of", given.id)
    return DONE


def _plain_attempt(row: KeptAttempt) -> dict[str, Any]:
    """An attempt as it is exported: who and what made it by their ids."""
    attempt = row.as_reported()
    told: dict[str, Any] = orjson.loads(orjson.dumps(attempt))
    kept = {"report": row.report_id, "received_at": moment_text(row.received_at), "verdict": row.verdict}
    return {**kept, "plan": row.plan, **told}


def _plain_closure(one: KeptClosure) -> dict[str, Any]:
    told = {"report": one.report_id, "advice": one.advice_id, "evidence": orjson.loads(one.evidence)}
    return {**told, "due_on": one.due_on, "responsible": one.responsible}


def _erase(given: argparse.Namespace) -> int:
    engine = open_records(Settings.from_environment(os.environ)).engine
    with writing(engine) as connection:
        if is_pseudonym(given.id):
            count = erasing.forget(connection, given.id)
            said = f"taken out of {count} places of what was reported"
        elif ADVICE_ID.fullmatch(given.id):
            count = erasing.erase(connection, given.id)
            said = f"{count} entries erased"
        else:
            count = 0
    if not count:
        raise NotFoundError("work reported of", given.id)
    with output():
        print(orjson.dumps({"erased": count}).decode() if given.json else said)
    return DONE


def _name(given: argparse.Namespace) -> int:
    engine = open_records(Settings.from_environment(os.environ)).engine
    found = pseudonym(secret_of(engine), given.kind, given.name)
    with output():
        print(orjson.dumps({"id": found}).decode() if given.json else found)
    return DONE
