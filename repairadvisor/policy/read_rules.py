"""The rules of a policy: derived facts, screens, slots, hazard control, cautions, steps, kit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import (
    SCREEN_KINDS,
    Caution,
    Control,
    Derived,
    KitItem,
    LiftedBy,
    Number,
    Screen,
    Slot,
    StepRow,
    Term,
)
from repairadvisor.policy.table import Table, condition_at

_ACTIONS = ("repair", "ask_first", "make_safe_and_wait", "stand_off", "out_of_scope")
MOST_FACTS_A_SCREEN = 4
#: By whom, why and on which day an overlay loosened a screen; what is looked at is the overlay's own row.
LOOSENED_KEYS = ("loosened_by", "loosened_because", "loosened_on")
MOST_NUMBERS_A_DERIVED_FACT = 4

Words = Mapping[str, tuple[str, ...]]
Limits = Mapping[str, Number]


def read_derived(name: str, table: Table, limits: Limits) -> Derived:
    """One derived fact."""
    terms = tuple(_term(row) for row in table.rows("terms"))
    if name in BY_NAME or not 0 < len(terms) <= MOST_NUMBERS_A_DERIVED_FACT:
        raise PolicyError(table.where, "is a name of the vocabulary, or has no term or too many", "1 to 4 terms")
    minus, plus = table.texts("minus"), table.texts("plus")
    for limit in (*minus, *plus):
        if limit not in limits:
            raise PolicyError(table.where, f"no limit {limit}", ", ".join(limits))
    constant = sum(limits[one].value for one in plus) - sum(limits[one].value for one in minus)
    derived = Derived(name, table.text("meaning"), table.text("unit"), terms, constant, (*plus, *minus))
    table.done()
    return derived


def _term(row: Table) -> Term:
    name = row.text("fact")
    if name not in BY_NAME or not BY_NAME[name].is_number:
        raise PolicyError(row.where, f"{name} is not a fact with a number")
    where = None
    raw = row.take("where", dict, None)
    if raw is not None:
        inner = Table(f"{row.where}: where", raw)
        fact, words = inner.text("fact"), inner.texts("is_one_of")
        if fact not in BY_NAME or not set(words) <= set(BY_NAME[fact].words):
            raise PolicyError(inner.where, f"{fact} or its words are not known")
        where = (fact, words)
        inner.done()
    if_unknown = row.take("if_unknown", (int, float), None)
    term = Term(name, row.number("times"), where, None if if_unknown is None else float(if_unknown))
    row.done()
    return term


def parents_of(derived: Derived) -> tuple[str, ...]:
    """The facts a derived fact hangs on, words included, each once."""
    names = [name for term in derived.terms for name in ((term.where[0],) if term.where else ()) + (term.fact,)]
    return tuple(dict.fromkeys(names))


def read_screen(row: Table, words: Words, limits: Limits, derived: Mapping[str, Derived]) -> Screen:
    """One screen, with its three examples."""
    check = row.one_of("check", ("", "on_arrival"), "")
    examples = row.child("examples")
    needs = row.text("needs", "")
    for key in LOOSENED_KEYS:
        row.take(key, object, "")
    screen = Screen(
        id=row.text("id"),
        kind=row.one_of("kind", SCREEN_KINDS),
        plans=row.plans("plans", words),
        bars_when=condition_at(row, "bars_when", limits, tuple(derived)),
        check=check == "on_arrival",
        not_before=row.text("not_before", ""),
        because=row.text("because"),
        source=row.text("source"),
        known=row.known(),
        cautions=row.texts("cautions"),
        needs=needs,
        stand_off=bool(row.take("stand_off", bool, False)),
        lifted_by=_lifted_by(row.child("lifted_by"), limits),
        call=row.texts("call"),
        examples={key: dict(examples.take(key, dict)) for key in ("bars", "clears", "leaves_open")},
        on_purpose=row.text("on_purpose", ""),
    )
    examples.done()
    row.done()
    _check_screen(row.where, screen, derived)
    return screen


def _check_screen(where: str, screen: Screen, derived: Mapping[str, Derived]) -> None:
    names = facts_of(screen.bars_when)
    if not 0 < len(names) <= MOST_FACTS_A_SCREEN:
        raise PolicyError(where, f"speaks of {len(names)} facts", f"1 to {MOST_FACTS_A_SCREEN}")
    if screen.check and not screen.not_before:
        raise PolicyError(where, "is checked on arrival but has no words for it", "not_before")
    if screen.needs and screen.needs not in BY_NAME:
        raise PolicyError(where, f"needs {screen.needs}, which is no fact")
    roots = [parents_of(derived[name]) if name in derived else (name,) for name in names]
    numbers = [one for group in roots for one in group if BY_NAME[one].is_number or len(group) == 1]
    if len(numbers) != len(set(numbers)):
        raise PolicyError(where, "combines a derived fact with a fact it is derived from")


def _lifted_by(table: Table, limits: Limits) -> LiftedBy:
    raw = table.take("minutes", (str, int, float), "")
    minutes: float | str | None
    if isinstance(raw, str):
        if raw in limits:
            minutes = limits[raw].value
        elif raw == "" or raw in BY_NAME:
            minutes = raw or None
        else:
            raise PolicyError(table.where, f"minutes = {raw!r} is no limit and no fact")
    else:
        minutes = float(raw)
    lift = LiftedBy(table.text("what"), table.text("who", ""), minutes, table.number("cost_cu", 0.0))
    table.done()
    return lift


def read_slot(row: Table, limits: Limits, derived: Mapping[str, Derived]) -> Slot:
    """Something on its way."""
    after = row.child("after_min")
    parts: list[tuple[str, float]] = []
    if "limit" in after.raw:
        name = after.text("limit")
        if name not in limits:
            raise PolicyError(after.where, f"no limit {name}")
        parts.append(("", limits[name].value))
    if "fact" in after.raw:
        parts.append((after.text("fact"), 1.0))
    if "less_fact" in after.raw:
        parts.append((after.text("less_fact"), -1.0))
    after.done()
    for name, _ in parts:
        if name and (name not in BY_NAME or BY_NAME[name].unit != "min"):
            raise PolicyError(after.where, f"{name} is not a fact in minutes")
    then = dict(row.take("then", dict))
    for name, value in then.items():
        source = value[1:] if isinstance(value, str) and value.startswith("=") else ""
        if name not in BY_NAME or (source and source not in BY_NAME):
            raise PolicyError(row.where, f"then {name} = {value!r} names no fact")
    slot = Slot(
        row.text("id"),
        condition_at(row, "when", limits, tuple(derived)),
        tuple(parts),
        then,
        row.text("until"),
        row.texts("meanwhile"),
        row.text("on_purpose", ""),
    )
    row.done()
    return slot


def read_control(row: Table, words: Words, limits: Limits, derived: Mapping[str, Derived]) -> Control:
    """Hazard control of one hazard: for each step, the plans that stand on it."""
    steps = []
    for one in row.rows("steps"):
        steps.append((int(one.number("step")), one.plans("plans", words)))
        one.done()
    control = Control(row.text("id"), condition_at(row, "hazard", limits, tuple(derived)), tuple(steps))
    row.done()
    return control


def read_cautions(table: Table, words: Words, limits: Limits, derived: Mapping[str, Derived]) -> tuple[Caution, ...]:
    """The cautions: texts by tag, and when each is owed."""
    texts = {str(tag): str(text) for tag, text in table.take("text", dict).items()}
    workmanship = table.texts("workmanship")
    for tag in workmanship:
        if tag not in texts:
            raise PolicyError(f"{table.where}: workmanship", f"{tag} has no text", ", ".join(texts))
    cautions = []
    seen: set[str] = set()
    for row in table.rows("caution"):
        tag = row.text("tag")
        if tag not in texts:
            raise PolicyError(row.where, f"tag {tag} has no text", ", ".join(texts))
        name = row.text("id")
        if name in seen:
            raise PolicyError(row.where, "is named twice")
        seen.add(name)
        row.text("source", "")
        row.text("known", "")
        when = condition_at(row, "when", limits, tuple(derived))
        plans = row.plans("plans", words)
        cautions.append(Caution(tag, texts[tag], when, plans, row.text("before", ""), tag not in workmanship))
        row.done()
    return tuple(cautions)


def read_steps(
    rows: Iterable[Table], words: Words, limits: Limits, derived: Mapping[str, Derived]
) -> tuple[StepRow, ...]:
    """The steps, by their order."""
    steps = []
    for row in rows:
        actions = row.texts("for_action") or ("repair",)
        if not set(actions) <= set(_ACTIONS):
            raise PolicyError(row.where, f"for_action {actions}", ", ".join(_ACTIONS))
        steps.append(
            StepRow(
                id=row.text("id"),
                order=int(row.number("order")),
                text=row.text("text"),
                limit=row.text("limit", ""),
                plans=row.plans("plans", words),
                when=condition_at(row, "when", limits, tuple(derived)),
                for_action=actions,
                source=row.text("source"),
                known=row.known(),
                on_purpose=row.text("on_purpose", ""),
                first=row.take("first", bool, False),
                protects=row.take("protects", bool, False),
            )
        )
        row.done()
    return tuple(sorted(steps, key=lambda step: step.order))


def read_kit(
    rows: Iterable[Table], words: Words, limits: Limits, derived: Mapping[str, Derived]
) -> tuple[KitItem, ...]:
    """What to carry."""
    items = []
    for row in rows:
        items.append(
            KitItem(
                id=row.text("id"),
                name=row.text("name"),
                unit=row.text("unit"),
                line_for=row.text("for"),
                plans=row.plans("plans", words),
                when=condition_at(row, "when", limits, tuple(derived)),
                per_job=row.number("per_job", 0.0),
                per_joint=row.number("per_joint", 0.0),
                per_fibre=row.number("per_fibre", 0.0),
                per_metre_inserted=row.number("per_metre_inserted", 0.0),
                spare_share=row.number("spare_share", 0.0),
                spare_least=row.number("spare_least", 0.0),
                round_up=bool(row.take("round_up", bool, True)),
                on_purpose=row.text("on_purpose", ""),
            )
        )
        row.text("source", "")
        row.text("known", "")
        row.done()
    return tuple(items)
