"""Rules that can never speak, that say what another says, or that others say between them.

Over all worlds, not some: a rule is dead, or lies inside another, if and only if no world is found in which it speaks,
or speaks alone, and the search for one was whole (:mod:`repairadvisor.decision.witnesses`). The words for such faults
(missing, overlapping, identical, subsumed) are those of the literature on decision tables.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from repairadvisor.decision.findings import EXACT, Finding, fewest, files_of
from repairadvisor.decision.implicants import family
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, statuses
from repairadvisor.decision.witnesses import Ranges, UndecidedError, witness
from repairadvisor.facts.context import Context
from repairadvisor.policy.condition import Condition, facts_of
from repairadvisor.policy.plan import PartialPlan, PlanBits
from repairadvisor.policy.read_rules import parents_of


@dataclass(frozen=True, slots=True)
class Row:
    """A row with a condition: its kind, id, the plans it speaks of as bits, and why it is meant so, if it says."""

    kind: str
    id: str
    index: int
    condition: Condition
    plans: int
    partial: PartialPlan
    accepted: str


def rows_with_conditions(rules: Rules) -> list[Row]:
    """Every row of the policy that has a condition; a caution is known by its tag and number."""
    policy, bits = rules.policy, PlanBits(rules.policy.plans)
    everything: list[tuple[str, str, Condition, PartialPlan, str]] = [
        *(("screen", one.id, one.bars_when, one.plans, one.on_purpose) for one in policy.screens),
        *(("caution", f"{c.tag} {i + 1}", c.when, c.plans, "") for i, c in enumerate(policy.cautions)),
        *(("step", one.id, one.when, one.plans, one.on_purpose) for one in policy.steps),
        *(("item", one.id, one.when, one.plans, one.on_purpose) for one in policy.kit),
        *(("slot", one.id, one.when, {}, one.on_purpose) for one in policy.slots),
        *(("control", one.id, one.hazard, {}, "") for one in policy.controls),
    ]
    counted: dict[str, int] = {}
    rows = []
    for kind, name, condition, partial, accepted in everything:
        i = counted[kind] = counted.get(kind, -1) + 1
        rows.append(Row(kind, name, rules.index(kind, i), condition, bits.fitting(partial), partial, accepted))
    return rows


def dead_rules(rules: Rules) -> Iterator[Finding]:
    """Rows whose condition holds in no world."""
    ranges, file_of = ranges_of(rules), files_of(rules.policy)
    for row in rows_with_conditions(rules):
        if not _can(ranges, [row.condition]):
            sentence = f"The condition of {row.kind} {row.id} holds in no world: it never speaks."
            yield Finding("never holds", file_of(row.kind, row.id), (row.id,), sentence, EXACT, None, row.accepted)


def rules_of_no_plan(rules: Rules) -> Iterator[Finding]:
    """Rows that name words of a plan which no plan has together."""
    policy, bits, file_of = rules.policy, PlanBits(rules.policy.plans), files_of(rules.policy)
    named = [(row.kind, row.id, row.partial) for row in rows_with_conditions(rules)]
    named += [("minutes", one.id, one.plans) for one in policy.minutes]
    named += [("price", one.id, one.plans) for one in policy.prices]
    named += [("adjust", one.id, one.plans) for one in policy.light.adjust]
    named += [("control", f"{one.id} step {step}", plans) for one in policy.controls for step, plans in one.steps]
    for kind, name, partial in named:
        if not bits.fitting(partial):
            words = "; ".join(f"{dimension} {' or '.join(partial[dimension])}" for dimension in partial)
            sentence = f"No plan has these words together: {words}. So {kind} {name} never counts."
            yield Finding("fits no plan", file_of(kind, name), (name,), sentence, EXACT, None)


def said_twice(rules: Rules) -> Iterator[Finding]:
    """Screens that lie inside another one of the same or more plans, and screens that are the same."""
    ranges, file_of = ranges_of(rules), files_of(rules.policy)
    screens = [row for row in rows_with_conditions(rules) if row.kind == "screen" and _can(ranges, [row.condition])]
    for row in screens:
        for other in screens:
            if other.id == row.id or row.plans & ~other.plans or not _lies_inside(ranges, row, other):
                continue
            same = row.plans == other.plans and _lies_inside(ranges, other, row)
            if same and screens.index(other) > screens.index(row):
                continue  # told once, at the later of the two
            if same:
                kind, says = "identical", "bars the same plans in the same worlds as"
            else:
                kind, says = "subsumed", "bars nothing that is not barred by"
            context = _shown(rules, ranges, (row, other))
            sentence = f"Screen {row.id} {says} screen {other.id}."
            yield Finding(kind, file_of("screen", row.id), (row.id, other.id), sentence, EXACT, context, row.accepted)
            break


def never_alone(rules: Rules) -> Iterator[Finding]:
    """Screens, steps and things to carry that other screens leave nothing to: wherever the row holds, each of its plans
    is barred already. Not so cautions: one is owed also while nobody knows, beside the check that clears it."""
    ranges, file_of = ranges_of(rules), files_of(rules.policy)
    rows = [row for row in rows_with_conditions(rules) if row.plans and _can(ranges, [row.condition])]
    screens = [row for row in rows if row.kind == "screen"]
    for row in rows:
        if not _only_where_permitted(rules, row):
            continue
        others = [
            one for one in screens if one.id != row.id and one.plans & row.plans and _speak_of_one(ranges, row, one)
        ]
        if _speaks_alone(ranges, row, others, len(rules.policy.plans)) or _told_already(ranges, row, others):
            continue
        names = [one.id for one in others if _can(ranges, [row.condition, one.condition])]
        sentence = (
            f"Wherever {row.kind} {row.id} speaks, each of its plans is barred already, by one or another of the "
            f"screens {', '.join(names[:4])}{' and others' if len(names) > 4 else ''}."
        )
        context, ids = _shown(rules, ranges, (row,)), (row.id, *names)
        yield Finding("left nothing by others", file_of(row.kind, row.id), ids, sentence, EXACT, context, row.accepted)


def _told_already(ranges: Ranges, row: Row, others: Sequence[Row]) -> bool:
    """Whether a screen lies inside a single other one: that is told of it as being subsumed or identical."""
    return row.kind == "screen" and any(
        not row.plans & ~other.plans and _lies_inside(ranges, row, other) for other in others
    )


def _only_where_permitted(rules: Rules, row: Row) -> bool:
    """Whether a row says something only of a plan that may be used."""
    if row.kind == "step":
        return any(step.id == row.id and step.for_action == ("repair",) for step in rules.policy.steps)
    return row.kind == "screen" or (row.kind == "item" and bool(row.partial))


def _speaks_alone(ranges: Ranges, row: Row, others: Sequence[Row], plans: int) -> bool:
    """Whether one of the row's plans is barred by no other screen in some world in which the row holds. The plans with
    the fewest others on them come first: there such a world is found soonest."""
    by_plan = {
        tuple(i for i, one in enumerate(others) if one.plans >> plan & 1)
        for plan in range(plans)
        if row.plans >> plan & 1
    }
    return any(
        _can(ranges, [row.condition], [others[i].condition for i in on_it]) for on_it in sorted(by_plan, key=len)
    )


def barred_everywhere(rules: Rules) -> Iterator[Finding]:
    """Plans that are barred in every world, each by one or another of a few screens that speak of the place or of facts
    that have to do with it: as few as still do so."""
    ranges = ranges_of(rules)
    screens = [row for row in rows_with_conditions(rules) if row.kind == "screen" and _by_place(ranges, row)]
    found: dict[tuple[int, ...], tuple[int, ...]] = {}
    by_core: dict[tuple[int, ...], list[str]] = {}
    for i, plan in enumerate(rules.policy.plans):
        on_it = tuple(k for k, row in enumerate(screens) if row.plans >> i & 1)
        if on_it not in found:
            found[on_it] = _core(ranges, screens, on_it)
        if found[on_it]:
            by_core.setdefault(found[on_it], []).append(plan.id)
    for core, plans in by_core.items():
        names = [screens[k].id for k in core]
        for why, those in _by_purpose(rules, plans).items():
            sentence = (
                f"{len(those)} plans are barred in every world, by one or another of the screens {', '.join(names)}."
            )
            yield Finding("barred everywhere", "plan_words.toml", tuple(those), sentence, EXACT, None, why)


def _by_purpose(rules: Rules, plans: Sequence[str]) -> dict[str, list[str]]:
    """The plans by why the policy says that they are meant to be there, "" where it does not."""
    by_id = {plan.id: plan for plan in rules.policy.plans}
    found: dict[str, list[str]] = {}
    for name in plans:
        why = next((why for partial, why in rules.policy.barred_on_purpose if by_id[name].fits(partial)), "")
        found.setdefault(why, []).append(name)
    return found


def _by_place(ranges: Ranges, row: Row) -> bool:
    """Whether a screen speaks of the place or of what has to do with it, and of no sum: those leave worlds."""
    names = facts_of(row.condition)
    return "place" in family(_roots(ranges, row.condition)) and not any(name in ranges.derived for name in names)


def _core(ranges: Ranges, screens: Sequence[Row], on_it: tuple[int, ...]) -> tuple[int, ...]:
    """Screens that together leave no world, none of which can be left out; none where some world is left."""
    if _can(ranges, [], [screens[k].condition for k in on_it]):
        return ()
    core = on_it
    for k in on_it:
        fewer = tuple(one for one in core if one != k)
        if not _can(ranges, [], [screens[one].condition for one in fewer]):
            core = fewer
    return core


def ranges_of(rules: Rules) -> Ranges:
    """The cells and derived facts of a compiled policy."""
    return Ranges(rules.compiled.axes, rules.compiled.derived)


def witness_of(ranges: Ranges, wanted: Sequence[Condition]) -> Context | None:
    """A context in which conditions can hold together; None where there is none or none was found."""
    try:
        return witness(ranges, wanted)
    except UndecidedError:
        return None


def _can(ranges: Ranges, wanted: Sequence[Condition], refused: Sequence[Condition] = ()) -> bool:
    """Whether such a world is found, or it is left undecided: then nothing is claimed."""
    try:
        return witness(ranges, wanted, refused) is not None
    except UndecidedError:
        return True


def _lies_inside(ranges: Ranges, row: Row, other: Row) -> bool:
    return _speak_of_one(ranges, row, other) and not _can(ranges, [row.condition], [other.condition])


def _speak_of_one(ranges: Ranges, row: Row, other: Row) -> bool:
    """Whether a fact that the other speaks of has to do with the first: else the other is open whatever the first."""
    return bool(set(_roots(ranges, other.condition)) & set(family(_roots(ranges, row.condition))))


def _roots(ranges: Ranges, condition: Condition) -> tuple[str, ...]:
    """The facts a condition speaks of, derived ones by what they are made of."""
    names = facts_of(condition)
    return tuple(
        one for name in names for one in (parents_of(ranges.derived[name]) if name in ranges.derived else (name,))
    )


def _shown(rules: Rules, ranges: Ranges, rows: Sequence[Row]) -> dict[str, object] | None:
    """The fewest facts with which all the rows surely hold."""
    found = witness_of(ranges, [row.condition for row in rows])
    return None if found is None else shown_by(rules, found, [row.index for row in rows])


def shown_by(rules: Rules, found: Context, indices: Sequence[int]) -> dict[str, object]:
    """The fewest facts of a context with which the compiled conditions of some indices surely hold."""

    def shows(context: Context) -> bool:
        status = statuses(rules.compiled, context)
        return all(status[i] == BARRED for i in indices)

    return fewest(found, shows)
