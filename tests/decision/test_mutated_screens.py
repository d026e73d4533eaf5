"""Safety screens changed in one place: something besides a screen's own examples notices.

What notices is a claim that no longer holds or a whole job that no longer agrees with its judgement; for a limit that
was moved also the screen's example at its boundary.
"""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from builders import NOW
from shipped_policy import Raw, screens_of, shipped_files
from whole_jobs import Job, disagreements, whole_jobs

from decision.mutated_rules import mutated, rules_with
from repairadvisor.decision.check_facts import failing_examples
from repairadvisor.decision.method import advise
from repairadvisor.decision.proofs import HOLDS, prove
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.stored_light import as_plain
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import Claim

KINDS = ("safety", "danger", "scope")
WHOLE, USUALLY, SEED = 200, 2, 20311127
HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def files() -> dict[str, Raw]:
    return shipped_files()


@pytest.fixture(scope="module")
def asked(rules: Rules) -> list[tuple[Job, Context]]:
    """The whole jobs that agree with their judgement, with their contexts."""
    known = tomllib.loads((HERE / "known_disagreements.toml").read_text(encoding="utf-8"))["disagreement"]
    out = {one["id"] for one in known}
    return [(job, parse_context(job.facts, job.now)) for job in whole_jobs() if job.id not in out]


@pytest.mark.long
def test_something_notices_every_change_of_a_safety_screen(
    share: Callable[[int, int, int], int],
    record_property: Callable[[str, object], None],
    rules: Rules,
    files: dict[str, Raw],
    asked: list[tuple[Job, Context]],
) -> None:
    drawn, stored = random.Random(SEED), as_plain(rules.light)
    noticed: dict[str, int] = {}
    nobody = []
    for _ in range(share(WHOLE, USUALLY, SEED)):
        screens = screens_of(files)
        of_people = [one for one in screens if one["kind"] in KINDS]
        name, way, changed = mutated(of_people, "bars_when", files["limits.toml"]["limit"], drawn)
        others = [one for one in screens if one["kind"] not in KINDS]
        mutant = rules_with(rules, stored, files, [*others, *changed], files["cautions.toml"]["caution"])
        by = _noticed_by(rules, mutant, name, way, asked)
        noticed[by] = noticed.get(by, 0) + 1
        if not by:
            nobody.append(f"{name}: {way}")
    record_property("figures", "; ".join(f"{by or 'nobody'} {count}" for by, count in sorted(noticed.items())))
    assert nobody == []


def _noticed_by(rules: Rules, mutant: Rules, name: str, way: str, asked: list[tuple[Job, Context]]) -> str:
    """What notices a change of a screen; "" where nothing does."""
    if any(prove(claim, mutant, NOW).verdict != HOLDS for claim in _near(rules, name)):
        return "a claim"
    for job, context in asked:
        if _same(rules, mutant, context):
            continue
        if disagreements(job, advise(context, mutant)):
            return "a whole job"
    if way == "moved" and any(name in finding.ids for finding in failing_examples(mutant)):
        return "an example at the boundary"
    return ""


def _near(rules: Rules, name: str) -> list[Claim]:
    """Claims on permission that speak of what the screen speaks of."""
    facts = {fact for one in rules.policy.screens if one.id == name for fact in facts_of(one.bars_when)} - {"place"}
    return [
        one
        for one in rules.policy.claims
        if one.kind in ("permission", "unbarred") and facts & set(facts_of(one.where))
    ]


def _same(rules: Rules, mutant: Rules, context: Context) -> bool:
    """Whether both say of every screen the same in a context."""
    one, other = (_said(look(each, as_it_stands(context, each)).status, each) for each in (rules, mutant))
    return one == other


def _said(status: Any, rules: Rules) -> Mapping[str, str]:
    return {screen.id: status[i] for i, screen in enumerate(rules.screens)}
