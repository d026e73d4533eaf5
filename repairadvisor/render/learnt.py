"""What recorded joints teach, as lines for whoever decides whether it is adopted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from repairadvisor.decision.policy_comparison import PolicyComparison
from repairadvisor.decision.proofs import Proof
from repairadvisor.outcome.learning import Learnt, LearntSet
from repairadvisor.render import policy_comparison, proofs
from repairadvisor.render.figures import plain, short, words

_NOT_LOOKED_AT = (
    "Nobody has looked whether the policy's claims hold with it, nor what it would change: `repairadvisor policy "
    "prove` and `repairadvisor policy compare` do."
)


def render(learnt: Learnt) -> str:
    """Each set of joints before and after, with what stands behind it, and what was left out."""
    counted, weight = _counted(learnt.attempts, "attempt"), _counted(learnt.prior_joints, "joint")
    lines = [f"{counted} on record. The policy's own figures count as much as {weight} of a set."]
    for one in learnt.sets:
        lines += ["", *_set(one)]
    if learnt.left_out:
        lines += ["", "Left out", *(f"  {count}: {why}" for why, count in learnt.left_out.items())]
    return "\n".join(lines) + "\n"


def _counted(count: float, noun: str) -> str:
    said = short(count)
    return f"{said} {noun}" if said == "1" else f"{said} {noun}s"


def _set(one: LearntSet) -> Iterator[str]:
    low, high = one.interval
    ways = ", ".join(f"{how} {count}" for how, count in one.how.items())
    yield f"{words(one.method)}, {words(one.mode)}"
    yield (
        f"  behind it: {_counted(one.attempts, 'attempt')} at {_counted(one.joints, 'joint')}, "
        f"{one.first.date()} to {one.last.date()} ({ways}; of {one.bounded} only a bound)"
    )
    yield f"  spreads:   {plain(one.scale, 3)} times as wide, in 95 of 100 between {plain(low, 3)} and {plain(high, 3)}"
    for name, unit, before, after in (
        ("offset", "µm", one.before.offset_um, one.after.offset_um),
        ("tilt", "°", one.before.tilt_deg, one.after.tilt_deg),
    ):
        yield f"  {name + ':':<10} {short(before, 4)} {unit} before, {short(after, 4)} {unit} after"
    for name, before, after in (
        ("median", one.before.p50_db, one.after.p50_db),
        ("95 in 100", one.before.p95_db, one.after.p95_db),
    ):
        yield f"  {name + ':':<10} {plain(before, 3)} dB before, {plain(after, 3)} dB after, one joint at a bench"


def looked_at(proven: Sequence[Proof], found: PolicyComparison | None, faults: str) -> tuple[str, ...]:
    """What became of the claims, and what would change, a paragraph each; that nobody looked where nobody did."""
    if found is None:
        return (_NOT_LOOKED_AT,)
    changed = [f"{heading}: {'; '.join(lines)}." for heading, lines in policy_comparison.parts(found)]
    return (
        f"Claims of the policy with it: {proofs.summary(proven).strip()}",
        f"On {faults}: {policy_comparison.headline(found)}",
        *changed,
    )
