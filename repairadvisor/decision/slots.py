"""What is on its way: the moments at which something will have changed, and what waiting for them costs."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.plans import ranked, second_visit
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED
from repairadvisor.decision.situation import Judged, Situation, look, weigh
from repairadvisor.decision.start import later_on, travel_min
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known, State
from repairadvisor.policy.model import Slot

MOST_SLOTS = 8


@dataclass(frozen=True, slots=True)
class Later:
    """A start that is worth weighing: what it waits for, how long, and the best plan then, waiting paid for."""

    slot: Slot
    minutes: float
    situation: Situation
    best: Judged
    cost: float
    waiting: float


def minutes_until(slot: Slot, context: Context) -> float | None:
    """Minutes until a slot, or None where nobody has said."""
    total = 0.0
    for name, factor in slot.after:
        if not name:
            total += factor
            continue
        state = context.state(name)
        if isinstance(state, Known) and isinstance(state.value, float):
            total += factor * state.value
        elif factor > 0:
            return None
    return max(total, 0.0)


def coming(situation: Situation) -> list[tuple[Slot, float | None]]:
    """The slots that surely count here, with the minutes until them, soonest first."""
    found = [
        (slot, minutes_until(slot, situation.context))
        for i, slot in enumerate(situation.rules.policy.slots)
        if situation.of("slot", i) == BARRED
    ]
    known = [one for one in found if one[1] is not None]
    unknown = [one for one in found if one[1] is None]
    return (sorted(known, key=lambda one: one[1] or 0.0) + unknown)[:MOST_SLOTS]


def then_context(rules: Rules, slot: Slot, context: Context, minutes: float) -> Context | None:
    """The context as it will be at a slot, or None where that contradicts what is known."""
    context, told = later_on(context, rules, minutes, travel_min(context)), context
    changes: dict[str, State | None] = {}
    for name, value in slot.then.items():
        if value == "?":
            changes[name] = None
        elif isinstance(value, str) and value.startswith("="):
            changes[name] = told.state(value[1:])
        else:
            changes[name] = Known(value if isinstance(value, str) else float(value))
    later, faults = context.with_facts(changes)
    return None if faults else later


def waiting_cost(rules: Rules, context: Context, minutes: float, crew: int) -> float:
    """What a wait costs: the service down meanwhile, and a crew that is already there standing by."""
    value = context.state("outage_value_cu_per_h")
    per_hour = float(value.value) if isinstance(value, Known) and isinstance(value.value, float) else 0.0
    there = context.state("crew_place")
    if isinstance(there, Known) and there.value == "on_site":
        per_hour += crew * rules.policy.rates["labour_cu_per_person_hour"].value
    return per_hour * minutes / 60.0


def best_later(rules: Rules, situation: Situation) -> Later | None:
    """The later start with the least expected cost, the wait included; None where nothing is coming that helps."""
    found: list[Later] = []
    for slot, minutes in coming(situation):
        later = None if minutes is None else then_context(rules, slot, situation.context, minutes)
        if later is None or minutes is None:
            continue
        ahead = look(rules, later)
        gained = ahead.candidates() & ~situation.candidates()
        if not gained:
            continue
        owed = {"temporary_then_permanent": second_visit(rules, later)} if has_temporary(rules, gained) else {}
        order = ranked(ahead, weigh(ahead, gained, owed))
        place = later.state("place")
        crew = persons(rules.policy, order[0].plan, str(place.value) if isinstance(place, Known) else "")
        waiting = waiting_cost(rules, situation.context, minutes, crew)
        found.append(Later(slot, minutes, ahead, order[0], order[0].cost + waiting, waiting))
    return min(found, key=lambda one: one.cost, default=None)


def has_temporary(rules: Rules, plans: int) -> bool:
    """Whether any of the plans (bits) is a temporary one."""
    return any(plan.stage != "permanent" for i, plan in enumerate(rules.policy.plans) if plans >> i & 1)
