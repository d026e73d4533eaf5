"""What became of the claims of a policy, as plain sentences; a counterexample as it is typed after ``advise``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repairadvisor.decision.proofs import FAILS, HOLDS, UNDECIDED, Proof
from repairadvisor.policy.model import CLAIMS_ON_PLANS

_SAID = {
    HOLDS: "It holds",
    FAILS: "It does NOT hold",
    UNDECIDED: "It is NOT DECIDED, which is not to be read as that it holds",
}


def render(proof: Proof, seconds: float) -> str:
    """One claim: the sentence, what became of it and how, and the context that speaks against it."""
    looked_at = f"{_counted(proof.branches, 'branch', 'branches')} looked at in {seconds:.2f} s."
    lines = [
        f"{proof.claim}: {proof.says}",
        f"  {_SAID[proof.verdict]}: {proof.how}.{_speaks_of(proof)} {looked_at}",
    ]
    found = proof.counterexample
    if found is not None:
        lines.append(f"  Told at {found.now.isoformat()}: {_typed(found.told)}")
        plan = f" {found.plan}:" if found.plan else ""
        action = f" The advice is {found.action}." if found.action else ""
        lines.append(f"  The service says:{plan} {found.said}.{action}")
    return "\n".join(lines) + "\n"


def summary(proofs: Sequence[Proof]) -> str:
    """How many hold, fail, and are not decided; those that do not hold by name."""
    counts = [sum(proof.verdict == verdict for proof in proofs) for verdict in (HOLDS, FAILS, UNDECIDED)]
    open_ones = [proof.claim for proof in proofs if proof.verdict != HOLDS]
    line = f"{_counted(len(proofs), 'claim', 'claims')}: {counts[0]} hold, {counts[1]} do not, {counts[2]} not decided."
    return line + (f" Not held: {', '.join(open_ones)}." if open_ones else "") + "\n"


def _speaks_of(proof: Proof) -> str:
    if proof.kind not in CLAIMS_ON_PLANS:
        return ""
    return f" It speaks of {_counted(proof.plans, 'plan', 'plans')}."


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _typed(told: Mapping[str, object]) -> str:
    if not told:
        return "nothing"
    return " ".join(
        f"{name}={value:g}" if isinstance(value, float) else f"{name}={value}" for name, value in told.items()
    )
