"""``repairadvisor replay``: a recorded advice made again under the policy that gave it."""

from __future__ import annotations

import argparse
import os
import re
import sys
from typing import Any

from repairadvisor.cli.streams import DIFFERS, DONE, output
from repairadvisor.decision.reasons import Words
from repairadvisor.errors import NotFoundError
from repairadvisor.methods import policy_in_force
from repairadvisor.render import replay as as_lines
from repairadvisor.render.voice import Voice
from repairadvisor.replay import Replaying
from repairadvisor.schemas.replay import replay_bytes
from repairadvisor.service import ADVICE_ID, open_records
from repairadvisor.settings import Settings


def add_to(commands: Any) -> None:
    """Declare the command."""
    replay = commands.add_parser("replay", help="make a recorded advice again: exit status 0 the same bytes, 1 not")
    replay.add_argument("id", metavar="ID", help="the id under which the advice is kept")
    replay.add_argument("--json", action="store_true", help="print where it differs as JSON")
    replay.set_defaults(run=_replay)


def _replay(given: argparse.Namespace) -> int:
    if not re.fullmatch(ADVICE_ID, given.id):
        raise NotFoundError("advice", given.id)
    settings = Settings.from_environment(os.environ)
    records = open_records(settings)
    found = Replaying(records, settings.cache).replay(records.get(given.id))
    with output():
        if given.json:
            sys.stdout.buffer.write(replay_bytes(found) + b"\n")
        else:
            print(
                as_lines.render(found, Voice(Words(policy_in_force(settings.policy).wording), settings.units)), end=""
            )
    return DONE if found.equal else DIFFERS
