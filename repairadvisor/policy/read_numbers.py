"""The numbers of a policy: priors and questions, minutes, prices, crew."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any

from repairadvisor.errors import PolicyError
from repairadvisor.facts.context import settle
from repairadvisor.facts.value import Known, Possible
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, Fact
from repairadvisor.policy.model import PHASES, PRICE_PARTS, Ends, FactPolicy, MinutesRow, Number, PriceRow, Prior
from repairadvisor.policy.plan import DIMENSIONS, PartialPlan
from repairadvisor.policy.table import Table, read_number, read_range

Words = Mapping[str, tuple[str, ...]]
_ASKED_OF = ("caller", "control room", "records", "somebody on site")
#: How far the masses of a prior may be from summing to one: they are written by people.
_SUM_TOLERANCE = 1e-9


def read_facts(table: Table) -> dict[str, FactPolicy]:
    """What the operator decides about every fact of the vocabulary."""
    given = dict(table.tables("fact", table.said_once()))
    for name, row in given.items():
        if name not in BY_NAME:
            raise PolicyError(row.where, "is no fact of the vocabulary")
    missing = [fact.name for fact in FACTS if fact.name not in given]
    if missing:
        raise PolicyError(table.where, f"no entry for {', '.join(missing)}")
    facts = {fact.name: _read_fact(fact, given[fact.name]) for fact in FACTS}
    _refuse_cycles(table.where, facts)
    return facts


def _read_fact(fact: Fact, row: Table) -> FactPolicy:
    parent = row.text("parent", "")
    if parent and (parent not in BY_NAME or BY_NAME[parent].is_number):
        raise PolicyError(f"{row.where}: parent", f"{parent} is not a fact in words")
    if parent:
        raw = row.take("prior_by", dict)
        priors = {key: _read_prior(fact, f"{row.where}: prior_by.{key}", one) for key, one in raw.items()}
        for key in raw:
            if key not in BY_NAME[parent].words:
                raise PolicyError(f"{row.where}: prior_by", f"{key} is no word of {parent}")
        absent = [key for key in _words_with_meaning(fact, parent) if key not in priors]
        if absent:
            raise PolicyError(f"{row.where}: prior_by", f"no prior for {', '.join(absent)}")
    else:
        priors = {"": _read_prior(fact, f"{row.where}: prior", row.take("prior", (dict, list)))}
    lasts = row.take("lasts_min", (int, float), None)
    if fact.passing and lasts is None:
        raise PolicyError(f"{row.where}: lasts_min", "is missing: the fact passes by itself")
    policy = FactPolicy(
        name=fact.name,
        parent=parent,
        priors=priors,
        question=row.text("question"),
        of_whom=row.one_of("of_whom", _ASKED_OF),
        price_min=row.number("price_min"),
        lasts_min=None if lasts is None else float(lasts),
        known=row.known(),
        on_purpose=row.text("on_purpose", ""),
        source=row.text("source"),
        since=row.day("since"),
    )
    row.done()
    return policy


def _words_with_meaning(fact: Fact, parent: str) -> tuple[str, ...]:
    """The parent's words beside which the fact can have a meaning."""
    return tuple(word for word in BY_NAME[parent].words if _beside(parent, word)[fact.name].applies)


@functools.cache
def _beside(parent: str, word: str) -> dict[str, Possible]:
    """What every fact may be beside one word of another."""
    return settle({parent: Known(word)})[0]


def _read_prior(fact: Fact, where: str, raw: Any) -> Prior:
    prior = _read_word_prior(fact, where, raw) if fact.words else _read_number_prior(fact, where, raw)
    total = sum(prior.words.values()) + sum(mass for _, _, mass in prior.stretches)
    if abs(total - 1.0) > _SUM_TOLERANCE:
        raise PolicyError(where, f"sums to {total:g}", "1")
    return prior


def _read_word_prior(fact: Fact, where: str, raw: Any) -> Prior:
    if not isinstance(raw, Mapping):
        raise PolicyError(where, "is not a table of words", fact.allowed_text())
    for word, mass in raw.items():
        if word not in fact.words or isinstance(mass, bool) or not isinstance(mass, int | float) or mass <= 0:
            raise PolicyError(f"{where}: {word}", f"is {mass!r}", "a word of the fact and a number above 0")
    return Prior({word: float(raw[word]) for word in fact.words if word in raw}, ())


def _read_number_prior(fact: Fact, where: str, raw: Any) -> Prior:
    if not isinstance(raw, list) or not raw:
        raise PolicyError(where, "is not a list of stretches", "[[from, to, mass], …]")
    stretches = []
    at = fact.low
    for one in raw:
        if not isinstance(one, list) or len(one) != 3:
            raise PolicyError(where, f"{one!r} is not a stretch", "[from, to, mass]")
        low, high, mass = (float(x) for x in one)
        if low != at or high <= low or mass <= 0.0:
            raise PolicyError(where, f"{one!r} leaves a gap, overlaps, is empty or has no mass", f"starts at {at:g}")
        stretches.append((low, high, mass))
        at = high
    if at != fact.high:
        raise PolicyError(where, f"ends at {at:g}", f"{fact.high:g}")
    return Prior({}, tuple(stretches))


def _refuse_cycles(where: str, facts: Mapping[str, FactPolicy]) -> None:
    """A fact may hang on others, but not on itself by any way round."""
    above = {
        name: {policy.parent, *(parent for parent, _ in BY_NAME[name].applies)} - {""} for name, policy in facts.items()
    }
    for name in facts:
        seen: list[str] = []
        work = list(above[name])
        while work:
            one = work.pop()
            if one == name:
                raise PolicyError(f"{where}: {name}", "hangs on itself: parents go round in a circle")
            if one not in seen:
                seen.append(one)
                work.extend(above[one])


def ordered_facts(facts: Mapping[str, FactPolicy]) -> tuple[str, ...]:
    """Facts so that each stands before everything it hangs on: the order in which they are summed out."""
    depth: dict[str, int] = {}

    def measure(name: str) -> int:
        if name not in depth:
            parents = {facts[name].parent, *(parent for parent, _ in BY_NAME[name].applies)} - {""}
            depth[name] = 1 + max((measure(parent) for parent in parents), default=0)
        return depth[name]

    names = list(facts)
    return tuple(sorted(names, key=lambda name: (-measure(name), names.index(name))))


def read_minutes(row: Table, words: Words) -> MinutesRow:
    """Minutes of one piece of work."""
    by = row.text("by", "")
    per = row.text("per", "")
    _check_by_and_per(row, by, per)
    p50, ends_50 = _amounts(row, "p50", by)
    p95, ends_95 = _amounts(row, "p95", by)
    ends = {**ends_50, **ends_95}
    for key, value in p50.items():
        most, least = ends.get(("p50", key), (value, value))[1], ends.get(("p95", key), (p95.get(key, -1.0),))[0]
        if least < most or value < 0:
            raise PolicyError(f"{row.where}: p95", f"is below the median for {key or 'every case'}, or missing")
    minutes = MinutesRow(
        id=row.text("id"),
        phase=row.one_of("phase", PHASES),
        plans=row.plans("plans", words),
        by=by,
        p50=p50,
        p95=p95,
        per=per,
        times=row.number("times", 1.0),
        source=row.text("source"),
        known=row.known(),
        on_purpose=row.text("on_purpose", ""),
        unit=row.text("unit"),
        since=row.day("since"),
        ends=ends,
    )
    row.done()
    return minutes


def read_price(row: Table, words: Words) -> PriceRow:
    """One price."""
    by = row.text("by", "")
    per = row.text("per", "")
    _check_by_and_per(row, by, per)
    amount, ends = _amounts(row, "cu", by)
    price = PriceRow(
        id=row.text("id"),
        part=row.one_of("part", PRICE_PARTS),
        plans=row.plans("plans", words),
        by=by,
        amount=amount,
        per=per,
        source=row.text("source"),
        known=row.known(),
        on_purpose=row.text("on_purpose", ""),
        unit=row.text("unit"),
        since=row.day("since"),
        ends=ends,
    )
    row.done()
    return price


def _check_by_and_per(row: Table, by: str, per: str) -> None:
    if by and (by not in BY_NAME or BY_NAME[by].is_number):
        raise PolicyError(f"{row.where}: by", f"{by} is not a fact in words")
    if per and (per not in BY_NAME or not BY_NAME[per].is_number):
        raise PolicyError(f"{row.where}: per", f"{per} is not a fact with a number")


def _amounts(row: Table, key: str, by: str) -> tuple[dict[str, float], dict[tuple[str, str], Ends]]:
    """A number under "", or one for each word of ``by``; words that are left out cost nothing. And the ends of those
    that are ranges, of which the middle counts."""
    raw = row.take(key, (int, float, dict))
    given = raw if isinstance(raw, Mapping) and not {"low", "high"} & set(raw) else {"": raw}
    found: dict[str, float] = {}
    ends: dict[tuple[str, str], Ends] = {}
    for word, value in given.items():
        where = f"{row.where}: {key}.{word}" if word else f"{row.where}: {key}"
        if word and (not by or word not in BY_NAME[by].words):
            raise PolicyError(where, f"{word!r} is no word of {by or 'anything: there is no by'}")
        if isinstance(value, Mapping):
            low, high = ends[key, word] = read_range(where, value)
            found[word] = 0.5 * (low + high)
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise PolicyError(where, f"is {value!r}", "a number, or a range with low and high")
        else:
            found[word] = float(value)
    return found, ends


def read_crew(table: Table, key: str, allowed: tuple[str, ...]) -> dict[str, Number]:
    """The least persons for each word."""
    found = {}
    for word, row in table.tables(key):
        if word not in allowed:
            raise PolicyError(f"{table.where}: {key}.{word}", "is not known", ", ".join(allowed))
        number = read_number(word, row)
        if number.unit != "persons" or number.value < 0 or not number.value.is_integer():
            raise PolicyError(
                f"{table.where}: {key}.{word}", f"is {number.value:g} {number.unit}", "a whole number of persons"
            )
        found[word] = number
    return found


def read_plan_words(
    table: Table,
) -> tuple[dict[str, tuple[str, ...]], list[PartialPlan], list[tuple[PartialPlan, str]]]:
    """The words of each dimension, the rows of words that make sense together, what is barred on purpose, with why."""
    inner = table.child("words")
    words = {dimension: inner.texts(dimension) for dimension in DIMENSIONS}
    inner.done()
    rows: list[PartialPlan] = []
    for row in table.rows("allow"):
        found: dict[str, tuple[str, ...]] = {}
        for dimension in DIMENSIONS:
            found[dimension] = row.texts(dimension)
            strange = [word for word in found[dimension] if word not in words[dimension]]
            if strange or not found[dimension]:
                raise PolicyError(f"{row.where}: {dimension}", f"{strange or 'is empty'}", ", ".join(words[dimension]))
        row.done()
        rows.append(found)
    barred = []
    for row in table.rows("barred_on_purpose"):
        barred.append((row.plans("plans", words), row.text("why")))
        row.done()
    table.done()
    return words, rows, barred
