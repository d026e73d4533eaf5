"""What is said of questions: alone, together, in turn, and to a crew that is there already."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from repairadvisor.decision.answer import Told
from repairadvisor.decision.method import advise, answer
from repairadvisor.decision.questions import Asked
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.spoken import question_of, say
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.parse import parse_context

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
CABINET: dict[str, Any] = {"place": "street_cabinet", "fault_seen": "broken_plug", "danger_seen": "none"}
COUNTS = ("spare_fibres_count", "fibres_in_service_count")


def _because(rules: Rules, one: Asked) -> str:
    context = parse_context(CABINET, NOW)
    found = answer(look(rules, as_it_stands(context, rules)), "", ask=False)
    return question_of(Told(found, Words(rules.wording), context), one).because


def test_facts_asked_together_name_each_other(rules: Rules) -> None:
    for fact, other in zip(COUNTS, ("broken fibres that carry service", "tested spare fibres"), strict=True):
        said = _because(rules, Asked(fact, 417.4, (), COUNTS))
        assert "together with" in said
        assert other in said
        assert "417 cu" in said


def test_facts_asked_in_turn_say_which_comes_first(rules: Rules) -> None:
    first, second = (_because(rules, Asked(fact, 90.0, (), COUNTS, in_turn=True)) for fact in COUNTS)
    assert "where it then matters" in first
    assert "Asked only if the answer about" in second


def _said(rules: Rules, told: dict[str, Any]) -> str:
    context = parse_context(told, NOW)
    found = answer(look(rules, as_it_stands(context, rules)), "", ask=False)
    asked = replace(found, action="ask_first", questions=(Asked(COUNTS[0], 417.4),))
    return say(Told(asked, Words(rules.wording), context))


def test_a_crew_that_is_there_is_not_told_that_nobody_is_sent(rules: Rules) -> None:
    assert "before anything is begun" in _said(rules, {**CABINET, "crew_place": "on_site"})
    assert "before anybody is sent" in _said(rules, CABINET)


def test_numbers_of_fibres_are_said_without_their_unit(rules: Rules) -> None:
    """The question says of what."""
    asked = advise(parse_context(CABINET, NOW), rules).questions
    answers = [one.answer for question in asked if question.fact in COUNTS for one in question.answers]
    assert answers
    assert not any("fibre" in said for said in answers)
