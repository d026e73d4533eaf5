"""Whole jobs answered in Spanish: no English is left in what a person reads, and what is decided is the same."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator
from typing import Any

import orjson
import pytest
from english_words import english_in
from outcome.results import attempt, both, near, verdicts
from shipped_policy import shipped_texts
from whole_jobs import Job, whole_jobs

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.rules_in_force import rules_in_force
from repairadvisor.decision.what_if import compare
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import policy_in_force
from repairadvisor.outcome.reported import Attempt
from repairadvisor.policy.after_work import VERDICTS
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy
from repairadvisor.render import comparison, terminal, ticket_note
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.settings import overlay_folder

#: What programs read: names that are the same in every language.
_NAMES = frozenset(
    re.findall(
        r"[a-z_]+",
        """
        action method layout position access shelter stage kind how_known screen fact facts tag owed_to
        authorisations besides cautions policy method_version vocabulary_version of_whom learnt unit
        after owed_to_unknown unknown_that_matter id now valid_until made_at beside_check part mode side
        withheld for_action
        """,
    )
)


#: A name of ours, such as stand_off.
_IDENTIFIER = re.compile(r"[a-z0-9]+(?:_[a-z0-9]+)+")


def _read(document: Any, key: str = "") -> Iterator[str]:
    """Every text of a document that a person reads."""
    if isinstance(document, dict):
        for name, value in document.items():
            if name not in _NAMES or isinstance(value, dict):
                yield from _read(value, name)
            elif name == "cautions":
                yield from _read([one for one in value if not _is_tag(one)])
    elif isinstance(document, list):
        for one in document:
            yield from _read(one, key)
    elif isinstance(document, str) and not _IDENTIFIER.fullmatch(document):
        yield document


def _is_tag(one: Any) -> bool:
    """Whether this names a caution; beside a plan held ready their whole texts stand."""
    return isinstance(one, str) and " " not in one


@pytest.fixture(scope="module")
def spanish_policy() -> Policy:
    return policy_in_force(overlay_folder("spanish"))


@pytest.fixture(scope="module")
def spanish(spanish_policy: Policy) -> Rules:
    return prepare(spanish_policy)


@pytest.fixture(scope="module")
def english() -> Rules:
    return prepare(load_policy(shipped_texts()))


@pytest.fixture(scope="module")
def voice(spanish_policy: Policy) -> Voice:
    return Voice(Words(spanish_policy.wording))


def _left(shown: Iterable[str]) -> dict[str, list[str]]:
    """The texts that hold English, with it."""
    return {text: words for text in shown if (words := english_in(text))}


def _advice(job: Job, rules: Rules) -> Advice:
    return advise(parse_context(job.facts, job.now), rules)


def test_english_is_found_where_it_is() -> None:
    assert english_in("Wait until half an hour after the last thunder") == ["wait", "until", "after", "the", "last"]
    assert english_in("Esperar hasta que haya pasado media hora desde el último trueno") == []


@pytest.mark.parametrize("job", whole_jobs(), ids=lambda job: job.id)
def test_an_answer_is_spanish_and_decides_as_in_english(job: Job, spanish: Rules, english: Rules, voice: Voice) -> None:
    said, meant = _advice(job, spanish), _advice(job, english)
    document = orjson.loads(document_bytes(said))
    pages = terminal.render(said, voice) + ticket_note.render(said, voice)
    shown = [*_read(document), *pages.splitlines()]
    assert not _left(shown)
    assert _decided(document) == _decided(orjson.loads(document_bytes(meant)))


def _decided(document: dict[str, Any]) -> Any:
    """A document without its words: what is left is the same in every language."""
    return _without_words({key: value for key, value in document.items() if key != "policy"})


def _without_words(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _without_words(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [_without_words(one, key) for one in value]
    named = key in _NAMES - {"unit"} and (key != "cautions" or _is_tag(value))
    return value if not isinstance(value, str) or named else bool(value)


def test_the_rules_in_force_are_spanish(spanish_policy: Policy) -> None:
    found = rules_in_force(spanish_policy)
    rules = [{**dataclasses.asdict(rule), "kind": "", "id": ""} for rule in found.rules]
    assert not _left(text for rule in rules for text in _read(rule))


def test_two_answers_side_by_side_are_spanish(spanish: Rules, voice: Voice) -> None:
    job = next(one for one in whole_jobs() if one.id == "plug-pulled-by-the-vacuum-cleaner")
    told = [parse_context({**job.facts, **other}, job.now) for other in ({}, {"fault_seen": "broken_plug"})]
    first, second = (advise(one, spanish) for one in told)
    shown = comparison.render(compare(first, second, voice.words), voice).splitlines()
    assert "Lo que se ve de la avería: conector arrancado -> conector roto" in shown
    assert not _left(shown)


def test_what_would_turn_it_is_spanish(spanish: Rules, voice: Voice) -> None:
    job = next(one for one in whole_jobs() if one.id == "plug-pulled-by-the-vacuum-cleaner")
    facts = {name: job.facts[name] for name in ("place", "fault_seen", "danger_seen", "cable_kind", "crew_place")}
    said = advise(parse_context({**facts, "margin_db": 2}, job.now), spanish, turning=True)
    assert said.turning_points
    assert not _left([*_read(orjson.loads(document_bytes(said))), *terminal.render(said, voice).splitlines()])


#: One report for each thing that a verdict can hang on.
REPORTS: dict[str, tuple[tuple[Attempt, ...], dict[str, Any]]] = {
    "good": ((attempt(0.05),), {}),
    "above the owner's limit": ((attempt(0.2),), {}),
    "no owner's limit": ((attempt(0.3),), {"owner_joint_limit_db": None}),
    "broken at the pull": ((attempt(pull_test="failed"),), {}),
    "not pulled": ((attempt(pull_test="unknown"),), {}),
    "throws back too much": ((attempt(reflectance_db=-20.0),), {}),
    "a bend": ((attempt(readings=both(0.05, 0.6)),), {}),
    "light nobody explains": ((attempt(0.05, level_below_record_db=3.0),), {}),
    "one way": ((attempt(readings=near(0.05)),), {}),
    "one way, a gain": ((attempt(readings=near(-0.2)),), {}),
    "one way, unlike fibres": ((attempt(readings=near(0.1)),), {"fibre_type_far": "g657a2"}),
    "nothing read": ((attempt(readings=()),), {}),
    "three bad ones": (tuple(attempt(0.4, attempt=n, machine="M-7", cleaver="C-2") for n in (1, 2, 3)), {}),
    "no fibre left": ((attempt(0.4, tray_fibre_near_m=0.1, tray_fibre_far_m=0.1),), {}),
    "too little margin": ((attempt(0.12),), {"margin_db": 0.1}),
    "margin unknown": ((attempt(0.12),), {"margin_db": None}),
}


@pytest.mark.parametrize("name", REPORTS)
def test_a_verdict_is_spanish_and_the_same(name: str, spanish: Rules, english: Rules) -> None:
    made, facts = REPORTS[name]
    said, meant = verdicts(spanish, *made, facts=facts), verdicts(english, *made, facts=facts)
    shown = [text for one in said for text in _read({**dataclasses.asdict(one), **_OF_A_VERDICT})]
    assert shown
    assert not _left(shown)
    assert [(one.verdict, one.reason, one.limit_db) for one in said] == [
        (one.verdict, one.reason, one.limit_db) for one in meant
    ]


def test_the_reports_lead_to_every_verdict(english: Rules) -> None:
    found = [one for made, facts in REPORTS.values() for one in verdicts(english, *made, facts=facts)]
    assert {one.verdict for one in found} == set(VERDICTS)
    assert len({one.reason for one in found}) > 8


#: Names in a verdict that programs read.
_OF_A_VERDICT: dict[str, Any] = {"verdict": "", "reason": "", "do_first": "", "limit_from": "", "policy": ""}
