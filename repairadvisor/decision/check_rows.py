"""Rows that speak at once and differ where one is expected, rows that count one thing twice, and rows that are missing.

What reading a policy refuses is looked for here as well: a policy need not have come out of files.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TypeVar

from repairadvisor.decision.check_rules import (
    ranges_of,
    rows_with_conditions,
    shown_by,
    witness_of,
)
from repairadvisor.decision.findings import EXACT, Finding, files_of
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.witnesses import ANY_MOMENT
from repairadvisor.facts.context import Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import FactPolicy, KitItem, MinutesRow, PriceRow, Slot, StepRow
from repairadvisor.policy.plan import PlanBits

#: An item whose id ends so is the same thing once more, carried beside the first.
ONCE_MORE = "-second"
#: How far the masses of a prior may be from summing to one: they are written by people.
SUM_TOLERANCE = 1e-9

Spoken = TypeVar("Spoken", Slot, StepRow, KitItem)
Counted = TypeVar("Counted", MinutesRow, PriceRow)


# --- rows that differ, or count twice -----------------------------------------------------------------------------


def named_twice(rules: Rules) -> Iterator[Finding]:
    """Two rows of one kind under one id."""
    policy, file_of = rules.policy, files_of(rules.policy)
    for kind, rows in (
        ("screen", policy.screens),
        ("slot", policy.slots),
        ("minutes", policy.minutes),
        ("price", policy.prices),
        ("step", policy.steps),
        ("item", policy.kit),
        ("control", policy.controls),
    ):
        counted = Counter(row.id for row in rows)
        for name in (name for name, count in counted.items() if count > 1):
            sentence = f"{counted[name]} rows are {kind} {name}: nobody can say which is meant."
            yield Finding("named twice", file_of(kind, name), (name,), sentence, EXACT, None)


def contradicting(rules: Rules) -> Iterator[Finding]:
    """Rows that speak in one world and say different things where one is expected."""
    yield from _together(rules, "slot", rules.policy.slots, _slots_differ)
    yield from _together(rules, "step", rules.policy.steps, _steps_differ)
    yield from _together(rules, "item", rules.policy.kit, _items_differ)
    texts: dict[str, str] = {}
    for caution in rules.policy.cautions:
        if texts.setdefault(caution.tag, caution.text) != caution.text:
            sentence = f"Caution {caution.tag} has two texts: which is printed hangs on which row comes first."
            yield Finding("contradicting", "cautions.toml", (caution.tag,), sentence, EXACT, None)
    yield from _words_alike(rules)
    for fact in rules.policy.facts.values():
        if fact.parent and "" in fact.priors:
            sentence = f"Fact {fact.name} has a prior of its own beside those by {fact.parent}."
            yield Finding("contradicting", "facts.toml", (fact.name,), sentence, EXACT, None, fact.on_purpose)


def _together(
    rules: Rules, kind: str, rows: Sequence[Spoken], differ: Callable[[Spoken, Spoken], str]
) -> Iterator[Finding]:
    """Pairs of rows that differ, speak of one plan, and hold in one world."""
    ranges, file_of = ranges_of(rules), files_of(rules.policy)
    where = [row for row in rows_with_conditions(rules) if row.kind == kind]
    for (i, first), (j, second) in itertools.combinations(enumerate(rows), 2):
        what = differ(first, second)
        one, other = where[i], where[j]
        if not what or (kind != "slot" and not one.plans & other.plans):
            continue
        found = witness_of(ranges, [one.condition, other.condition])
        if found is not None:
            sentence = f"{kind.capitalize()}s {first.id} and {second.id} speak at once, and {what}."
            context = shown_by(rules, found, [one.index, other.index])
            accepted = first.on_purpose or second.on_purpose
            yield Finding(
                "contradicting", file_of(kind, first.id), (first.id, second.id), sentence, EXACT, context, accepted
            )


def _slots_differ(one: Slot, other: Slot) -> str:
    """Two slots that come at the same moment have to agree on what is then the case."""
    if one.after != other.after:
        return ""
    names = [name for name, value in one.then.items() if name in other.then and other.then[name] != value]
    return f"come at the same moment with different {', '.join(names)}" if names else ""


def _steps_differ(one: StepRow, other: StepRow) -> str:
    """One step that is told twice has to be done at the same point."""
    if one.text != other.text or not set(one.for_action) & set(other.for_action):
        return ""
    return "tell the same work" + (", done at different points" if one.limit != other.limit else " twice")


def _items_differ(one: KitItem, other: KitItem) -> str:
    if one.name != other.name or one.id.endswith(ONCE_MORE) or other.id.endswith(ONCE_MORE):
        return ""
    return "load the same thing, in two lines"


def _words_alike(rules: Rules) -> Iterator[Finding]:
    """Two facts under one name, or two words of a fact said alike: an answer would not tell which."""
    names, words = _wording(rules, "fact_name"), _wording(rules, "word")
    tables: list[tuple[str, Mapping[str, object]]] = [("fact_name", names)]
    tables += [(f"word.{name}", said) for name, said in words.items() if isinstance(said, Mapping)]
    for where, said in tables:
        for text, count in Counter(str(one) for one in said.values()).items():
            if count > 1:
                alike = tuple(key for key, one in said.items() if str(one) == text)
                sentence = f"{where}: {', '.join(alike)} are all called “{text}”."
                yield Finding("contradicting", "wording.toml", alike, sentence, EXACT, None)


def counted_twice(rules: Rules) -> Iterator[Finding]:
    """Two rows of minutes of one phase, or of prices of one part, with the same figures, where one counts
    wherever the other does."""
    for first, second in itertools.combinations(rules.policy.minutes, 2):
        if first.phase == second.phase and _minutes_of(first) == _minutes_of(second):
            yield from _counts_twice(rules, "minutes", first, second, f"of phase {first.phase}")
    for one, other in itertools.combinations(rules.policy.prices, 2):
        if one.part == other.part and _price_of(one) == _price_of(other):
            yield from _counts_twice(rules, "price", one, other, f"of part {one.part}")


def _counts_twice(rules: Rules, kind: str, one: Counted, other: Counted, of_what: str) -> Iterator[Finding]:
    bits = PlanBits(rules.policy.plans)
    mine, others = bits.fitting(one.plans), bits.fitting(other.plans)
    shared = mine & others
    if not shared or shared not in (mine, others):
        return
    plan = rules.policy.plans[(shared & -shared).bit_length() - 1].id
    sentence = (
        f"Rows {one.id} and {other.id} {of_what} have the same figures and both count for the plan {plan}: "
        "the same work would be counted twice."
    )
    accepted = one.on_purpose or other.on_purpose
    yield Finding(
        "counted twice", files_of(rules.policy)(kind, one.id), (one.id, other.id), sentence, EXACT, None, accepted
    )


def _minutes_of(row: MinutesRow) -> object:
    return (row.by, row.per, row.times, row.p50, row.p95)


def _price_of(row: PriceRow) -> object:
    return (row.by, row.per, row.amount)


# --- rows that are missing ----------------------------------------------------------------------------------------


def missing_answers(rules: Rules) -> Iterator[Finding]:
    """Words of a fact, plans and facts for which a table has no row."""
    yield from _missing_figures(rules)
    yield from _missing_of_plans(rules)
    yield from _missing_persons(rules)
    yield from _missing_priors(rules)
    yield from _missing_words(rules)


def _missing_figures(rules: Rules) -> Iterator[Finding]:
    policy, bits, file_of = rules.policy, PlanBits(rules.policy.plans), files_of(rules.policy)
    rows: list[tuple[str, MinutesRow | PriceRow, Mapping[str, float]]] = [
        *(("minutes", one, one.p50) for one in policy.minutes),
        *(("price", one, one.amount) for one in policy.prices),
    ]
    for kind, row, figures in rows:
        gaps = [word for word in BY_NAME[row.by].words if word not in figures] if row.by else []
        open_gaps = [word for word in gaps if bits.fitting(row.plans) & ~_barred_at(rules, row.by, word)]
        if open_gaps:
            sentence = (
                f"{kind.capitalize()} {row.id} has no figure where {row.by} is {' or '.join(open_gaps)}, though a plan "
                "that it speaks of is not barred there: it would count nothing."
            )
            context = {row.by: {"value": open_gaps[0]}}
            yield Finding(
                "no answer", file_of(kind, row.id), (row.id, *open_gaps), sentence, EXACT, context, row.on_purpose
            )


def _barred_at(rules: Rules, fact: str, word: str) -> int:
    """The plans, as bits, that are surely barred where a fact has a word and nothing else is known."""
    context, faults = make_context(ANY_MOMENT, {fact: Held(Known(word))})
    return 0 if faults else look(rules, context).barred


def _missing_of_plans(rules: Rules) -> Iterator[Finding]:
    policy, bits = rules.policy, PlanBits(rules.policy.plans)
    has_step = has_minutes = 0
    for step in policy.steps:
        if "repair" in step.for_action:
            has_step |= bits.fitting(step.plans)
    for row in policy.minutes:
        has_minutes |= bits.fitting(row.plans)
    for what, having, file in (("step", has_step, "steps.toml"), ("minutes", has_minutes, "minutes.toml")):
        without = [plan.id for i, plan in enumerate(policy.plans) if not having >> i & 1]
        if without:
            sentence = f"{len(without)} plans have no {what}; the first is {without[0]}."
            yield Finding("no answer", file, tuple(without), sentence, EXACT, None)


def _missing_persons(rules: Rules) -> Iterator[Finding]:
    policy = rules.policy
    ways = tuple(dict.fromkeys(plan.access for plan in policy.plans))
    for key, there, needed in (
        ("least_by_place", policy.crew_by_place, BY_NAME["place"].words),
        ("least_by_access", policy.crew_by_access, ways),
    ):
        without = tuple(word for word in needed if word not in there)
        if without:
            sentence = f"{key} says of {', '.join(without)} not how many persons it takes."
            context = {"place": {"value": without[0]}} if key == "least_by_place" else None
            yield Finding("no answer", "crew.toml", without, sentence, EXACT, context)


def _missing_priors(rules: Rules) -> Iterator[Finding]:
    for fact in rules.policy.facts.values():
        yield from _gaps_of_prior(fact)
        for word, prior in fact.priors.items():
            total = sum(prior.words.values()) + sum(mass for _, _, mass in prior.stretches)
            if abs(total - 1.0) > SUM_TOLERANCE:
                beside = f" where {fact.parent} is {word}" if word else ""
                sentence = f"The prior of {fact.name}{beside} sums to {total:.12g}, not to 1."
                context = {fact.parent: {"value": word}} if word else None
                yield Finding("prior does not sum to 1", "facts.toml", (fact.name,), sentence, EXACT, context)


def _gaps_of_prior(fact: FactPolicy) -> Iterator[Finding]:
    known = BY_NAME[fact.name]
    never = tuple(word for word in known.words if not any(word in prior.words for prior in fact.priors.values()))
    if never:
        sentence = f"No prior of {fact.name} gives {', '.join(never)} any chance, though it can be told."
        shown = {fact.name: {"value": never[0]}}
        yield Finding("no answer", "facts.toml", (fact.name, *never), sentence, EXACT, shown, fact.on_purpose)
    for word in BY_NAME[fact.parent].words if fact.parent else ():
        beside, faults = make_context(ANY_MOMENT, {fact.parent: Held(Known(word))})
        if word not in fact.priors and not faults and beside.possible[fact.name].applies:
            sentence = f"Fact {fact.name} has no prior where {fact.parent} is {word}, and has a meaning there."
            shown = {fact.parent: {"value": word}}
            yield Finding("no answer", "facts.toml", (fact.name, word), sentence, EXACT, shown, fact.on_purpose)


def _missing_words(rules: Rules) -> Iterator[Finding]:
    names, words = _wording(rules, "fact_name"), _wording(rules, "word")
    for name, fact in BY_NAME.items():
        policy = rules.policy.facts.get(name)
        if policy is None or not policy.question.strip():
            sentence = f"Fact {name} may be asked for and has no question."
            yield Finding("no answer", "facts.toml", (name,), sentence, EXACT, None)
        said = words.get(name, {})
        without = [word for word in fact.words if not isinstance(said, Mapping) or not str(said.get(word, "")).strip()]
        if not str(names.get(name, "")).strip() or without:
            sentence = f"Fact {name} has no words for {', '.join(without) or 'its own name'}."
            yield Finding("no answer", "wording.toml", (name, *without), sentence, EXACT, None)


def _wording(rules: Rules, key: str) -> Mapping[str, object]:
    found = rules.policy.wording.get(key, {})
    return found if isinstance(found, Mapping) else {}
