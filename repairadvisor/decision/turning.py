"""What would turn it: for each fact that was told, the nearest value at which the answer is another one.

The answer is looked at where a rule can change: at the limits that rules hold against the fact, and at those they hold
against sums in which it stands. Between two such values only prices move: along straight lines the turn is where lines
meet; where they are not straight, the way is halved. It is narrowed down to the fact's resolution. A value that
contradicts something else that was told is no turning point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from repairadvisor.decision.cells import possible_of_derived
from repairadvisor.decision.crossing import STRAIGHT, Prices, meetings
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME, Fact

#: Where the crew is changes with the answer itself.
_NOT_TURNED = ("crew_place", "travel_min")
#: Pieces of the way between two limits that are looked at, where prices do not run straight.
_MOST_PIECES = 64
#: Prices are taken to bend on the way by no more than so many times what they do half way.
_BENDS = 4.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an answer comes down to: the action, the plan by its index (-1: none), and what is waited for."""

    action: str
    plan: int
    waits_for: str = ""


@dataclass(frozen=True, slots=True)
class Turn:
    """A fact that would turn the answer: ``below`` or ``at_least`` a number, or a ``word``; and the answer then."""

    fact: str
    side: str
    value: float | str
    then: Outcome


class Beside(Protocol):
    """Tells what the answer is in a context beside the one asked with."""

    def __call__(self, context: Context) -> Outcome:
        """What the answer comes down to."""

    def rules_say(self, context: Context) -> object:
        """What the rules say: where it is the same, only prices can tell two contexts apart."""

    def prices(self, context: Context) -> Prices | None:
        """What plans cost; None where prices do not move or do not decide."""


def turns_of(context: Context, rules: Rules, beside: Beside) -> tuple[Turn, ...]:
    """The turning points of the facts told."""
    now = beside(context)
    found: list[Turn] = []
    for name, held in context.held.items():
        if name in _NOT_TURNED or not isinstance(held.state, Known):
            continue
        fact = BY_NAME[name]
        at = _Told(context, name, beside)
        if fact.words:
            for word in fact.words:
                then = at.outcome(word)
                if then is not None and then != now:
                    found.append(Turn(name, "word", word, then))
        else:
            found += _of_number(fact, float(held.state.value), _limits(context, rules, name), now, at)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Told:
    """One fact told otherwise, by the same person at the same time."""

    context: Context
    name: str
    beside: Beside

    def otherwise(self, value: float | str) -> Context | None:
        """The context with another value; None where that contradicts something else that was told."""
        held = dict(self.context.held)
        held[self.name] = replace(held[self.name], state=Known(value))
        changed, faults = make_context(self.context.now, held, self.context.expired)
        return None if faults else changed

    def outcome(self, value: float | str) -> Outcome | None:
        """The answer then; None where the value contradicts."""
        changed = self.otherwise(value)
        return None if changed is None else self.beside(changed)

    def prices(self, value: float) -> Prices | None:
        """What plans cost then; None where the value contradicts, or prices do not move or do not decide."""
        changed = self.otherwise(value)
        return None if changed is None else self.beside.prices(changed)


def _limits(context: Context, rules: Rules, name: str) -> list[float]:
    """The values of a fact at which a rule can change, rising."""
    compiled, fact = rules.compiled, BY_NAME[name]
    found = set(compiled.axes[name].cuts)
    for derived in compiled.derived.values():
        term = next((term for term in derived.terms if term.fact == name), None)
        if term is None or term.times == 0.0:
            continue
        possible = possible_of_derived(derived, context)
        if not possible.applies or possible.low != possible.high:
            continue
        state = context.held[name].state
        assert isinstance(state, Known)
        own = term.times * float(state.value)
        found.update((cut - (possible.low - own)) / term.times for cut in compiled.axes[derived.name].cuts)
    return sorted(limit for limit in found if fact.low < limit <= fact.high)


def _of_number(fact: Fact, value: float, limits: Sequence[float], now: Outcome, at: _Told) -> list[Turn]:
    """The nearest turning point on either side of a number."""
    step = fact.resolution
    below = sorted({_down(limit, step) for limit in limits if _down(limit, step) < value} | {fact.low}, reverse=True)
    above = sorted({_up(limit, step) for limit in limits if _up(limit, step) > value} | {fact.high})
    found = []
    lower = _first_other(value, [one for one in below if one < value], now, at, step)
    if lower is not None:
        found.append(Turn(fact.name, "below", _tidy(lower[0] + step, step), lower[1]))
    upper = _first_other(value, [one for one in above if one > value], now, at, step)
    if upper is not None:
        found.append(Turn(fact.name, "at_least", _tidy(upper[0], step), upper[1]))
    return found


def _first_other(
    value: float, probes: Sequence[float], now: Outcome, at: _Told, step: float
) -> tuple[float, Outcome] | None:
    """The value nearest to ``value`` at which the answer is another one, to a step; None where none is found.

    Looked at where the rules say something else than at the value before, and on the way between such values, where
    prices may turn it; as far as the last value that contradicts nothing.
    """
    last, said = value, at.beside.rules_say(at.context)
    before = value
    for probe in probes:
        changed = at.otherwise(probe)
        if changed is None:
            before = _last_possible(before, probe, at, step)
            break
        says = at.beside.rules_say(changed)
        if says != said:
            found = _on_the_way(last, _next_to(probe, last, step), now, at, step)
            if found is not None:
                return found
            then = at.beside(changed)
            if then != now:
                return probe, then
            last, said = probe, says
        before = probe
    return _on_the_way(last, before, now, at, step)


def _next_to(value: float, towards: float, step: float) -> float:
    """The value one step nearer to another one."""
    return towards if abs(value - towards) <= step else _tidy(value + math.copysign(step, towards - value), step)


def _last_possible(possible: float, other: float, at: _Told, step: float) -> float:
    """The last value before ``other`` that contradicts nothing."""
    while abs(other - possible) > 1.5 * step:
        middle = _half_way(possible, other, step)
        if at.otherwise(middle) is None:
            other = middle
        else:
            possible = middle
    return possible


def _half_way(start: float, end: float, step: float) -> float:
    return _tidy(start + round((end - start) / 2.0 / step) * step, step)


def _on_the_way(same: float, end: float, now: Outcome, at: _Told, step: float) -> tuple[float, Outcome] | None:
    """The first value after ``same``, ``end`` among them, at which prices make the answer another one.

    Pieces along which prices run straight are read off; others are halved, the nearer half first, but not for ever.
    """
    pieces = [(same, end)] if same != end else []
    for _ in range(_MOST_PIECES):
        if not pieces:
            return None
        start, stop = pieces.pop()
        middle = _half_way(start, stop, step)
        ends = _prices_along(start, middle, stop, at)
        if ends is None or middle in (start, stop):
            found = _at_the_end(start, stop, now, at, step)
        else:
            bend = ends[0].bend(ends[2], ends[1], (middle - start) / (stop - start))
            if all(_BENDS * bend < one.room(now.plan) for one in ends):
                continue  # however prices bend on the way, they do not turn it
            if bend > STRAIGHT:
                pieces += [(middle, stop), (start, middle)]
                continue
            found = _where_lines_meet(start, stop, (ends[0], ends[2]), now, at, step)
        if found is not None:
            return found
    ends_only = (_at_the_end(start, stop, now, at, step) for start, stop in reversed(pieces))
    return next((found for found in ends_only if found is not None), None)


def _prices_along(start: float, middle: float, stop: float, at: _Told) -> tuple[Prices, Prices, Prices] | None:
    """Prices at the ends of a piece and half way; None where they do not move, or do not decide, at one of them."""
    first = at.prices(start)
    last = None if first is None else at.prices(stop)
    between = None if last is None else at.prices(middle)
    return None if first is None or last is None or between is None else (first, between, last)


def _at_the_end(same: float, end: float, now: Outcome, at: _Told, step: float) -> tuple[float, Outcome] | None:
    then = at.outcome(end)
    return None if then is None or then == now else _narrowed(same, end, then, now, at, step)


def _where_lines_meet(
    start: float, stop: float, ends: tuple[Prices, Prices], now: Outcome, at: _Told, step: float
) -> tuple[float, Outcome] | None:
    """The first value of a piece at which another plan wins, by lines from end to end; made sure of by the answer."""
    steps = round(abs(stop - start) / step)
    places = {math.floor(part * steps) + more for part in meetings(*ends) for more in (0, 1)}
    same = start
    for place in sorted({one for one in places if 0 < one < steps} | {steps}):
        value = _tidy(start + math.copysign(place * step, stop - start), step)
        if ends[0].winner_at(ends[1], place / steps) != now.plan or place == steps:
            then = at.outcome(value)
            if then is not None and then != now:
                return _narrowed(same, value, then, now, at, step)
        same = value
    return None


def _narrowed(same: float, other: float, then: Outcome, now: Outcome, at: _Told, step: float) -> tuple[float, Outcome]:
    """The first value on the way from ``same`` to ``other`` at which the answer is another one."""
    while abs(other - same) > 1.5 * step:
        middle = _tidy(same + round((other - same) / 2.0 / step) * step, step)
        if middle in (same, other):
            break
        found = at.outcome(middle)
        if found is not None and found != now:
            other, then = middle, found
        else:
            same = middle
    return other, then


def _up(limit: float, step: float) -> float:
    """The first value a person would tell from a limit on."""
    return _tidy(math.ceil(limit / step - 1e-9) * step, step)


def _down(limit: float, step: float) -> float:
    """The last value a person would tell below a limit."""
    return _tidy(_up(limit, step) - step, step)


def _tidy(value: float, step: float) -> float:
    return float(round(round(value / step) * step, 9))
