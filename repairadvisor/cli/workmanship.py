"""``repairadvisor workmanship``: which machine, cleaver or person makes other joints than before, and since when."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import UTC, datetime
from typing import Any

from repairadvisor.cli.policy_learn import moment_of
from repairadvisor.cli.streams import DONE, output
from repairadvisor.decision.reasons import Words
from repairadvisor.made_joints import USUALLY_BACK, made_joints
from repairadvisor.methods import prepared_method
from repairadvisor.render import workmanship as rendered
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.workmanship import workmanship_bytes
from repairadvisor.service import open_records
from repairadvisor.settings import Settings


def add_to(commands: Any) -> None:
    """Declare the command."""
    command = commands.add_parser(
        "workmanship", help="control charts of machines, cleavers and persons, from recorded joints"
    )
    command.add_argument(
        "--since",
        metavar="TIME",
        help=f"from attempts made since then, ISO 8601 with its zone; {USUALLY_BACK.days} days back unless told",
    )
    command.add_argument("--json", action="store_true", help="print as JSON, with the last joints of each chart")
    command.set_defaults(run=_workmanship)


def _workmanship(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    since = moment_of("--since", given.since) or datetime.now(UTC) - USUALLY_BACK
    records = open_records(settings)
    method = prepared_method(settings.cache, overlay=settings.policy)
    found = method.workmanship(made_joints(records, since))
    with output():
        if given.json:
            sys.stdout.buffer.write(workmanship_bytes(found, since) + b"\n")
        else:
            print(rendered.render(found, since, Voice(Words(method.wording), settings.units)), end="")
    return DONE
