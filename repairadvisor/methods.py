"""The method under a policy: read, compiled, ready to be asked, and what holds of it. Where policy files, cache and
records meet.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Protocol

import orjson

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.card_tree import card_tree
from repairadvisor.decision.cautions import KNOWN, owed
from repairadvisor.decision.fault_tree import Tree, tree_for
from repairadvisor.decision.loosening import policy_with
from repairadvisor.decision.method import METHOD_VERSION, advise
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.proofs import Proof, prove
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.rules_in_force import RulesInForce, rules_in_force
from repairadvisor.decision.situation import look
from repairadvisor.decision.stored_light import as_plain
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context
from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.outcome.judging import judge, repair_of
from repairadvisor.outcome.reported import Attempt, Repair
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.outcome.workmanship_charts import Workmanship, workmanship_of
from repairadvisor.policy.load import LONGEST_FILE, load_policy
from repairadvisor.policy.model import Claim, Policy
from repairadvisor.policy.overlay import HEAD as OVERLAY_HEAD
from repairadvisor.policy.plan import Plan
from repairadvisor.store.compiled import Compiled
from repairadvisor.store.policy_files import default_texts, read_overlays
from repairadvisor.store.records import Records


class Method(Protocol):
    """The decision under one policy, ready to be asked often and from several threads at once."""

    @property
    def policy_id(self) -> str:
        """SHA-256 of ``policy_text``."""

    @property
    def policy_text(self) -> bytes:
        """The canonical policy."""

    @property
    def wording(self) -> Mapping[str, object]:
        """The policy's words for headings and the like."""

    @property
    def claims(self) -> Sequence[Claim]:
        """What the policy claims of itself."""

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        """The advice on what is known; a plan given before is kept while it is among the best."""

    def tree(self, context: Context, depth: int, most_nodes: int | None = None) -> Tree:
        """What to ask next, answer by answer; :class:`InputError` where that takes more nodes than are wanted."""

    def card_tree(self, context: Context, issued_plan: str, most_nodes: int) -> Tree:
        """The same as a card carries it, cut where it has more nodes; a plan given before as in :meth:`advise`."""

    @property
    def most_attempts(self) -> int:
        """Attempts that a joint may come to."""

    def plan_ids(self) -> frozenset[str]:
        """The plans there are."""

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        """What to beware of whatever is done, of hazards known to be there."""

    def rules_in_force(self) -> RulesInForce:
        """The rules and numbers of the policy, as a person reads them."""

    def workmanship(self, attempts: Iterable[Made]) -> Workmanship:
        """Control charts over recorded attempts in the order of the work."""

    def judge(self, context: Context, plan_id: str, attempts: Sequence[Attempt], now: datetime) -> tuple[Verdict, ...]:
        """The verdict on the last attempt at every joint of a repair; ``attempts`` are all that are known of it.

        Raises :class:`InputError` for attempts that cannot be of this repair.
        """

    def repair(self, context: Context, plan_id: str, now: datetime) -> Repair:
        """What reported attempts are held against, one by one."""


@dataclass(frozen=True)
class PreparedMethod:
    """The method of this program under ``policy``."""

    policy: Policy
    rules: Rules

    @property
    def policy_id(self) -> str:
        return self.policy.id

    @property
    def policy_text(self) -> bytes:
        return self.policy.canonical

    @property
    def wording(self) -> Mapping[str, object]:
        return self.policy.wording

    @property
    def claims(self) -> Sequence[Claim]:
        return self.policy.claims

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        return advise(context, self.rules, issued_plan, turning=turning)

    def tree(self, context: Context, depth: int, most_nodes: int | None = None) -> Tree:
        return tree_for(context, self.rules, depth, most_nodes)

    def card_tree(self, context: Context, issued_plan: str, most_nodes: int) -> Tree:
        return card_tree(context, self.rules, issued_plan, most_nodes)

    @property
    def most_attempts(self) -> int:
        return max(1, int(self.policy.limits["attempts_most"].value))

    def plan_ids(self) -> frozenset[str]:
        return frozenset(plan.id for plan in self.policy.plans)

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        situation = look(self.rules, context)
        rows = [(row, situation.of("caution", i)) for i, row in enumerate(self.policy.cautions)]
        return tuple(one.row.text for one in owed(rows, None) if one.owed_to == KNOWN)

    def rules_in_force(self) -> RulesInForce:
        return rules_in_force(self.policy)

    def workmanship(self, attempts: Iterable[Made]) -> Workmanship:
        return workmanship_of(attempts, self.rules.light)

    def judge(self, context: Context, plan_id: str, attempts: Sequence[Attempt], now: datetime) -> tuple[Verdict, ...]:
        return judge(self.rules, context, self._plan(plan_id), attempts, now)

    def repair(self, context: Context, plan_id: str, now: datetime) -> Repair:
        return repair_of(self.rules, context, self._plan(plan_id), now)

    def _plan(self, plan_id: str) -> Plan:
        return next(plan for plan in self.policy.plans if plan.id == plan_id)


def default_policy() -> Policy:
    """The policy that ships with this program."""
    return policy_in_force(None)


def policy_in_force(overlay: Path | None) -> Policy:
    """The policy that ships, with the overlay in a folder laid over it where there is one.

    Raises :class:`PolicyError` for an overlay that cannot be used as a whole.
    """
    return policy_with(default_texts(), () if overlay is None else read_overlays(overlay))


def prepared_method(
    cache: Path | None = None, records: Records | None = None, overlay: Path | None = None
) -> PreparedMethod:
    """The method under the policy that ships and the overlay in a folder, compiled. Takes a while; do it once.

    In ``cache``, a folder, it leaves what compiling came to, and finds it there the next time. With ``records`` it is
    kept there for ever, and what is kept there is what counts: advice has been given from it. Raises PolicyError.
    """
    return prepared_under(policy_in_force(overlay), cache, records)


def prepared_under(policy: Policy, cache: Path | None = None, records: Records | None = None) -> PreparedMethod:
    """The method under any policy, as :func:`prepared_method`. Raises PolicyError for one that cannot be weighed."""
    if records is None:
        return PreparedMethod(policy, _compiled(policy, cache))
    kept = records.tables(policy.id, METHOD_VERSION)
    rules = _from_kept(policy, kept)
    if rules is not None:
        return PreparedMethod(policy, rules)
    rules = _compiled(policy, cache)
    if kept is None:
        records.keep_policy(policy.id, policy.canonical)
        mine = orjson.dumps(as_plain(rules.light))
        kept = records.keep_tables(policy.id, METHOD_VERSION, mine)
        rules = rules if kept == mine else _from_kept(policy, kept) or rules
    return PreparedMethod(policy, rules)


def _from_kept(policy: Policy, kept: bytes | None) -> Rules | None:
    """Rules from what was kept; None where nothing was, or what was is of another form."""
    if kept is None:
        return None
    try:
        return prepare(policy, orjson.loads(kept))
    except (KeyError, IndexError, TypeError, ValueError):
        return None


def _compiled(policy: Policy, cache: Path | None) -> Rules:
    if cache is None:
        return prepare(policy)
    compiled = Compiled(cache, f"{policy.id} {METHOD_VERSION} {_program()}")
    stored = compiled.read()
    rules = prepare(policy, stored)
    if stored is None:
        compiled.write(as_plain(rules.light))
    return rules


def policy_in_folder(folder: Path) -> Policy:
    """The policy of a folder: the shipped one with an operator's overlay, or all the files of a policy.

    Raises :class:`InputError` for a folder that cannot be read or holds no policy, PolicyError for what is none.
    """
    if (folder / OVERLAY_HEAD).is_file():
        return policy_in_force(folder)
    texts = {}
    try:
        for file in sorted(folder.glob("*.toml")):
            with file.open("rb") as opened:
                texts[file.name] = opened.read(4 * LONGEST_FILE + 1).decode()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError([Fault("no-file", str(folder), "", f"cannot be read: {error}", "a folder")]) from error
    if not texts:
        raise InputError([Fault("no-file", str(folder), "", "holds no policy", "a folder of .toml files")])
    return load_policy(texts)


def _program() -> str:
    """The SHA-256 of the modules that compiling runs through: another program may come to something else."""
    digest = hashlib.sha256()
    package = resources.files("repairadvisor")
    for name in ("facts", "optics", "policy", "decision"):
        for file in sorted((package / name).iterdir(), key=lambda one: one.name):
            if file.name.endswith(".py"):
                digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def prove_claims(
    method: PreparedMethod, wanted: Sequence[str], clock: datetime, progress: Callable[[str, int], None] | None = None
) -> Iterator[Proof]:
    """What becomes of each claim of the policy, of those with the ids that are ``wanted``, or of all.

    ``progress`` is told the claim that is at work and, now and then, how many branches have been looked at for it.
    Raises :class:`InputError` for a claim that is not in the policy.
    """
    known = {claim.id: claim for claim in method.policy.claims}
    faults = [
        Fault("unknown-claim", "claim", name, "the policy has no such claim", ", ".join(known))
        for name in wanted
        if name not in known
    ]
    if faults:
        raise InputError(faults)
    return _proofs([known[name] for name in wanted or known], method, clock, progress)


def _proofs(
    claims: Sequence[Claim], method: PreparedMethod, clock: datetime, progress: Callable[[str, int], None] | None
) -> Iterator[Proof]:
    for claim in claims:
        if progress is not None:
            progress(claim.id, 0)
        yield prove(claim, method.rules, clock, None if progress is None else partial(progress, claim.id))
