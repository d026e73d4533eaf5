"""The use case of comparing two policies: where policies and faults come from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import orjson

from repairadvisor.decision.drawn_contexts import Numbers, drawn_context
from repairadvisor.decision.loosening import policy_of
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.policy_comparison import Case, Claim, PolicyComparison, compared
from repairadvisor.decision.proofs import FAILS, HOLDS
from repairadvisor.decision.rules import Rules
from repairadvisor.errors import Fault, InputError, NotFoundError
from repairadvisor.methods import PreparedMethod, default_policy, policy_in_folder, prepared_under, prove_claims
from repairadvisor.policy.model import Policy
from repairadvisor.replay import told_again
from repairadvisor.settings import overlay_folder
from repairadvisor.store.records import Records

#: The moment of drawn faults: no rule hangs on the day, and the same seed gives the same faults for ever.
DRAWN_AT = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
_LEAST_OF_AN_ID = 8

#: What becomes of the claims of compiled rules.
Prover = Callable[[Rules], Sequence[Claim]]


def claims_kept(records: Records, rules: Rules) -> Sequence[Claim]:
    """The claims of a policy as they were found when they were last looked at; none where nobody has looked."""
    kept = records.proofs(rules.policy_id, METHOD_VERSION)
    return (
        () if kept is None else [claim_of(one["claim"], one["says"], one["verdict"]) for one in orjson.loads(kept[1])]
    )


def claims_proven(records: Records | None, moment: datetime, rules: Rules) -> Sequence[Claim]:
    """The same, looked at now where nobody has."""
    kept = () if records is None else claims_kept(records, rules)
    if kept:
        return kept
    found = prove_claims(PreparedMethod(rules.policy, rules), (), moment)
    return [claim_of(proof.claim, proof.says, proof.verdict) for proof in found]


def claim_of(claim_id: str, says: str, verdict: str) -> Claim:
    """A claim and whether it holds, for a comparison."""
    return Claim(claim_id, says, {HOLDS: True, FAILS: False}.get(verdict))


@dataclass(frozen=True, slots=True)
class Faults:
    """The faults that are looked at: how many there are, what they are in words, and each in turn, made when it is
    asked for."""

    count: int
    said: str
    cases: Callable[[], Iterator[Case]]


def recorded(records: Records, most: int) -> Faults:
    """The faults of the advice that was given last."""
    ids = records.latest_ids(most)

    def cases() -> Iterator[Case]:
        for one in ids:
            context, issued_plan, _ = told_again(records.get(one))
            yield Case(one, context, issued_plan)

    said = "the last advice was" if len(ids) == 1 else f"the last {len(ids)} advices were"
    return Faults(len(ids), f"what {said} asked about", cases)


def drawn(policy: Policy, count: int, seed: int) -> Faults:
    """Invented faults from the priors of a policy; each hangs on its number and the seed alone."""

    def cases() -> Iterator[Case]:
        for number in range(1, count + 1):
            yield Case(f"drawn {number}", drawn_context(policy, DRAWN_AT, Numbers(f"{seed}/{number}")))

    faults = "one fault" if count == 1 else f"{count} faults"
    return Faults(count, f"{faults} drawn from what the old policy assumes (seed {seed})", cases)


def compare_policies(
    old: Policy,
    new: Policy,
    faults: Faults,
    *,
    records: Records | None = None,
    cache: Path | None = None,
    prover: Prover,
) -> PolicyComparison:
    """What changes from an old policy to a new one. Raises PolicyError for one that cannot be weighed.

    What compiling comes to is kept for policies that ``records`` know, and for them only: one that somebody tries is
    not kept for ever. ``prover`` is asked once for each policy.
    """
    rules = [prepared_under(one, cache, _knowing(records, one)).rules for one in (old, new)]
    claims = (prover(rules[0]), prover(rules[1]))
    return compared(faults.cases(), rules[0], rules[1], claims)


def _knowing(records: Records | None, policy: Policy) -> Records | None:
    return records if records is not None and policy.id in records.policy_ids() else None


def policy_named(name: str, records: Records | None) -> Policy:
    """The policy in a folder or of an overlay that ships, or that with an id or the beginning of one, among those kept
    and the one that ships.

    Raises :class:`NotFoundError`; :class:`InputError` for a folder that cannot be read; PolicyError where what is in it
    is no policy.
    """
    folder = overlay_folder(name)
    return policy_in_folder(folder) if name and folder.is_dir() else policy_by_id(name, records)


def policy_by_id(name: str, records: Records | None) -> Policy:
    """The policy with an id or the beginning of one. Raises :class:`NotFoundError`; :class:`InputError` where several
    begin so."""
    shipped = default_policy()
    known = dict.fromkeys((shipped.id, *(() if records is None else records.policy_ids())))
    found = [one for one in known if one.startswith(name)] if len(name) >= _LEAST_OF_AN_ID else []
    if not found:
        raise NotFoundError("policy", name)
    if len(found) > 1:
        raise InputError([Fault("ambiguous", "policy", name, "is the beginning of several", ", ".join(found))])
    if found[0] == shipped.id or records is None:
        return shipped
    return policy_of(records.policy(found[0]))
