"""How large a table weighing plans can need, from the structure of a policy alone.

A policy whose screens tie too many facts together cannot be weighed; it is refused when it is read, with the screens
that do it. Nothing can be permitted before the place is known, so the worst case is a known place and nothing else.
"""

from __future__ import annotations

from datetime import UTC, datetime

from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import OPEN
from repairadvisor.decision.situation import look, worlds_of
from repairadvisor.errors import PolicyError
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import facts_of

LARGEST_TABLE = 2**16
_ANY_MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


def only_place(place: str) -> Context:
    """A context in which the place is all that is known."""
    context, _ = make_context(_ANY_MOMENT, {"place": Held(Known(place))})
    return context


def largest_table(rules: Rules, context: Context) -> tuple[int, tuple[str, ...]]:
    """The most entries that a table can need when plans are weighed in a context, and the facts it ties together."""
    situation = look(rules, context)
    plans = situation.candidates()
    if not plans:
        return 1, ()
    worlds, costs, spoken = worlds_of(situation, plans)
    worlds.order_by_size(spoken)
    groups = costs.term_facts()
    base = worlds.ties([facts for facts in spoken if facts not in groups])
    found = [worlds.largest_table(_with(base, worlds.ties([facts]))) for facts in ((), *groups)]
    return max(found, key=lambda one: one[0])


def _with(base: dict[str, set[str]], more: dict[str, set[str]]) -> dict[str, set[str]]:
    """Ties of both, neither changed."""
    return {name: base.get(name, set()) | more.get(name, set()) for name in (*base, *more)}


def refuse_too_wide(rules: Rules) -> None:
    """Raise PolicyError for a policy that cannot be weighed at some place, naming facts and screens."""
    for place in BY_NAME["place"].words:
        size, facts = largest_table(rules, only_place(place))
        if size > LARGEST_TABLE:
            situation = look(rules, only_place(place))
            tied = [
                rules.screens[i].id
                for i in situation.screens(OPEN)
                if len(set(facts_of(rules.screens[i].bars_when)) & set(facts)) > 1
            ]
            raise PolicyError(
                "screens",
                f"tie {len(facts)} facts together where place is {place} ({', '.join(facts)}): a table of {size} "
                f"entries; by the screens {', '.join(tied[:12])}",
                f"at most {LARGEST_TABLE} entries",
            )
