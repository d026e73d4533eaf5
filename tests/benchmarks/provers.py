"""Claims proven by the product and by a solver for logic and arithmetic, side by side, each on the same claims.

The solver is Z3 (de Moura and Bjørner, TACAS 2008), given one formula a claim; see tests/decision/second_prover.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

from decision.second_prover import SecondProver
from shipped_policy import screens_of, shipped_files

from repairadvisor.decision.proofs import HOLDS, prove
from repairadvisor.policy.model import CLAIMS_ON_WORLDS

from .contexts import method

_NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)


def provers(rounds: int) -> str:
    """A table of processor seconds over all claims on worlds; ``rounds`` is not looked at: each claim is proven once by
    either, one after the other. Raises AssertionError where the two do not agree."""
    files = shipped_files()
    screens = screens_of(files)
    cautions, raw = files["cautions.toml"]["caution"], {one["id"]: one for one in files["claims.toml"]["claim"]}
    rules, second = method().rules, SecondProver(files)
    ours: list[float] = []
    theirs: list[float] = []
    for claim in rules.policy.claims:
        if claim.kind not in CLAIMS_ON_WORLDS:
            continue
        holds = _timed(ours, lambda claim=claim: prove(claim, rules, _NOW).verdict == HOLDS)  # type: ignore[misc]
        true = _timed(theirs, lambda claim=claim: second.is_true(raw[claim.id], screens, cautions))  # type: ignore[misc]
        assert holds == true, claim.id
    ratio = sum(ours) / sum(theirs)
    return (
        f"{len(ours)} claims on worlds, proven by both, processor seconds: ours {sum(ours):.2f} (longest "
        f"{max(ours):.2f}), Z3 {sum(theirs):.2f} (longest {max(theirs):.2f}), ratio {ratio:.2f}"
    )


def _timed(seconds: list[float], work: Callable[[], bool]) -> bool:
    begun = time.process_time()
    found = work()
    seconds.append(time.process_time() - begun)
    return found
