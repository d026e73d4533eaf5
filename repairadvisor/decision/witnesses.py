"""A world in which some conditions hold and others do not, or the certainty that there is none.

Facts are tried one after the other, what gives meaning before what has it, and a branch is left as soon as a condition
is settled the wrong way. Derived facts are free at first; at the end of a branch their sums are held against the
numbers that they are made of.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from repairadvisor.decision.cells import Axis, derived_interval, possible_of_derived
from repairadvisor.decision.implicants import Grouped, grouped, is_possible
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Between, Known, NotApplicable, OneOf, State
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import (
    ALWAYS,
    AtLeast,
    Condition,
    Every,
    IsOneOf,
    Not,
    Some,
    World,
    facts_of,
    holds,
)
from repairadvisor.policy.model import Derived
from repairadvisor.policy.read_rules import parents_of

ANY_MOMENT = datetime(2000, 1, 1, tzinfo=UTC)
#: Branches that are followed before it is left undecided.
MOST_BRANCHES = 20_000


class UndecidedError(Exception):
    """Neither a world was found nor was it certain that there is none."""


@dataclass(frozen=True, slots=True)
class Ranges:
    """The cells of every fact, and how derived facts are made."""

    axes: Mapping[str, Axis]
    derived: Mapping[str, Derived]


def witness(ranges: Ranges, wanted: Sequence[Condition], refused: Sequence[Condition] = ()) -> Context | None:
    """A context in which every ``wanted`` condition can hold and every ``refused`` one fail; None where there surely is
    none. Raises :class:`UndecidedError`."""
    whole = Every((*wanted, *(Not(one) for one in refused)))
    sums = [ranges.derived[name] for name in facts_of(whole) if name in ranges.derived]
    group = grouped(Every((whole, *(_mention(one) for one in sums))), ranges.axes)
    search = _Search(ranges, whole, sums, group)
    found = search.found({}, 0)
    if found is None and search.undecided:
        raise UndecidedError
    return found


def surely(condition: Condition, world: World) -> bool | None:
    """Whether a condition holds in every world that goes on from this part of one; None where that is open."""
    if isinstance(condition, Not):
        inner = surely(condition.part, world)
        return None if inner is None else not inner
    if isinstance(condition, Every | Some):
        stops = isinstance(condition, Some)
        parts = [surely(part, world) for part in condition.parts]
        if stops in parts:
            return stops
        return None if None in parts else not stops
    return holds(condition, world) if condition.fact in world else None


def _mention(derived: Derived) -> Condition:
    """Always true, and speaks of all that a sum is made of: so the search tells those facts apart."""
    named: list[Condition] = [ALWAYS]
    for name in parents_of(derived):
        fact = BY_NAME[name]
        if fact.is_number:
            named.append(AtLeast(name, "", fact.low))
    named += [IsOneOf(*term.where) for term in derived.terms if term.where is not None]
    return Some(tuple(named))


class _Search:
    """One search: facts in their order, each class of cells in turn."""

    def __init__(self, ranges: Ranges, whole: Condition, sums: Sequence[Derived], group: Grouped) -> None:
        self.ranges, self.whole, self.sums = ranges, whole, sums
        self.classes = dict(zip(group.names, group.classes, strict=True))
        self.names = _parents_first(group.names)
        self.branches = 0
        self.undecided = False

    def found(self, chosen: dict[str, tuple[int, ...]], at: int) -> Context | None:
        world = {name: self.ranges.axes[name].sample(cells[0]) for name, cells in chosen.items()}
        if surely(self.whole, world) is False:
            return None
        if at == len(self.names):
            return self._context(chosen)
        name = self.names[at]
        for cells in self.classes[name]:
            values = {**world, name: self.ranges.axes[name].sample(cells[0])}
            if not is_possible([one for one in self.names[: at + 1] if one in BY_NAME], values):
                continue
            self.branches += 1
            if self.branches > MOST_BRANCHES:
                raise UndecidedError
            context = self.found({**chosen, name: cells}, at + 1)
            if context is not None:
                return context
        return None

    def _context(self, chosen: Mapping[str, tuple[int, ...]]) -> Context | None:
        """The branch as a context: words and stretches of numbers, then numbers that give the sums asked for."""
        held = {
            name: Held(state_of(self.ranges.axes[name], cells)) for name, cells in chosen.items() if name in BY_NAME
        }
        context, faults = make_context(ANY_MOMENT, held)
        if faults:
            return None
        for derived in self.sums:
            if not _reachable(context, derived, self.ranges.axes[derived.name], chosen[derived.name]):
                return None
        for derived in self.sums:
            settled = _with_sum(context, derived, self.ranges.axes[derived.name], chosen[derived.name])
            if settled is None:
                self.undecided = True  # each sum alone can be met; numbers that meet all of them were not found
                return None
            context = settled
        return context


def _parents_first(names: Sequence[str]) -> list[str]:
    """The facts, each after those that give it meaning; derived ones at the end, where their sums are known."""

    def depth(name: str) -> int:
        fact = BY_NAME.get(name)
        if fact is None:
            return 1000
        above = [parent for parent, _ in fact.applies] + ([fact.within[0]] if fact.within else [])
        return 1 + max((depth(one) for one in above), default=0)

    return sorted(names, key=depth)


def state_of(axis: Axis, cells: Sequence[int]) -> State:
    """What is held of a fact that lies in some cells which the conditions do not tell apart: they lie side by side."""
    if axis.sample(cells[0]) is None:
        return NotApplicable()
    if axis.words:
        words = tuple(axis.words[cell] for cell in cells)
        return Known(words[0]) if len(words) == 1 else OneOf(words)
    low, high = axis.span(cells[0])[0], axis.span(cells[-1])[1]
    if axis.whole:
        low, high = math.ceil(low) * 1.0, (high if high == axis.high else math.ceil(high) - 1.0)
    elif high != axis.high:
        high = math.nextafter(high, low)
    return Known(low) if low == high else Between(low, high)


def _meeting(context: Context, derived: Derived, axis: Axis, cells: Sequence[int]) -> Iterator[tuple[int, float]]:
    """The cells in which a sum can lie, each with how far along its stretch the sum then is (0 to 1)."""
    if not possible_of_derived(derived, context).applies:
        return
    low, high = derived_interval(derived, context)
    for cell in cells:
        if cell == axis.meant:
            continue
        first = axis.cuts[cell - 1] if cell else -math.inf
        last = axis.cuts[cell] if cell < len(axis.cuts) else math.inf
        at_least, below = max(low, first), min(high, last)
        if at_least < below or at_least == below != last:
            middle = at_least + (below - at_least) / 2
            yield cell, 0.0 if high == low else (middle - low) / (high - low)


def _reachable(context: Context, derived: Derived, axis: Axis, cells: Sequence[int]) -> bool:
    """Whether a sum can lie in one of the cells; without the fact it begins with it has no meaning."""
    if cells[0] == axis.meant:
        return possible_of_derived(derived, context).may_lack
    return any(True for _ in _meeting(context, derived, axis, cells))


def _with_sum(context: Context, derived: Derived, axis: Axis, cells: Sequence[int]) -> Context | None:
    """The context with the numbers of a sum chosen so that it lies in one of the cells; None where none were found."""
    if cells[0] == axis.meant:
        return context
    for cell, share in _meeting(context, derived, axis, cells):
        settled = _spread(context, derived, share)
        if settled is not None and axis.cells_of(possible_of_derived(derived, settled)) == (cell,):
            return settled
    return None


def _spread(context: Context, derived: Derived, share: float) -> Context | None:
    """Every number of a sum so far along its own stretch, towards what makes the sum larger."""
    changes: dict[str, State | None] = {}
    for term in derived.terms:
        possible = context.possible[term.fact]
        if not possible.applies or possible.may_lack:
            continue
        along = share if term.times > 0 else 1.0 - share
        value = possible.low + along * (possible.high - possible.low)
        changes[term.fact] = Known(float(round(value)) if BY_NAME[term.fact].whole else value)
    settled, faults = context.with_facts(changes)
    return None if faults else settled
