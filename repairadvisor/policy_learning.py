"""The use case of learning from recorded joints: what an overlay would say, what it would change, and its files."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from repairadvisor.decision.loosening import policy_with
from repairadvisor.decision.policy_comparison import Claim, PolicyComparison
from repairadvisor.decision.proofs import HOLDS, Proof
from repairadvisor.decision.rules import Rules
from repairadvisor.errors import Fault, InputError
from repairadvisor.made_joints import made_joints
from repairadvisor.methods import PreparedMethod, prepared_under, prove_claims
from repairadvisor.outcome.learning import Learnt, learn
from repairadvisor.outcome.proposed_overlay import overlay_files
from repairadvisor.policy.model import Policy
from repairadvisor.policy.overlay import HEAD, read_overlay
from repairadvisor.policy_change import Faults, claim_of, claims_proven, compare_policies
from repairadvisor.settings import shipped_name
from repairadvisor.store.policy_files import default_texts, read_overlays
from repairadvisor.store.records import Records

#: Told how far proving is: the claim, and how many branches have been looked at.
Progress = Callable[[str, int], None]


@dataclass(frozen=True, slots=True)
class Proposal:
    """What was learnt and what it would come to. ``policy`` is the one in force with it, None where nothing changes;
    ``parent`` the folder on which its overlay would lie; ``proofs`` are those of its claims and ``comparison`` that
    with the one in force, made on what ``faults`` says; without them where nobody asked."""

    learnt: Learnt
    parent: str = ""
    policy: Policy | None = None
    proofs: Sequence[Proof] = ()
    comparison: PolicyComparison | None = None
    faults: str = ""

    @property
    def claims_not_held(self) -> tuple[str, ...]:
        """The claims that do not hold, or are not decided, under the policy with it."""
        return tuple(proof.claim for proof in self.proofs if proof.verdict != HOLDS)


class PolicyLearning:
    """Learns for the policy in force, ``overlay`` being the operator's folder, from what ``records`` hold."""

    def __init__(self, method: PreparedMethod, records: Records, overlay: Path | None, cache: Path | None) -> None:
        self._method = method
        self._records = records
        self._overlay = overlay
        self._cache = cache

    def propose(self, since: datetime | None, folder: Path | None = None) -> Proposal:
        """What attempts made since a moment (None: all) say, for an overlay in a ``folder``. Nothing is written."""
        learnt = learn(made_joints(self._records, since), self._method.rules.light)
        parent = self.parent_of(folder)
        files = overlay_files(learnt, parent, ())
        return Proposal(learnt, parent, self._policy_with(files) if files else None)

    def looked_at(self, proposal: Proposal, faults: Faults, now: datetime, progress: Progress) -> Proposal:
        """The same with what its claims come to and what it would change on ``faults``. Takes minutes."""
        if proposal.policy is None:
            return proposal
        rules = prepared_under(proposal.policy, self._cache).rules
        proofs = tuple(prove_claims(PreparedMethod(proposal.policy, rules), (), now, progress))
        proven = [claim_of(one.claim, one.says, one.verdict) for one in proofs]

        def prover(of: Rules) -> Sequence[Claim]:
            return proven if of.policy_id == rules.policy_id else claims_proven(self._records, now, of)

        found = compare_policies(
            self._method.policy, proposal.policy, faults, records=self._records, cache=self._cache, prover=prover
        )
        return replace(proposal, proofs=proofs, comparison=found, faults=faults.said)

    def write(self, proposal: Proposal, folder: Path, says: Sequence[str]) -> Mapping[str, str]:
        """Write the overlay into a folder that is not there yet, ``says`` above it; its files by name, none where
        nothing changes. Raises :class:`InputError` where something stands there, or nothing can be written."""
        refuse_folder(folder)
        if proposal.policy is None:
            return {}
        files = overlay_files(proposal.learnt, proposal.parent, says)
        if self._policy_with(files).id != proposal.policy.id:
            raise ValueError("the files would make another policy than the one that was looked at")
        try:
            folder.mkdir()
            for name in sorted(files, key=lambda one: one == HEAD):  # last: without it the folder is no overlay
                with (folder / name).open("x", encoding="utf-8") as file:
                    file.write(files[name])
        except OSError as error:
            problem = f"cannot be written: {error.strerror}"
            raise InputError([Fault("no-file", str(folder), "", problem, "a new folder")]) from error
        return files

    def parent_of(self, folder: Path | None) -> str:
        """The operator's overlay, as the new one names it."""
        if self._overlay is None:
            return ""
        real = self._overlay.resolve()
        if (name := shipped_name(real)) is not None:
            return name
        return str(real) if folder is None else os.path.relpath(real, folder.resolve())

    def _policy_with(self, files: Mapping[str, str]) -> Policy:
        below = () if self._overlay is None else read_overlays(self._overlay)
        return policy_with(default_texts(), (*below, read_overlay(files)))


def refuse_folder(folder: Path) -> None:
    """Raises :class:`InputError` for a folder that is there, or whose own folder is not: nothing is written over."""
    if os.path.lexists(folder):
        problem = "is there already, and nothing is written over"
        raise InputError([Fault("exists", str(folder), "", problem, "a new folder")])
    if not folder.resolve().parent.is_dir():
        problem = "stands in no folder that is there"
        raise InputError([Fault("no-file", str(folder), "", problem, "a new folder in one that is there")])
