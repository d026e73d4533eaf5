"""The same question has the same answer, byte for byte, in every process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from whole_jobs import whole_jobs

TESTS = Path(__file__).parent
#: Of the jobs one in so many is asked normally, every one under REPAIRADVISOR_LONG; which, by this number.
ONE_IN, SEED = 8, 3
#: What hashing starts from in each process: the order of sets hangs on it.
HASHED_FROM = ("1", "20310504")

ASK = """
import hashlib, sys
from repairadvisor.decision.method import advise
from repairadvisor.facts.parse import parse_context
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.service import prepared_method
from whole_jobs import whole_jobs

rules = prepared_method().rules
print(rules.policy_id)
wanted = set(sys.argv[1:])
for job in whole_jobs():
    if job.id in wanted:
        document = document_bytes(advise(parse_context(job.facts, job.now), rules))
        print(job.id, hashlib.sha256(document).hexdigest(), flush=True)
"""


def _answers(ids: list[str], hashed_from: str) -> list[str]:
    """One line a job, in a process of its own."""
    environment = {
        **os.environ,
        "PYTHONHASHSEED": hashed_from,
        "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)]),
    }
    done = subprocess.run([sys.executable, "-c", ASK, *ids], env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.long
def test_two_processes_give_the_same_documents(record_property: Callable[[str, object], None]) -> None:
    every = [job.id for job in whole_jobs()]
    whole = bool(os.environ.get("REPAIRADVISOR_LONG"))
    ids = every if whole else every[SEED % ONE_IN :: ONE_IN]
    for name, value in (("seed", SEED), ("n", len(ids)), ("of", len(every))):
        record_property(name, value)
    first, second = (_answers(ids, one) for one in HASHED_FROM)
    assert [line.split()[0] for line in first[1:]] == ids
    assert first == second
