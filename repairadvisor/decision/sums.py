"""Terms of a cost, and what sums of them are expected to come to, with and without the screens that stand open."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

from repairadvisor.decision.elimination import Factor, Values
from repairadvisor.decision.expectation import Expectation, Product
from repairadvisor.decision.worlds import Worlds
from repairadvisor.policy.condition import holds

World = Mapping[str, int]
Value = Callable[[World], float]


@dataclass(frozen=True, slots=True)
class Term:
    """A part of a plan's cost: of which facts, and what it comes to in one world of their cells."""

    key: tuple[str, ...]
    part: str
    facts: tuple[str, ...]
    value: Value
    #: What else the value hangs on, besides the cells of ``facts``.
    beside: Callable[[], tuple[object, ...]] = tuple
    #: The same in every combination of cells at once, an axis for each of ``facts``; worked out one by one without it.
    table: Callable[[], Values] | None = None


class Sums:
    """Sums of terms in one context's worlds. ``rules`` are the facts of each open screen; ``spoken_of`` are all facts
    that terms and questions will speak of, to be set before anything is summed."""

    def __init__(self, worlds: Worlds, rules: Sequence[Sequence[str]]) -> None:
        self.worlds = worlds
        self.spoken_of: tuple[str, ...] = ()
        self._rules = rules
        self._made: dict[tuple[str, ...], float | Factor] = {}
        self._screens: dict[int, Factor] = {}

    @cached_property
    def priced(self) -> Expectation:
        """Expectations with no regard to screens."""
        return Expectation(self.worlds, (), self.spoken_of)

    @cached_property
    def screened(self) -> Expectation:
        """Expectations where no screen bars."""
        return Expectation(self.worlds, self._rules, self.spoken_of)

    def screen(self, index: int) -> Factor:
        """An open screen as a factor, made once."""
        if index not in self._screens:
            self._screens[index] = screen_factor(self.worlds, index)
        return self._screens[index]

    def chance(self, screens: Sequence[Factor]) -> float:
        """P(no screen bars), for open screens given as factors of 0 and 1."""
        return self.screened.product(screens).value

    def expected(self, terms: Sequence[Term]) -> float:
        """E[sum of terms]."""
        constant, groups = self.split(terms)
        return constant + sum([self.priced.alone(group) for group in groups])

    def expected_if_clear(self, terms: Sequence[Term], clear: Product) -> float:
        """E[a x sum of terms], ``clear`` being a: the product of open screens."""
        constant, groups = self.split(terms)
        return constant * clear.value + sum([self.screened.expect_with(clear, group) for group in groups])

    def expected_where(self, terms: Sequence[Term], name: str) -> Values:
        """E[sum of terms; fact in its cell] for every cell of a fact that varies."""
        constant, groups = self.split(terms)
        total = constant * self.priced.chances(name)
        for group in groups:
            total = total + self.priced.held(self.priced.product([group]), name)
        return total

    def signed(self, plus: Sequence[Term], minus: Sequence[Term]) -> tuple[float, list[Factor]]:
        """Terms less other terms: the settled part as a number, and a factor for each set of facts of the rest."""
        constant, groups = self.split(plus)
        less, taken = self.split(minus)
        values: dict[tuple[str, ...], Values] = {}
        for sign, factors in ((1.0, groups), (-1.0, taken)):
            for one in factors:
                more = one.values * sign
                values[one.names] = values[one.names] + more if one.names in values else more
        factor = self.worlds.elimination.factor
        return constant - less, [factor(names, one) for names, one in values.items()]

    def split(self, terms: Sequence[Term]) -> tuple[float, list[Factor]]:
        """What is settled as one number, and a factor for each set of facts that the rest depends on."""
        constant = 0.0
        groups: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
        for term in terms:
            made = self._table(term)
            if isinstance(made, float):
                constant += made
            else:
                groups.setdefault(made.names, []).append(term.key)
        return constant, [self._group(keys) for keys in groups.values()]

    def _group(self, keys: list[tuple[str, ...]]) -> Factor:
        name = ("group", *(part for key in keys for part in ("|", *key)))
        if name not in self._made:
            tables = [table for key in keys if isinstance(table := self._made[key], Factor)]
            values = tables[0].values
            for table in tables[1:]:
                values = values + table.values
            self._made[name] = self.worlds.elimination.factor(tables[0].names, values)
        made = self._made[name]
        assert isinstance(made, Factor)
        return made

    def _table(self, term: Term) -> float | Factor:
        if term.key not in self._made:
            worlds = self.worlds
            if all(worlds.settled(name) for name in term.facts):
                self._made[term.key] = term.value({name: worlds.cells(name)[0] for name in term.facts})
            else:
                make = term.table or partial(worlds.table, term.facts, term.value)
                values = worlds.remembered((*term.key, *term.beside()), term.facts, make)
                self._made[term.key] = worlds.factor_of(term.facts, values)
        return self._made[term.key]


def screen_factor(worlds: Worlds, index: int) -> Factor:
    """An open screen as a factor: 1 in worlds it does not bar, else 0, of its own condition's facts only."""
    condition = worlds.rules.conditions[index]
    names = worlds.rules.facts[index]

    def clear(world: World) -> float:
        return 0.0 if holds(condition, {name: worlds.axis(name).sample(cell) for name, cell in world.items()}) else 1.0

    make = partial(worlds.table, names, clear)
    return worlds.factor_of(names, worlds.remembered(("screen", index), names, make))
