"""How likely worlds are, given what is known: one factor a fact, from its prior.

A world gives every fact one cell or "has no meaning"; its chance is the product of each fact's prior given the
facts that make it applicable and at most one parent. A bounded fact is its prior conditioned on that set. A
derived fact's chance given its parents' cells is the exact volume of the sum of even stretches; within a cell of
its own it is taken as even.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property, partial

import numpy as np

from repairadvisor.decision.cells import Axis, Interval, cuts_by_fact, possible_of_derived
from repairadvisor.decision.elimination import Elimination, Factor, Values
from repairadvisor.decision.masses import chance_sum_below, mass_between, mass_of_whole
from repairadvisor.decision.screens import CompiledRules
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Condition
from repairadvisor.policy.model import Derived, FactPolicy, Prior
from repairadvisor.policy.read_rules import parents_of

#: A fact's name, its cuts, the cells that are left, and of a number between what it lies.
Shape = tuple[str, tuple[float, ...], tuple[int, ...], tuple[float, ...]]
#: Tables that are remembered for a policy: most are a few hundred bytes, the largest some tens of thousands.
_MOST_REMEMBERED = 5_000


class Worlds:
    """The worlds compatible with one context, as factors made when first asked for.

    Facts are cut where their priors change and where ``conditions`` (the open screens') compare them, and derived
    facts also at ``grids``: fewer cells than the rules as a whole have, and the same answer.
    """

    def __init__(
        self,
        rules: CompiledRules,
        facts: Mapping[str, FactPolicy],
        context: Context,
        order: Sequence[str],
        conditions: Sequence[Condition],
        grids: Mapping[str, Sequence[float]],
    ) -> None:
        self.rules = rules
        self.facts = facts
        self.context = context
        self.order = tuple(order)
        self._cuts = cuts_by_fact(conditions)
        self._grids = grids
        self._axes: dict[str, Axis] = {}
        self._cells: dict[str, tuple[int, ...]] = {}
        self._parents: dict[str, tuple[str, ...]] = {}
        self._means: dict[tuple[str, int], float] = {}
        self._told: list[tuple[str, frozenset[str]]] | None = None
        self._hangs_on: dict[str, frozenset[str]] = {}
        self._factors: dict[str, Factor] = {}
        self._shapes: dict[str, Shape] = {}

    @cached_property
    def elimination(self) -> Elimination:
        """Where facts are summed out, in the order that holds when it is first asked for."""
        return Elimination(self.order)

    def ties(self, together: Sequence[Sequence[str]]) -> dict[str, set[str]]:
        """For each fact that varies, those it stands in one factor with, itself among them."""
        groups = [(name, *self.parents(name)) for name in self.bearing_on([one for group in together for one in group])]
        ties: dict[str, set[str]] = {}
        for group in (*groups, *together):
            varying = [name for name in group if not self.settled(name)]
            for name in varying:
                ties.setdefault(name, set()).update(varying)
        return ties

    def order_by_size(self, together: Sequence[Sequence[str]]) -> None:
        """Order the summing out so that tables stay small: always the fact whose table would be the smallest next.

        ``together`` are the facts of each open rule and of each cost term. One order for all plans, from the structure
        alone, so that plans share what has been summed; ties go by the order of the policy.
        """
        ties = self.ties(together)
        rank = {name: i for i, name in enumerate(self.order)}
        sizes = {name: len(self.cells(name)) for name in ties}
        costs = {name: math.prod(sizes[one] for one in ties[name]) for name in ties}
        order: list[str] = []
        while ties:
            name = min(ties, key=lambda one: (costs[one], rank[one]))
            order.append(name)
            around = _sum_out(ties, name)
            for one in around:
                costs[one] = math.prod(sizes[other] for other in ties[one])
        rest = [name for name in rank if name not in order]
        self.order = (*order, *rest)

    def largest_table(self, ties: dict[str, set[str]]) -> tuple[int, tuple[str, ...]]:
        """The most entries a table can need, in the order that was chosen, for facts tied so; and its facts. Words that
        rule each other out are not counted. Uses ``ties`` up."""
        rank = {name: i for i, name in enumerate(self.order)}
        largest: tuple[int, tuple[str, ...]] = (1, ())
        for name in sorted(ties, key=rank.__getitem__):
            entries = self._entries(ties[name])
            if entries > largest[0]:
                largest = (entries, tuple(sorted(ties[name], key=rank.__getitem__)))
            _sum_out(ties, name)
        return largest

    def _entries(self, names: set[str]) -> int:
        """Assignments to facts, where a word of one leaves only some words of another."""
        counted = math.prod(len(self.cells(name)) for name in names)
        for name in sorted(names):
            within = BY_NAME[name].within if name in BY_NAME else None
            if within is not None and within[0] in names:
                mine = [self.word(name, cell) for cell in self.cells(name)]
                theirs = [self.word(within[0], cell) for cell in self.cells(within[0])]
                pairs = sum(word in within[1].get(key, mine) for key in theirs for word in mine)
                counted = -(-counted * pairs // (len(mine) * len(theirs)))
        return counted

    def axis(self, name: str) -> Axis:
        """The axis of a fact, with the cuts that matter here."""
        if name not in self._axes:
            full = self.rules.axes[name]
            inner = {*self._cuts.get(name, ()), *self._grids.get(name, ())}
            if name in self.facts:
                inner.update(
                    end for prior in self.facts[name].priors.values() for s in prior.stretches for end in s[:2]
                )
            if full.whole:
                inner = {float(math.ceil(cut)) for cut in inner}  # no whole number lies between
            kept = tuple(cut for cut in sorted(inner) if full.low < cut <= full.high) if not full.words else ()
            self._axes[name] = replace(full, cuts=kept)
        return self._axes[name]

    def cells(self, name: str) -> tuple[int, ...]:
        """The cells of a fact that what is known leaves open, those of no width left out unless it is the only one."""
        if name not in self._cells:
            derived = self.rules.derived.get(name)
            possible = self.context.possible[name] if derived is None else possible_of_derived(derived, self.context)
            cells = self.axis(name).cells_of(possible)
            if len(cells) > 1:
                cells = tuple(cell for cell in cells if self._has_width(name, cell))
            self._cells[name] = cells
        return self._cells[name]

    def _has_width(self, name: str, cell: int) -> bool:
        axis = self.axis(name)
        if axis.words or cell == axis.meant:
            return True
        low, high = self.stretch(name, cell)
        return high > low or self.axis(name).whole

    def stretch(self, name: str, cell: int) -> Interval:
        """The part of a number's cell that what is known leaves open; of a whole number, its first and last."""
        axis = self.axis(name)
        low, high = axis.span(cell)
        if name in self.rules.derived:
            return low, high
        possible = self.context.possible[name]
        if axis.whole:
            last = high if cell == len(axis.cuts) else high - 1.0
            return max(low, possible.low), min(last, possible.high)
        return max(low, possible.low), min(high, possible.high)

    def settled(self, name: str) -> bool:
        """Whether one cell of the fact is left, so that it no longer varies."""
        return len(self.cells(name)) == 1

    def mean(self, name: str, cell: int) -> float:
        """The mean of a number within the part of a cell that is left; nothing where it has no meaning."""
        key = (name, cell)
        if key not in self._means:
            low, high = (0.0, 0.0) if cell == self.axis(name).meant else self.stretch(name, cell)
            self._means[key] = (low + high) / 2.0
        return self._means[key]

    def word(self, name: str, cell: int) -> str:
        """The word of a cell, "" where the fact has no meaning."""
        axis = self.axis(name)
        return "" if cell == axis.meant else axis.words[cell]

    def parents(self, name: str) -> tuple[str, ...]:
        """The facts on which the chance of a fact hangs, each once."""
        if name not in self._parents:
            self._parents[name] = self._parents_of(name)
        return self._parents[name]

    def _parents_of(self, name: str) -> tuple[str, ...]:
        if name in self.rules.derived:
            derived = self.rules.derived[name]
            counted = tuple(term for term in derived.terms if not self._read_as_constant(derived, term.fact))
            return parents_of(replace(derived, terms=counted))
        fact = BY_NAME[name]
        parent = self.facts[name].parent
        named = [one for one, _ in fact.applies] + ([parent] if parent else [])
        return tuple(dict.fromkeys(named))

    def _read_as_constant(self, derived: Derived, name: str) -> bool:
        return name not in self.context.held and any(
            term.fact == name and term.if_unknown is not None for term in derived.terms
        )

    def shape(self, name: str) -> Shape:
        """All that a table over a fact's cells depends on: which cells are left, and of a number what of them."""
        if name not in self._shapes:
            axis, cells = self.axis(name), self.cells(name)
            ends = () if axis.words or name in self.rules.derived else self._ends(name)
            self._shapes[name] = (name, axis.cuts, cells, ends)
        return self._shapes[name]

    def _ends(self, name: str) -> tuple[float, ...]:
        possible = self.context.possible[name]
        return (possible.low, possible.high)

    def remembered(self, kind: tuple[object, ...], names: Sequence[str], make: Callable[[], Values]) -> Values:
        """A table that depends on the shapes of ``names`` and on nothing else of the context, made once for all."""
        key = (*kind, *(self.shape(name) for name in names))
        memory = self.rules.tables
        if key not in memory:
            if len(memory) >= _MOST_REMEMBERED:
                memory.clear()
            memory[key] = make()
        return memory[key]

    def table(self, names: Sequence[str], value: Callable[[Mapping[str, int]], float]) -> Values:
        """What something comes to in every combination of cells of ``names``: an axis for each, settled ones too."""
        found = [
            value(dict(zip(names, cells, strict=True)))
            for cells in itertools.product(*(self.cells(name) for name in names))
        ]
        return np.array(found).reshape([len(self.cells(name)) for name in names])

    def varying(self, names: Sequence[str]) -> tuple[str, ...]:
        """Those of ``names`` that are not settled."""
        return tuple(name for name in names if not self.settled(name))

    def factor_of(self, names: Sequence[str], values: Values) -> Factor:
        """A factor of values with an axis for each of ``names``, those of settled facts left out."""
        varying = self.varying(names)
        return self.elimination.factor(varying, values.reshape([len(self.cells(name)) for name in varying]))

    def bearing_on(self, names: Sequence[str]) -> tuple[str, ...]:
        """The facts whose factors bear on ``names``: these, what they hang on, and what was seen of that, through
        however many facts that nobody has told."""
        found: set[str] = set()
        for name in names:
            found |= self._behind(name)
        more = [(one, behind) for one, behind in self._seen() if one not in found]
        while True:
            telling = [behind for _, behind in more if not found.isdisjoint(behind)]
            if not telling:
                return tuple(name for name in self.rules.axes if name in found)
            found.update(*telling)
            more = [(one, behind) for one, behind in more if one not in found]

    def _behind(self, name: str) -> frozenset[str]:
        """A fact, and all that varies on which it hangs."""
        if name not in self._hangs_on:
            found, work = {name}, [name]
            while work:
                for parent in self.parents(work.pop()):
                    if parent not in found and not self.settled(parent):
                        found.add(parent)
                        work.append(parent)
            self._hangs_on[name] = frozenset(found)
        return self._hangs_on[name]

    def _seen(self) -> list[tuple[str, frozenset[str]]]:
        """Stated facts that hang on something that varies, and so tell of it, with all on which they hang."""
        if self._told is None:
            held = self.context.held
            told = [one for one in held if any(not self.settled(parent) for parent in self.parents(one))]
            self._told = [(one, self._behind(one)) for one in told]
        return self._told

    def factor(self, name: str) -> Factor:
        """The factor of one fact: its own unsettled cell beside those of what it hangs on."""
        if name not in self._factors:
            names = (name, *self.parents(name))
            if name in self.rules.derived:
                constant = tuple(one for one in parents_of(self.rules.derived[name]) if one not in names)
                values = self.remembered(("sum", constant), names, lambda: self._derived_values(name, names))
            else:
                values = self.remembered(("prior",), names, lambda: self.table(names, partial(self._mass, name)))
            self._factors[name] = self.factor_of(names, values)
        return self._factors[name]

    def _mass(self, name: str, world: Mapping[str, int]) -> float:
        fact = BY_NAME[name]
        axis = self.axis(name)
        meant = all(self.word(parent, world[parent]) in words for parent, words in fact.applies)
        if meant != (world[name] != axis.meant):
            return 0.0
        if not meant:
            return 1.0
        prior = self._prior(name, world)
        if axis.words:
            return prior.words.get(axis.words[world[name]], 0.0)
        low, high = self.stretch(name, world[name])
        return mass_of_whole(prior, low, high) if axis.whole else mass_between(prior, low, high)

    def _prior(self, name: str, world: Mapping[str, int]) -> Prior:
        policy = self.facts[name]
        key = self.word(policy.parent, world[policy.parent]) if policy.parent else ""
        # A parent without meaning says nothing; the first of the parent's words stands in, in the policy's order.
        return policy.priors.get(key) or next(iter(policy.priors.values()))

    def _derived_values(self, name: str, names: tuple[str, ...]) -> Values:
        derived = self.rules.derived[name]
        axis, cells = self.axis(name), self.cells(name)
        lead = derived.terms[0].fact
        values = np.zeros([len(self.cells(one)) for one in names])
        parents = names[1:]
        for at in itertools.product(*(range(len(self.cells(one))) for one in parents)):
            world = {one: self.cells(one)[i] for one, i in zip(parents, at, strict=True)}
            if world.get(lead) == self.axis(lead).meant:
                if axis.meant in cells:
                    values[(cells.index(axis.meant), *at)] = 1.0
                continue
            constant, widths = self._pieces(derived, world)
            for k, cell in enumerate(cells):
                if cell == axis.meant:
                    continue
                low = axis.cuts[cell - 1] if cell else None
                high = axis.cuts[cell] if cell < len(axis.cuts) else None
                upper = 1.0 if high is None else chance_sum_below(high - constant, widths)
                lower = 0.0 if low is None else chance_sum_below(low - constant, widths)
                values[(k, *at)] = max(upper - lower, 0.0)
        return values

    def _pieces(self, derived: Derived, world: Mapping[str, int]) -> tuple[float, list[float]]:
        """A sum of even stretches as its least value and the widths of the stretches."""
        constant, widths = derived.constant, []
        for term in derived.terms:
            if self._read_as_constant(derived, term.fact):
                constant += term.times * (term.if_unknown or 0.0)
                continue
            cell = world[term.fact]
            if cell == self.axis(term.fact).meant:
                continue
            if term.where is not None and self.word(term.where[0], world[term.where[0]]) not in term.where[1]:
                continue
            low, high = self.stretch(term.fact, cell)
            constant += min(term.times * low, term.times * high)
            if high > low:
                widths.append(abs(term.times) * (high - low))
        return constant, widths


def _sum_out(ties: dict[str, set[str]], name: str) -> set[str]:
    """Take a fact out; what stood with it stands together from then on."""
    around = ties.pop(name)
    around.discard(name)
    for one in around:
        ties[one].discard(name)
        ties[one] |= around
    return around
