"""``repairadvisor deliveries``: what became of events, and what would become of one."""

from __future__ import annotations

import argparse
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from repairadvisor.cli.streams import DONE, content_of, output
from repairadvisor.decision.reasons import Words
from repairadvisor.delivery.published import plain_delivery
from repairadvisor.delivery.rehearsal import Rehearsal, rehearsed
from repairadvisor.delivery.seal import Seal
from repairadvisor.errors import Fault, InputError, SettingsError
from repairadvisor.facts.parse import read_moment
from repairadvisor.methods import policy_in_force, prepared_method
from repairadvisor.plugin import RawEvent
from repairadvisor.plugin.loading import open_plugins
from repairadvisor.render.figures import moment
from repairadvisor.render.sentences import one_line
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.delivery import MOST_LISTED, SAID, STATES
from repairadvisor.service import Advisor
from repairadvisor.settings import PLUGINS, Settings, cache_folder, policy_folder, units_of
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.deliveries import secret_of

if TYPE_CHECKING:
    from repairadvisor.delivery.ledger import Ledger


def add_to(commands: Any) -> None:
    """Declare the commands."""
    deliveries = commands.add_parser("deliveries", help="what became of the events of ticket systems")
    what = deliveries.add_subparsers(required=True, metavar="WHAT")
    listed = what.add_parser("list", help="the last ones, or those that are chosen")
    listed.add_argument("--state", action="append", default=[], choices=STATES, metavar="STATE", help=", ".join(STATES))
    listed.add_argument("--source", default="", help="of this source")
    listed.add_argument("--ticket", default="", help="of the ticket with this reference")
    listed.add_argument("--limit", type=int, default=100, metavar="N", help=f"1 to {MOST_LISTED}; 100 if not given")
    listed.set_defaults(run=_list)
    for name, help_text, run in (
        ("retry", "begin one anew", _retry),
        ("cancel", "do nothing more about one", _cancel),
    ):
        command = what.add_parser(name, help=help_text)
        command.add_argument("id", help="the delivery's id")
        command.set_defaults(run=run)
    dry_run = what.add_parser("dry-run", help="what an event would lead to; nothing is kept or written")
    dry_run.add_argument("source", help=f"the source's name in the file that {PLUGINS} names")
    dry_run.add_argument("event", metavar="FILE|-", help="its body; its signature is not asked for")
    dry_run.add_argument(
        "--header", action="append", default=[], metavar="NAME: VALUE", help="a header, where its plugin reads it"
    )
    dry_run.add_argument("--now", metavar="TIME", help="the moment it comes, ISO 8601 with its zone")
    dry_run.add_argument("--look", action="store_true", help="look at what stands in the ticket now")
    dry_run.set_defaults(run=_dry_run)
    for command in what.choices.values():
        command.add_argument("--json", action="store_true", help="print as JSON")


def _ledger() -> Ledger:
    from repairadvisor.delivery.office import open_ledger  # noqa: PLC0415 - the engine takes its time to be imported

    return open_ledger(Settings.from_environment(os.environ), os.environ)


def _list(given: argparse.Namespace) -> int:
    if not 1 <= given.limit <= MOST_LISTED:
        fault = Fault("out-of-range", "--limit", str(given.limit), "is not within its range", f"1 to {MOST_LISTED}")
        raise InputError([fault])
    ledger = _ledger()
    found = [plain_delivery(one) for one in ledger.listed(given.state, given.source, given.ticket, given.limit)]
    counts, in_trouble = ledger.counted(), ledger.poll_problems()
    with output():
        if given.json:
            print(orjson.dumps({"counts": counts, "sources_in_trouble": in_trouble, "deliveries": found}).decode())
            return DONE
        print(", ".join(f"{count} {state.replace('_', ' ')}" for state, count in counts.items()) or "none yet")
        for source, problem in in_trouble.items():
            print(f"cannot be asked: {source}: {one_line(problem)}")
        voice = _voice()
        for one in found:
            _print_delivery(one, voice)
    return DONE


def _voice() -> Voice:
    return Voice(Words(policy_in_force(policy_folder(os.environ)).wording), units_of(os.environ))


def _print_delivery(one: dict[str, Any], voice: Voice) -> None:
    print(f"\n{one['id']}  {one_line(one['ticket'] or 'no ticket')}  ({one['source']}, {one['cause']})")
    print(
        f"  {one['state'].replace('_', ' ')}: {SAID[one['state']]}"
        + (f"; reason: {one_line(one['reason'])}" if one["reason"] else "")
    )
    line = f"  came {moment(voice, one['received_at'])}; last changed {moment(voice, one['changed_at'])}"
    print(line + (f"; next {moment(voice, one['next_attempt_at'])}" if one["next_attempt_at"] else ""))


def _retry(given: argparse.Namespace) -> int:
    return _told(given, plain_delivery(_ledger().retry(given.id)))


def _cancel(given: argparse.Namespace) -> int:
    return _told(given, plain_delivery(_ledger().cancel(given.id)))


def _told(given: argparse.Namespace, delivery: dict[str, Any]) -> int:
    with output():
        if given.json:
            print(orjson.dumps(delivery).decode())
        else:
            _print_delivery(delivery, _voice())
    return DONE


def _dry_run(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    plugins = open_plugins(settings.plugins, os.environ)
    if given.source not in plugins.sources:
        names = ", ".join(plugins.sources) or "none is set up"
        raise SettingsError("source", given.source, f"is no source in the file that {PLUGINS} names", names)
    said = dict(_header(text) for text in given.header)
    body = content_of(given.event)
    event = RawEvent(_of_file(given.event) | said, body)
    now = datetime.now(UTC) if given.now is None else read_moment(given.now)
    if now is None:
        raise InputError([Fault("wrong-time", "--now", given.now, "is no moment", "2031-05-04T07:30:00Z")])
    # Only whoever looks at what stands in a ticket has to know which notes are ours, and so the database's secret.
    seal = _seal(settings) if given.look else Seal(b"")
    method = prepared_method(cache_folder(os.environ), overlay=policy_folder(os.environ))
    advisor = Advisor(method, None, settings.units)
    made = rehearsed(plugins, advisor, given.source, event, seal, now, look=given.look)
    with output():
        if given.json:
            print(orjson.dumps(made.plain()).decode())
        else:
            _print_rehearsal(made)
    return DONE


def _of_file(name: str) -> dict[str, str]:
    """What a source of files would say of a file, so that its events can be tried."""
    if name == "-":
        return {}
    changed_us = Path(name).stat().st_mtime_ns // 1000
    return {"file-name": Path(name).name, "modified-us": str(changed_us), "looked-us": str(time.time_ns() // 1000)}


def _seal(settings: Settings) -> Seal:
    engine = open_database(settings.database_url)
    migrate(engine)
    return Seal(secret_of(engine))


def _header(text: str) -> tuple[str, str]:
    name, colon, value = text.partition(":")
    if not colon:
        raise InputError([Fault("wrong-form", "--header", text, "is no header", "NAME: VALUE")])
    return name.strip().lower(), value.strip()


def _print_rehearsal(made: Rehearsal) -> None:
    for line in made.says:
        print(one_line(line))
    for number, text in enumerate(made.adds, start=1):
        print(f"\n--- note {number} of {len(made.adds)} would be added ---\n{_lines(text)}")
    for before, after in made.rewrites:
        print(f"\n--- the note that begins “{one_line(before)[:60]}” would read ---\n{_lines(after)}")


def _lines(text: str) -> str:
    """A text of several lines, without signs that a terminal obeys instead of showing them."""
    return "\n".join(one_line(line) for line in text.splitlines())
