"""Facts that nothing hangs on, and examples that do not show what they are for."""

from __future__ import annotations

from collections.abc import Iterator

from repairadvisor.decision.findings import EXACT, Finding, files_of
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, statuses
from repairadvisor.decision.witnesses import ANY_MOMENT
from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME, FACTS
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.read_rules import parents_of

#: What each example of a screen is for.
EXAMPLES = {"bars": BARRED, "clears": CLEAR, "leaves_open": OPEN}

#: Facts that the method itself reads, beside those of ``Rules.priced``; no row needs to name them.
READ_BY_THE_METHOD = (
    *("crew_place", "travel_min"),
    *("life_line_fibres_count", "owner_accepts_below_reserve"),
    *("reflectance_limit_db", "mode_field_near_um", "mode_field_far_um"),
)


def unused_facts(rules: Rules) -> Iterator[Finding]:
    """Facts that no rule, price, minute, slot or other fact hangs on, and that the method does not read itself."""
    used = _used(rules)
    for name, fact in rules.policy.facts.items():
        if name not in used:
            sentence = f"Nothing hangs on fact {name}: no rule, no price, no minutes, no other fact."
            yield Finding("never used", "facts.toml", (name,), sentence, EXACT, None, fact.on_purpose)


def _used(rules: Rules) -> set[str]:
    policy = rules.policy
    used = {*(name for name in rules.priced if not BY_NAME[name].time_runs), *READ_BY_THE_METHOD}
    for condition in rules.compiled.conditions:
        used.update(facts_of(condition))
    for derived in policy.derived.values():
        used.update(parents_of(derived))
    for screen in policy.screens:
        used.add(screen.needs)
        if isinstance(screen.lifted_by.minutes, str):
            used.add(screen.lifted_by.minutes)
    for slot in policy.slots:
        used.update(name for name, _ in slot.after)
        used.update(str(value)[1:] for value in slot.then.values() if str(value).startswith("="))
    used.update(fact.parent for fact in policy.facts.values())
    for fact in FACTS:
        used.update(parent for parent, _ in fact.applies)
        if fact.within is not None:
            used.add(fact.within[0])
    return used & set(BY_NAME)


def failing_examples(rules: Rules) -> Iterator[Finding]:
    """Examples of screens that bar, clear or leave open something else than they say."""
    file_of = files_of(rules.policy)
    for i, screen in enumerate(rules.policy.screens):
        for name, wanted in EXAMPLES.items():
            given = screen.examples.get(name)
            if given is None:
                found = "missing"
            else:
                try:
                    found = statuses(rules.compiled, parse_context(given, ANY_MOMENT))[rules.index("screen", i)]
                except InputError as error:
                    found = f"no context: {error.faults[0].sentence()}"
            if found != wanted:
                sentence = f"The example “{name}” of screen {screen.id} is for {wanted} and is {found}."
                yield Finding("example fails", file_of("screen", screen.id), (screen.id, name), sentence, EXACT, given)
