"""``repairadvisor policy learn``: what recorded joints say of how well joints are made, as a proposed overlay.

Nothing is adopted by it: an overlay is in force once somebody names its folder.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

from repairadvisor.cli.policy_compare import add_faults_to, faults_of, refuse_counts
from repairadvisor.cli.streams import DONE, output
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment
from repairadvisor.methods import prepared_method
from repairadvisor.policy_learning import PolicyLearning, Proposal, refuse_folder
from repairadvisor.render import learnt as rendered
from repairadvisor.service import open_records
from repairadvisor.settings import Settings

NOT_SHOWN = 1


def add_to(commands: Any) -> None:
    """Declare the command."""
    learn = commands.add_parser(
        "learn",
        help="what recorded joints say of how well joints are made, as a proposed overlay",
        description="Exit status 0 when it is done, 1 when a claim does not hold under it or is not decided, 2 for "
        "something that cannot be used.",
    )
    learn.add_argument("--into", metavar="FOLDER", help="write the overlay there; it must not be there yet")
    learn.add_argument("--since", metavar="TIME", help="from attempts made since then, ISO 8601 with its zone")
    learn.add_argument("--only-learn", action="store_true", help="leave out proving and comparing, which take minutes")
    add_faults_to(learn)
    learn.add_argument("--json", action="store_true", help="print as JSON")
    learn.set_defaults(run=_learn)


def _learn(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    refuse_counts(given)
    now = datetime.now(UTC)
    since = moment_of("--since", given.since)
    folder = None if given.into is None else Path(given.into)
    if folder is not None:
        refuse_folder(folder)
    records = open_records(settings)
    method = prepared_method(settings.cache, records, overlay=settings.policy)
    learning = PolicyLearning(method, records, settings.policy, settings.cache)
    found = learning.propose(since, folder)
    if not given.only_learn:
        found = learning.looked_at(found, faults_of(given, records, method.policy), now, _progress)
    says = rendered.looked_at(found.proofs, found.comparison, found.faults)
    written = () if folder is None else tuple(learning.write(found, folder, says))
    _print(found, says, folder, written, as_json=given.json)
    return NOT_SHOWN if found.claims_not_held else DONE


def _print(
    found: Proposal, says: tuple[str, ...], folder: Path | None, written: tuple[str, ...], *, as_json: bool
) -> None:
    with output():
        if as_json:
            sys.stdout.buffer.write(orjson.dumps(_plain(found, folder, written)) + b"\n")
            return
        print(rendered.render(found.learnt), end="")
        if found.policy is None:
            print("\nNothing is proposed: no figure would change.")
            return
        print("", *says, sep="\n")
        if folder is None:
            print("\nNothing is written: --into names a folder for it.")
        else:
            print(f"\nWritten to {folder}: {', '.join(written)}. Nothing is adopted by that.")


def _plain(found: Proposal, folder: Path | None, written: tuple[str, ...]) -> dict[str, object]:
    return {
        "learnt": asdict(found.learnt),
        "policy_id": None if found.policy is None else found.policy.id,
        "claims": [{"claim": one.claim, "says": one.says, "verdict": one.verdict} for one in found.proofs],
        "comparison": found.comparison,
        "faults": found.faults,
        "folder": None if not written else str(folder),
        "files": list(written),
    }


def moment_of(option: str, given: str | None) -> datetime | None:
    """The moment that an option names, if it was given. Raises :class:`InputError` for one that is none."""
    if given is None:
        return None
    moment = read_moment(given)
    if moment is None:
        raise InputError([Fault("wrong-time", option, given, "is no moment", "2031-05-04T07:30:00Z")])
    return moment


def _progress(claim: str, branches: int) -> None:
    print(f"{claim}: {branches} branches" if branches else f"{claim} …", file=sys.stderr, flush=True)
