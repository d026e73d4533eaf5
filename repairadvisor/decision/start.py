"""The context as it will be when work begins: screens are judged at the planned start, not at the hour of asking.

What passes by itself holds for a time the policy names; after that it is unknown again. Ages grow, what is on its way
comes nearer. Where nobody has said where the crew is, it is not sent yet: nothing is permitted by that, and advice is
asked for before somebody drives. Two fibre types that are known say what a joint between them loses; measured power, or
the class of the link and what is in it, says the margin.
"""

from __future__ import annotations

from datetime import timedelta

from repairadvisor.decision.fibre_width import inserted_mismatch_of, mismatch_of
from repairadvisor.decision.link_budget import margin_of
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.running import run_on
from repairadvisor.facts.value import Between, Known, State
from repairadvisor.facts.vocabulary import BY_NAME, CREW_AND_STOCK, Fact

#: Where the crew is settles when work starts; it is not something the start could make old.
_OF_THE_WAY = ("crew_place", "travel_min")
_NOT_SENT = "not_sent"
#: Who goes and what is on the van, the fibre in the cable to let in among it.
DECIDED_WITH_THE_LOAD = (*CREW_AND_STOCK, "insert_fibre_type")


def as_it_stands(context: Context, rules: Rules) -> Context:
    """The context at the planned start of work, once a crew that is still to come has travelled."""
    travels = "travel_min" in context.held and not _too_old(context, rules, "travel_min", 0.0)
    return later_on(context, rules, travel_min(context) if travels else 0.0)


def later_on(context: Context, rules: Rules, minutes: float, already: float = 0.0) -> Context:
    """The context ``minutes`` further on: what will be too old to count is unknown, ages and arrivals have moved on.

    ``already`` are the minutes from now by which the context has been moved before.
    """
    changes: dict[str, State | None] = {}
    stale = []
    for name, held in context.held.items():
        fact = BY_NAME[name]
        if fact.time_runs and minutes > 0.0:
            changes[name] = run_on(fact, held.state, minutes)
        elif _passes(fact) and _too_old(context, rules, name, already + minutes if _grows_old(fact) else 0.0):
            changes[name] = None
            stale.append(name)
    if "crew_place" not in context.held and _NOT_SENT in context.possible["crew_place"].words:
        changes["crew_place"] = Known(_NOT_SENT)
    mismatch = mismatch_of(rules.light, context)
    if mismatch is not None:
        changes["mode_field_loss_db"] = mismatch
    inserted = inserted_mismatch_of(rules.light, context)
    if inserted is not None:
        changes["mode_field_loss_inserted_db"] = inserted
    margin = margin_of(rules.light, context)
    if margin is not None:
        changes["margin_db"] = margin[0]
    if not changes:
        return context
    changed, _ = context.with_facts(changes)  # fewer statements than before, and none of another kind: no contradiction
    return Context(changed.now, changed.held, changed.possible, (*context.expired, *stale))


def _passes(fact: Fact) -> bool:
    """Whether what was seen of a fact counts for a time only."""
    return fact.passing and not fact.time_runs


def _grows_old(fact: Fact) -> bool:
    """Whether what was seen of a fact grows old on the way as well."""
    return fact.name not in _OF_THE_WAY


def decided_with_the_load(context: Context) -> tuple[str, ...]:
    """Facts that are decided by sending somebody, and not found out, while nobody has been sent."""
    return DECIDED_WITH_THE_LOAD if context.state("crew_place") == Known(_NOT_SENT) else ()


def travel_min(context: Context) -> float:
    """Minutes the crew still travels, at most; nothing where nobody has said."""
    state = context.state("travel_min")
    if isinstance(state, Between):
        return state.high
    return float(state.value) if isinstance(state, Known) else 0.0


def _too_old(context: Context, rules: Rules, name: str, minutes: float) -> bool:
    """Whether an observation will be too old to count; one of which nobody said when it was made is of now."""
    lasts = rules.policy.facts[name].lasts_min
    if lasts is None:
        return False
    seen = context.held[name].seen_at or context.now
    return seen + timedelta(minutes=lasts) < context.now + timedelta(minutes=minutes)
