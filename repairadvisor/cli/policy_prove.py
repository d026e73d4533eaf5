"""``repairadvisor policy prove``: the claims of the policy, proven for every context, or a context that refutes one.

Exit status 0 where all hold, 1 where one does not or is not decided, 2 for something that cannot be used.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import orjson

from repairadvisor.cli.streams import DONE, output
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.proofs import HOLDS, Proof
from repairadvisor.methods import prepared_method, prove_claims
from repairadvisor.render import proofs as rendered
from repairadvisor.schemas.claims import proofs_bytes
from repairadvisor.service import open_records
from repairadvisor.settings import Settings, cache_folder, policy_folder

NOT_SHOWN = 1


def add_to(commands: Any) -> None:
    """Declare the command."""
    prove = commands.add_parser("prove", help="whether the policy's claims hold for every fault, and where they do not")
    prove.add_argument("--claim", action="append", default=[], metavar="ID", help="only this claim; may be given again")
    prove.add_argument("--no-record", action="store_true", help="keep nothing; what becomes of single claims never is")
    prove.add_argument("--json", action="store_true", help="print a JSON object a line, one a claim")
    prove.set_defaults(run=_prove)


def _prove(given: argparse.Namespace) -> int:
    records = None if given.no_record or given.claim else open_records(Settings.from_environment(os.environ))
    method = prepared_method(cache_folder(os.environ), records, overlay=policy_folder(os.environ))
    found: list[tuple[Proof, float]] = []
    moment = datetime.now(UTC)
    with output():
        began = time.perf_counter()
        for proof in prove_claims(method, given.claim, moment, _progress):
            seconds = time.perf_counter() - began
            found.append((proof, seconds))
            if given.json:
                sys.stdout.buffer.write(orjson.dumps({**asdict(proof), "seconds": round(seconds, 3)}) + b"\n")
            else:
                print(rendered.render(proof, seconds))
            began = time.perf_counter()
        if not given.json:
            print(rendered.summary([proof for proof, _ in found]), end="")
    if records is not None:
        records.keep_proofs(method.policy_id, METHOD_VERSION, moment, proofs_bytes(found))
    return DONE if all(proof.verdict == HOLDS for proof, _ in found) else NOT_SHOWN


def _progress(claim: str, branches: int) -> None:
    print(f"{claim}: {branches} branches" if branches else f"{claim} …", file=sys.stderr, flush=True)
