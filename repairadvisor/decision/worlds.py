"""How likely worlds are, given what is known: one factor a fact, from its prior.

A world gives every fact one cell or "has no meaning"; its chance is the product of each fact's prior given the
facts that make it applicable and at most one parent. A bounded fact is its prior conditioned on that set. A
derived fact's chance given its parents' cells is the exact volume of the sum of even stretches; within a cell of
its own it is taken as even.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from repairadvisor.decision.cells import Axis, Interval
from repairadvisor.decision.elimination import Assignment, Elimination, Factor, Pair
from repairadvisor.decision.screens import CompiledRules, possible_cells
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Derived, FactPolicy, Prior
from repairadvisor.policy.read_rules import parents_of


class Worlds:
    """The worlds compatible with one context, as factors made when first asked for."""

    def __init__(
        self,
        rules: CompiledRules,
        facts: Mapping[str, FactPolicy],
        context: Context,
        order: Sequence[str],
    ) -> None:
        self.rules = rules
        self.facts = facts
        self.context = context
        self.elimination = Elimination(order)
        self._cells: dict[str, tuple[int, ...]] = {}
        self._factors: dict[str, Factor] = {}

    def axis(self, name: str) -> Axis:
        """The axis of a fact."""
        return self.rules.axes[name]

    def cells(self, name: str) -> tuple[int, ...]:
        """The cells of a fact that what is known leaves open, those of no width left out unless it is the only one."""
        if name not in self._cells:
            cells = possible_cells(self.rules, self.context, name)
            if len(cells) > 1:
                cells = tuple(cell for cell in cells if self._has_width(name, cell))
            self._cells[name] = cells
        return self._cells[name]

    def _has_width(self, name: str, cell: int) -> bool:
        axis = self.axis(name)
        if axis.words or cell == axis.meant:
            return True
        low, high = self.stretch(name, cell)
        return high > low

    def stretch(self, name: str, cell: int) -> Interval:
        """The part of a number's cell that what is known leaves open."""
        low, high = self.axis(name).span(cell)
        if name in self.rules.derived:
            return low, high
        possible = self.context.possible[name]
        return max(low, possible.low), min(high, possible.high)

    def settled(self, name: str) -> bool:
        """Whether one cell of the fact is left, so that it no longer varies."""
        return len(self.cells(name)) == 1

    def mean(self, name: str, cell: int) -> float:
        """The mean of a number within the part of a cell that is left; nothing where it has no meaning."""
        if cell == self.axis(name).meant:
            return 0.0
        low, high = self.stretch(name, cell)
        return (low + high) / 2.0

    def word(self, name: str, cell: int) -> str:
        """The word of a cell, "" where the fact has no meaning."""
        axis = self.axis(name)
        return "" if cell == axis.meant else axis.words[cell]

    def parents(self, name: str) -> tuple[str, ...]:
        """The facts on which the chance of a fact hangs, each once."""
        if name in self.rules.derived:
            derived = self.rules.derived[name]
            return tuple(one for one in parents_of(derived) if not self._read_as_constant(derived, one))
        fact = BY_NAME[name]
        parent = self.facts[name].parent
        named = [one for one, _ in fact.applies] + ([parent] if parent else [])
        return tuple(dict.fromkeys(named))

    def _read_as_constant(self, derived: Derived, name: str) -> bool:
        return name not in self.context.held and any(
            term.fact == name and term.if_unknown is not None for term in derived.terms
        )

    def relevant(self, names: Sequence[str]) -> tuple[str, ...]:
        """Facts whose factors bear on ``names``: themselves, what they hang on, and what was seen of that."""
        found: dict[str, None] = {}
        work = list(names)
        while work:
            name = work.pop()
            if name in found:
                continue
            found[name] = None
            work.extend(parent for parent in self.parents(name) if not self.settled(parent))
        varying = [name for name in found if not self.settled(name)]
        grown = True
        while grown:
            grown = False
            for name in self.context.held:
                if name in found or not any(parent in varying for parent in self.parents(name)):
                    continue
                found[name] = None
                more = [one for one in self.parents(name) if one not in found and not self.settled(one)]
                if not self.settled(name):
                    varying.append(name)
                for one in more:
                    found[one] = None
                    varying.append(one)
                    found.update(dict.fromkeys(p for p in self.parents(one) if not self.settled(p)))
                grown = True
        return tuple(name for name in self.rules.axes if name in found)

    def factor(self, name: str) -> Factor:
        """The factor of one fact: its own unsettled cell beside those of what it hangs on."""
        if name not in self._factors:
            make = self._derived_pairs if name in self.rules.derived else self._prior_pairs
            names = tuple(one for one in (name, *self.parents(name)) if not self.settled(one))
            self._factors[name] = self.elimination.factor(names, make(name, names))
        return self._factors[name]

    def _worlds_of(self, names: Sequence[str]) -> list[dict[str, int]]:
        """Every assignment of cells to ``names``, settled ones at their cell."""
        product = itertools.product(*(self.cells(name) for name in names))
        return [dict(zip(names, cells, strict=True)) for cells in product]

    def _prior_pairs(self, name: str, names: tuple[str, ...]) -> dict[Assignment, Pair]:
        pairs: dict[Assignment, Pair] = {}
        for world in self._worlds_of((name, *self.parents(name))):
            mass = self._mass(name, world)
            if mass > 0.0:
                pairs[tuple(world[one] for one in names)] = (mass, 0.0)
        return pairs

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
        return _mass_between(prior, *self.stretch(name, world[name]))

    def _prior(self, name: str, world: Mapping[str, int]) -> Prior:
        policy = self.facts[name]
        key = self.word(policy.parent, world[policy.parent]) if policy.parent else ""
        # A parent without meaning says nothing; the first of the parent's words stands in, in the policy's order.
        return policy.priors.get(key) or next(iter(policy.priors.values()))

    def _derived_pairs(self, name: str, names: tuple[str, ...]) -> dict[Assignment, Pair]:
        derived = self.rules.derived[name]
        axis = self.axis(name)
        pairs: dict[Assignment, Pair] = {}
        for world in self._worlds_of(self.parents(name)):
            constant, widths = self._pieces(derived, world)
            for cell in self.cells(name):
                low = axis.cuts[cell - 1] if cell else None
                high = axis.cuts[cell] if cell < len(axis.cuts) else None
                upper = 1.0 if high is None else chance_sum_below(high - constant, widths)
                lower = 0.0 if low is None else chance_sum_below(low - constant, widths)
                if upper > lower:
                    full = {**world, name: cell}
                    pairs[tuple(full[one] for one in names)] = (upper - lower, 0.0)
        return pairs

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


def _mass_between(prior: Prior, low: float, high: float) -> float:
    """The prior's mass from low to high; of a single number, its density (what having seen it tells)."""
    mass = 0.0
    for start, end, weight in prior.stretches:
        if low == high:
            if start <= low < end or (low == end and end == prior.stretches[-1][1]):
                return weight / (end - start)
            continue
        overlap = min(high, end) - max(low, start)
        if overlap > 0.0:
            mass += weight * overlap / (end - start)
    return mass


def chance_sum_below(x: float, widths: Sequence[float]) -> float:
    """P(sum of independent even stretches from 0 to each width < x).

    Inclusion and exclusion over the corners of the box (the distribution of a sum of uniforms, from memory;
    tests compare it with the published Irwin-Hall values and with counting).
    """
    total = sum(widths)
    if x <= 0.0:
        return 0.0
    if x >= total:
        return 1.0
    volume = 0.0
    for corner in itertools.product((0, 1), repeat=len(widths)):
        gap = x - sum(width for width, taken in zip(widths, corner, strict=True) if taken)
        if gap > 0.0:
            power = 1.0
            for _ in widths:
                power *= gap
            volume += -power if sum(corner) % 2 else power
    box = 1.0
    for i, width in enumerate(widths):
        box *= width * (i + 1)
    return min(max(volume / box, 0.0), 1.0)
