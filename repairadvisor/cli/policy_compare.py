"""``repairadvisor policy compare``: what another policy would change, on recorded or on invented faults."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from typing import Any

from repairadvisor.cli.streams import DIFFERS, DONE, output
from repairadvisor.decision.policy_comparison import Case
from repairadvisor.errors import Fault, InputError
from repairadvisor.methods import default_policy
from repairadvisor.policy.model import Policy
from repairadvisor.policy_change import Faults, claims_proven, compare_policies, drawn, policy_named, recorded
from repairadvisor.render import policy_comparison
from repairadvisor.schemas.policy_comparison import policy_comparison_bytes
from repairadvisor.service import open_records
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records

_CONTEXTS, _SEED, MOST = 100, 1, 1_000_000
_TOLD_EVERY = 10


def add_to(commands: Any) -> None:
    """Declare the command."""
    compare = commands.add_parser(
        "compare", help="what another policy would change: exit status 1 if it changes advice"
    )
    compare.add_argument(
        "policy", metavar="FOLDER|ID", help="the new policy: a folder of its files, or the id of a kept one"
    )
    compare.add_argument(
        "--with", dest="old", metavar="ID|FOLDER", help="the old one; without it the policy that ships"
    )
    add_faults_to(compare)
    compare.add_argument("--json", action="store_true", help="print it as JSON")
    compare.set_defaults(run=_compare)


def add_faults_to(command: argparse.ArgumentParser) -> None:
    """Declare on which faults two policies are compared."""
    over = command.add_mutually_exclusive_group()
    over.add_argument("--records", type=int, metavar="N", help="on the facts of the N advices that were given last")
    over.add_argument(
        "--contexts",
        type=int,
        metavar="N",
        help=f"on N faults drawn from the old policy's priors; {_CONTEXTS} unless told",
    )
    command.add_argument("--seed", type=int, metavar="S", help=f"where drawing starts; {_SEED} unless told")


def _compare(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    refuse_counts(given)
    records = open_records(settings)
    old = default_policy() if given.old is None else policy_named(given.old, records)
    new = policy_named(given.policy, records)
    faults = faults_of(given, records, old)
    prover = partial(claims_proven, records, datetime.now(UTC))
    found = compare_policies(old, new, faults, records=records, cache=settings.cache, prover=prover)
    with output():
        if given.json:
            sys.stdout.buffer.write(policy_comparison_bytes(found, faults.said) + b"\n")
        else:
            print(policy_comparison.render(found, faults.said), end="")
    return DIFFERS if found.changed else DONE


def faults_of(given: argparse.Namespace, records: Records, old: Policy) -> Faults:
    """The faults that were chosen; standard error is told how far they have come."""
    if given.records is not None:
        return _counted(recorded(records, given.records))
    seed = _SEED if given.seed is None else given.seed
    return _counted(drawn(old, _CONTEXTS if given.contexts is None else given.contexts, seed))


def refuse_counts(given: argparse.Namespace) -> None:
    """Raises :class:`InputError` for numbers that are out of range, or do not go together."""
    faults = [
        Fault("out-of-range", f"--{name}", str(count), "is out of range", f"1 to {MOST}")
        for name in ("records", "contexts")
        if (count := getattr(given, name)) is not None and not 1 <= count <= MOST
    ]
    if given.records is not None and given.seed is not None:
        faults.append(
            Fault("unknown-field", "--seed", str(given.seed), "does not go with --records", "with --contexts")
        )
    if faults:
        raise InputError(faults)


def _counted(faults: Faults) -> Faults:
    """The same, and standard error is told how far it has come."""

    def cases() -> Iterator[Case]:
        for number, case in enumerate(faults.cases()):
            if number and number % _TOLD_EVERY == 0:
                print(f"{number} of {faults.count} compared", file=sys.stderr, flush=True)
            yield case

    return Faults(faults.count, faults.said, cases)
