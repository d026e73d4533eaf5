"""Who is to go: how many, and what they must be authorised for."""

from __future__ import annotations

from repairadvisor.decision.advice import Crew
from repairadvisor.decision.answer import Told
from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.screens import CLEAR, statuses
from repairadvisor.decision.situation import Judged
from repairadvisor.facts.value import Known


def crew_of(told: Told) -> Crew:
    """The crew for the plan; ``besides`` what somebody among them must hold for the other ways that the load is for."""
    words, plan, prepared = told.words, told.plan, told.answer.prepared
    if plan is None:
        # While something is asked first nobody is chosen: one person would be read as enough.
        if told.answer.action in ("out_of_scope", "stand_off", "ask_first"):
            return Crew(0, (), words.say("crew", "nobody"))
        return Crew(1, (), words.say("crew", "line_none", persons=words.counted("person", 1)))
    assert prepared is not None
    # Of several places it may be, the one that needs most: what is not known is not read as the safer of them.
    count = max(persons(told.policy, plan, place) for place in told.context.possible["place"].words)
    needs = _needed(told, prepared)
    besides = tuple(
        dict.fromkeys(name for one in told.answer.may_win for name in _needed(told, one) if name not in needs)
    )
    said = words.counted("person", count)
    line = words.say("crew", "line_none", persons=said)
    if needs:
        line = words.say("crew", "line", persons=said, authorisations=_listed(told, needs))
    if besides:
        line = f"{line} {words.say('crew', 'besides', authorisations=_listed(told, besides))}"
    return Crew(count, needs, line, besides)


def _listed(told: Told, names: tuple[str, ...]) -> str:
    return told.words.listed([told.words.say("authorisation", name) for name in names])


def _needed(told: Told, one: Judged) -> tuple[str, ...]:
    """Authorisations that would bar a plan if nobody held them."""
    rules, ahead = told.rules, told.answer.ahead
    asked = [
        (i, screen.needs)
        for i, screen in enumerate(rules.screens)
        if screen.needs and rules.screen_plans[i] >> one.index & 1
    ]
    nobody, _ = ahead.context.with_facts({name: Known("no") for _, name in asked})
    without = statuses(rules.compiled, nobody)
    return tuple(dict.fromkeys(name for i, name in asked if without[i] != CLEAR))
