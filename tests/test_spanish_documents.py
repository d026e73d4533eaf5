"""Whole jobs answered in Spanish: no English is left in what a person reads, and what is decided is the same."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from typing import Any

import orjson
import pytest
from english_words import english_in
from shipped_policy import shipped_texts
from whole_jobs import Job, whole_jobs

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.rules_in_force import rules_in_force
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import policy_in_force
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy
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
    elif isinstance(document, str):
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


def _advice(job: Job, rules: Rules) -> Advice:
    return advise(parse_context(job.facts, job.now), rules)


def test_english_is_found_where_it_is() -> None:
    assert english_in("Wait until half an hour after the last thunder") == ["wait", "until", "after", "the", "last"]
    assert english_in("Esperar hasta que haya pasado media hora desde el último trueno") == []


@pytest.mark.parametrize("job", whole_jobs(), ids=lambda job: job.id)
def test_an_answer_is_spanish_and_decides_as_in_english(job: Job, spanish: Rules, english: Rules) -> None:
    said, meant = _advice(job, spanish), _advice(job, english)
    document = orjson.loads(document_bytes(said))
    left = {text: words for text in _read(document) if (words := english_in(text))}
    assert not left
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
    left = {}
    for rule in found.rules:
        for text in _read({**dataclasses.asdict(rule), "kind": "", "id": ""}):
            if words := english_in(text):
                left[text] = words
    assert not left
