"""How an answer is reached, from top to bottom: open this first.

Facts are settled, every screen is judged, what is left is weighed by expected cost, and the action follows: danger and
scope come before anything; a plan that is permitted, or will be once something is checked, is a repair; where nothing
is permitted the best later start is waited for, else a fact that can be learnt now is asked for, else an event is
waited for, else everybody keeps away. A start that costs less than acting now is waited for as well.
"""

from __future__ import annotations

from dataclasses import replace

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.answer import Answer
from repairadvisor.decision.at_ends import at_ends
from repairadvisor.decision.document import write
from repairadvisor.decision.may_win import may_win
from repairadvisor.decision.outcomes import Outcomes
from repairadvisor.decision.plans import TEMPORARY, indifference, ranked, second_visit, with_second_visits
from repairadvisor.decision.questions import danger_first, openable, roots, to_ask, worth_asking
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED
from repairadvisor.decision.situation import Judged, Situation, look, weigh
from repairadvisor.decision.slots import best_later, has_temporary
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import turns_of
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME, CREW_AND_STOCK
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import Screen

#: Goes up when the same context and policy can give another document.
METHOD_VERSION = "9"


def advise(context: Context, rules: Rules, issued_plan: str = "", *, turning: bool = False) -> Advice:
    """The advice for a context under prepared rules; the same bytes for the same input.

    ``issued_plan`` is the id of a plan already given for this fault: it is kept while it is still among the best. With
    ``turning`` it says at which values of the facts told the answer would be another one, which takes longer.
    """
    found = answer(look(rules, as_it_stands(context, rules)), issued_plan)
    if turning:
        beside = Outcomes(context, found, lambda situation: answer(situation, issued_plan, ask=False), issued_plan)
        found = replace(found, turns=turns_of(context, rules, beside))
    ends = at_ends(context, found, lambda situation: answer(situation, issued_plan, ask=False))
    return write(replace(found, at_ends=ends, issued_plan=issued_plan), context, METHOD_VERSION)


def answer(situation: Situation, issued_plan: str, *, ask: bool = True) -> Answer:
    """The action, and what it rests on. Without ``ask`` nobody is asked anything that only saves money,
    and temporary repairs that cannot win are left out of the order."""
    rules = situation.rules
    barred = situation.screens(BARRED)
    danger = tuple(i for i in barred if rules.screens[i].kind == "danger")
    scope = tuple(i for i in barred if rules.screens[i].kind == "scope")
    if scope or danger:  # people first: whoever declines a place still says whom its danger needs
        return Answer(situation, "out_of_scope" if scope else "stand_off", decisive=danger + scope)
    plans = situation.candidates()
    if plans:
        return _repair_or_wait(situation, plans, issued_plan, ask=ask)
    later = best_later(rules, situation)
    if later is not None:
        return Answer(situation, "make_safe_and_wait", later=later)
    questions = to_ask(situation)
    if questions:
        return Answer(situation, "ask_first", questions=questions)
    least_lossy = continuity(situation)
    if least_lossy:
        return Answer(situation, "repair", order=least_lossy, continuity_only=True)
    return _wait_for_an_event(situation)


def _repair_or_wait(situation: Situation, plans: int, issued_plan: str, *, ask: bool) -> Answer:
    rules = situation.rules
    closed = openable(situation) if ask else 0
    if ask:
        temporary = has_temporary(rules, plans | closed)
        owed = {TEMPORARY: second_visit(rules, situation.context)} if temporary else {}
        judged = weigh(situation, plans, owed, closed)
    else:
        judged = with_second_visits(situation, weigh(situation, plans))
    order = ranked(situation, [one for one in judged if plans >> one.index & 1], issued_plan)
    later = best_later(rules, situation)
    least = min(one.cost for one in order)
    if later is not None and later.cost < least - indifference(rules, least):
        return Answer(situation, "make_safe_and_wait", order=tuple(order), later=later)
    if not ask:
        return Answer(situation, "repair", order=tuple(order))
    worth = worth_asking(situation, order, [one for one in judged if closed >> one.index & 1])
    questions = danger_first(situation, worth.asked)
    if worth.saves > indifference(rules, least):
        return Answer(situation, "ask_first", order=tuple(order), questions=questions)
    besides = () if worth.outlook is None else may_win(situation, worth.outlook, order[0])
    return Answer(situation, "repair", order=tuple(order), questions=questions, may_win=besides)


def continuity(situation: Situation) -> tuple[Judged, ...]:
    """Where nothing but the budget bars, the least lossy plan, offered as continuity only."""
    rules = situation.rules
    barred = 0
    for i, plans in situation.barred_by.items():
        if rules.screens[i].kind != "budget":
            barred |= plans
    left = ((1 << len(rules.policy.plans)) - 1) & ~barred & ~situation.closed
    if not left:
        return ()
    judged = weigh(situation, left)
    service = situation.context.possible["service_kind"].words
    if len(service) != 1:
        return ()
    light = rules.light

    def lost(one: Judged) -> tuple[float, float]:
        nm = light.wavelengths(service[0])[0]
        return light.table(light.joint(one.plan), service[0], nm, recorded=True).p50_db, one.cost

    return tuple(sorted((one for one in judged if one.plan.method != "none"), key=lost))


def _wait_for_an_event(situation: Situation) -> Answer:
    """Nothing is permitted and nothing timed helps: a named event where one can lift every bar of some plan, else
    stand off. The plan with the fewest bars is prepared for, the cheapest among those."""
    rules = situation.rules
    bars_of: dict[int, tuple[int, ...]] = {}
    for index in range(len(rules.policy.plans)):
        bars = tuple(i for i, plans in situation.barred_by.items() if plans >> index & 1)
        if all(_lifts_by_event(rules, i) for i in bars) and not situation.closed >> index & 1:
            bars_of[index] = bars
    if not bars_of:
        safety = tuple(i for i in situation.barred_by if _told_by_facts(situation, i))
        return Answer(situation, "stand_off", decisive=safety or tuple(situation.barred_by))
    fewest = min(len(bars) for bars in bars_of.values())
    hopeful = sum(1 << index for index, bars in bars_of.items() if len(bars) == fewest)
    order = ranked(situation, weigh(situation, hopeful))
    return Answer(situation, "make_safe_and_wait", decisive=bars_of[order[0].index], hoped=order[0])


def _told_by_facts(situation: Situation, i: int) -> bool:
    """Whether a bar rests on a safety rule and on something that was stated."""
    screen = situation.rules.screens[i]
    return screen.kind == "safety" and any(name in situation.context.held for name in facts_of(screen.bars_when))


def _lifts_by_event(rules: Rules, i: int) -> bool:
    """Whether people, weather, permits or material can lift a bar: not so where the plan simply does not fit."""
    screen = rules.screens[i]
    changes = [
        name in CREW_AND_STOCK or (name in BY_NAME and BY_NAME[name].passing) for name in _roots_of(rules, screen)
    ]
    return any(changes) if screen.kind in ("safety", "competence") else all(changes)


def _roots_of(rules: Rules, screen: Screen) -> list[str]:
    return roots(rules, facts_of(screen.bars_when))
