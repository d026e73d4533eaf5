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
ONE_IN, SEED = 50, 3
#: Trees of generated faults, by the fault's number; under REPAIRADVISOR_LONG alone, each takes ten seconds and more.
FAULTS, FAULT_SEED = 200, 20310504
TREES = range(12, FAULTS, 8)
#: What hashing starts from in each process: the order of sets hangs on it.
HASHED_FROM = ("1", "20310504")

ASK = """
import hashlib, os, sys
from drawn_faults import NOW, drawn_fault
from repairadvisor.decision.fault_tree import tree_for
from repairadvisor.decision.method import advise
from repairadvisor.facts.parse import parse_context
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.schemas.fault_tree import tree_bytes
from repairadvisor.methods import prepared_method
from repairadvisor.settings import cache_folder
from whole_jobs import whole_jobs

rules = prepared_method().rules  # compiled in each process anew
print(rules.policy_id)
wanted = set(sys.argv[3:])
for job in whole_jobs():
    if job.id in wanted:
        document = document_bytes(advise(parse_context(job.facts, job.now), rules))
        print(job.id, hashlib.sha256(document).hexdigest(), flush=True)
count, seed = int(sys.argv[1]), int(sys.argv[2])
for number in (int(word) for word in sys.argv[3:] if word.isdecimal()):
    fault = drawn_fault(rules.policy, number, count, seed)
    tree = tree_bytes(tree_for(parse_context(fault.told, NOW), rules))
    print(number, hashlib.sha256(tree).hexdigest(), flush=True)
"""


def _answers(ids: list[str], hashed_from: str) -> list[str]:
    """One line a job, in a process of its own."""
    environment = {
        **os.environ,
        "PYTHONHASHSEED": hashed_from,
        "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)]),
    }
    faults = (str(FAULTS), str(FAULT_SEED))
    done = subprocess.run([sys.executable, "-c", ASK, *faults, *ids], env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.long
def test_two_processes_give_the_same_documents(record_property: Callable[[str, object], None]) -> None:
    every = [job.id for job in whole_jobs()]
    whole = bool(os.environ.get("REPAIRADVISOR_LONG"))
    ids = list(every) if whole else every[SEED % ONE_IN :: ONE_IN]
    ids += [str(number) for number in (TREES if whole else ())]
    for name, value in (("seed", SEED), ("n", len(ids)), ("of", len(every) + len(TREES))):
        record_property(name, value)
    first, second = (_answers(ids, one) for one in HASHED_FROM)
    assert [line.split()[0] for line in first[1:]] == ids
    assert first == second
