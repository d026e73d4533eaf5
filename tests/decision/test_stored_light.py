"""What was compiled, stored and read back: nothing lost, and no exp is taken again."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import orjson
import pytest

from repairadvisor.decision.light import compile_light
from repairadvisor.decision.method import advise
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.stored_light import as_plain, from_plain
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.optics import joint_law
from repairadvisor.policy.model import Policy
from repairadvisor.schemas.advice import document_bytes

from .told import CABINET, job_context

_NOW = datetime(2026, 1, 1, 9, tzinfo=UTC)
_CONTEXTS = {
    "cabinet": parse_context(CABINET, _NOW),
    "twelve fibres": job_context("twelve-cut-by-a-spade-with-slack", margin_db=None),
}


def test_json_holds_all_of_it(rules: Rules, policy: Policy) -> None:
    text = orjson.dumps(as_plain(rules.light))
    again = from_plain(policy, orjson.loads(text))
    assert again.tables == rules.light.tables
    assert again.laws == rules.light.laws
    assert again == rules.light
    assert orjson.dumps(as_plain(again)) == text


@pytest.mark.parametrize("context", _CONTEXTS.values(), ids=_CONTEXTS)
def test_another_last_bit_of_exp_changes_nothing_that_was_stored(
    rules: Rules, policy: Policy, context: Context, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A library's exp may be off by one unit in the last place (common practice, no source): here it always is."""
    stored = orjson.loads(orjson.dumps(as_plain(rules.light)))
    exp, array_exp = math.exp, np.exp
    monkeypatch.setattr(math, "exp", lambda x: math.nextafter(exp(x), math.inf))
    monkeypatch.setattr(np, "exp", lambda x: np.nextafter(array_exp(x), np.inf))
    joint_law._clean_table.cache_clear()
    joint_law._failed_table.cache_clear()
    replayed = prepare(policy, stored)
    assert document_bytes(advise(context, replayed)) == document_bytes(advise(context, rules))
    assert compile_light(policy) != replayed.light  # compiled here it would not be the same
    joint_law._clean_table.cache_clear()
    joint_law._failed_table.cache_clear()


@pytest.mark.parametrize("part", ["tables", "laws", "kept_by_most_db"])
def test_what_lacks_a_part_is_refused(rules: Rules, policy: Policy, part: str) -> None:
    plain = as_plain(rules.light)
    del plain[part]
    with pytest.raises(KeyError, match=part):
        from_plain(policy, plain)
