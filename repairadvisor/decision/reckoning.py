"""Which minutes, prices and counts of people a plan was reckoned with, and where each comes from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from repairadvisor.decision.advice import Source
from repairadvisor.decision.answer import Told
from repairadvisor.decision.plan_rows import persons_rows
from repairadvisor.policy.model import MinutesRow, Number, PriceRow

#: Rates in which what people, visits and waiting cost is reckoned.
_RATES = ("labour_cu_per_person_hour", "second_visit_cu", "stand_off_return_cu")


def reckoned_with(told: Told) -> tuple[Source, ...]:
    """The rows that the plan fits, as they count with what is known; without a plan none. People first, then rates,
    minutes and prices, each in the policy's order."""
    if told.plan is None:
        return ()
    policy = told.policy
    rows = told.rules.rows[told.plan.id]
    places = told.context.possible["place"].words
    people = {one.name: one for place in places for one in persons_rows(policy, told.plan, place)}
    found = [_of(told, one, told.words.counted("person", int(one.value))) for one in people.values()]
    found += [
        _of(told, one, f"{one.value:g} {told.words.unit(one.unit)}") for one in (policy.rates[name] for name in _RATES)
    ]
    found += [_source(told, row, row.p50, row.p95) for row in rows.minutes]
    found += [_source(told, row, row.amount, row.amount) for row in rows.prices]
    return tuple(one for one in found if one.value)


def said(told: Told, rows: tuple[Source, ...]) -> str:
    """How many there are and how they are known; "" where there are none."""
    if not rows:
        return ""
    by_known = Counter(row.how_known for row in rows)
    listed = told.words.listed([_how_many(told, known, count) for known, count in by_known.items()])
    latest = max(row.since for row in rows)
    return told.words.say("reckoned", "line", count=len(rows), listed=listed, latest=latest)


def _how_many(told: Told, known: str, count: int) -> str:
    return told.words.say("reckoned", "known", count=count, known=told.words.say("known_shortly", known))


def _of(told: Told, number: Number, value: str) -> Source:
    return Source(told.words.figure(number.name), value, number.source, number.known, number.since)


def _source(told: Told, row: MinutesRow | PriceRow, low: Mapping[str, float], high: Mapping[str, float]) -> Source:
    """A row between the least and the most that it may be for the words that are still possible; "" where nothing."""
    words = told.context.possible[row.by].words if row.by else tuple(low)
    lows, highs = [low[word] for word in words if word in low], [high[word] for word in words if word in high]
    value = ""
    if lows and highs and max(highs) != 0.0:
        least, most = f"{min(lows):g}", f"{max(highs):g}"
        unit = told.words.unit(row.unit)
        between = told.words.say("fact", "between", low=least, high=most)
        value = f"{least if least == most else between} {unit}"
    return Source(told.words.figure(row.id), value, row.source, row.known, row.since)
