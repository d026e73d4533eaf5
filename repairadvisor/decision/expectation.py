"""Expectations over the worlds that are possible, and the same for each answer that one more fact could get.

Facts that have nothing to do with each other, given what is known, form *islands*. A product of factors falls into
parts, each of the islands that its factors tie together; its expectation is the product of those of its parts. What has
been found for a part is remembered, since plans share most of theirs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from repairadvisor.decision.elimination import Factor, Shares, Values, products_of_others
from repairadvisor.decision.worlds import Worlds

Key = tuple[int, ...]
_NUMBER = attrgetter("number")


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Factors that are tied to each other, with the islands in which they stand, and what tells them from others."""

    islands: frozenset[int]
    factors: tuple[Factor, ...]
    key: tuple[Key, Key]


def _part(islands: Iterable[int], factors: Iterable[Factor]) -> Part:
    ordered = tuple(sorted(factors, key=_NUMBER))
    within = frozenset(islands)
    return Part(within, ordered, (tuple(sorted(within)), tuple([factor.number for factor in ordered])))


@dataclass(frozen=True, slots=True, eq=False)
class Product:
    """A product of factors in its parts. ``value`` is what it is expected to be, ``others`` for each part what all the
    others are; ``of_island`` says which part an island belongs to, ``key`` what tells it from others."""

    parts: tuple[Part, ...]
    others: tuple[float, ...]
    value: float
    of_island: dict[int, int]
    key: tuple[tuple[Key, Key], ...]


class Expectation:
    """Expectations of products of factors. ``together`` are facts that the factors tie to each other, rule by rule;
    ``names`` are facts that will be spoken of besides. A fact that was not named falls into an island when it is first
    spoken of, which is refused where it ties islands that products stand on."""

    def __init__(self, worlds: Worlds, together: Iterable[Sequence[str]], names: Iterable[str] = ()) -> None:
        self.worlds = worlds
        self._together = [tuple(one) for one in together]
        self._names: dict[str, None] = dict.fromkeys([*(name for one in self._together for name in one), *names])
        self._island: dict[str, int] = {}
        self._told_apart: dict[int, list[str]] = {}
        self._touched: dict[int, frozenset[int]] = {}
        self._products: dict[Key, Product] = {}
        self._shares: dict[tuple[object, ...], Shares] = {}
        self._with: dict[tuple[object, ...], float] = {}
        self._chances: dict[str, Values] = {}
        # What follows depends on facts and factors only, not on how they fall into islands.
        self._priors: dict[tuple[str, ...], tuple[Factor, ...]] = {}
        self._wholes: dict[Key, float] = {}
        self._values: dict[Key, float] = {}
        self._found: tuple[str, ...] = ()
        self._settle_islands()

    # --- what is asked ---------------------------------------------------------------------------------------

    def product(self, factors: Sequence[Factor]) -> Product:
        """A product of factors, with its expectation."""
        key = tuple([factor.number for factor in factors])
        if key not in self._products:
            self._know([name for factor in factors for name in factor.names])
            parts: list[Part] = []
            for factor in factors:
                parts = self._tied(parts, factor)
            self._products[key] = self._product(parts)
        return self._products[key]

    def with_factor(self, product: Product, factor: Factor) -> Product:
        """A product with one factor more, which may tie some of its parts together."""
        self._know(factor.names)
        return self._product(self._tied(product.parts, factor))

    def expect_with(self, product: Product, factor: Factor) -> float:
        """E[product x factor]: cheaper than :meth:`with_factor` where many factors are tried on the same product, since
        each reads off what was summed once."""
        islands = self.islands_of(factor)
        touched = {product.of_island.get(island, -1) for island in islands}
        if touched == {-1} or len(islands) == 0:
            return self.alone(factor) * product.value
        if len(touched) == 1:
            (at,) = touched
            return self._times(product.parts[at], factor) * product.others[at]
        return self._over_parts(product, factor, touched)

    def held(self, product: Product, name: str) -> Values:
        """E[product; fact in its cell] for every cell of a fact that varies."""
        self._know((name,))
        at = product.of_island.get(self._island[name], -1)
        if at < 0:
            return self.chances(name) * product.value
        return self.shares_of(product.parts[at]).margin(name) * product.others[at]

    def given(self, product: Product, addends: Sequence[Factor]) -> Given:
        """E[product x sum of ``addends``; fact in its cell], for whichever fact is asked for."""
        return Given(self, product, addends)

    def chances(self, name: str) -> Values:
        """The chance of each cell of a fact that varies."""
        if name not in self._chances:
            priors = self._bearing((name,))
            self._chances[name] = self.worlds.elimination.shares(priors, self._whole(priors)).margin(name)
        return self._chances[name]

    def names(self, name: str) -> bool:
        """Whether a fact that varies bears on what has been asked."""
        return name in self._island

    def island(self, name: str) -> int:
        """The number of a fact's island."""
        self._know((name,))
        return self._island[name]

    # --- islands ---------------------------------------------------------------------------------------------

    def _know(self, names: Sequence[str]) -> None:
        """Take facts in that were not named before."""
        new = [name for name in names if name not in self._island and name not in self._names]
        if new:
            self._names.update(dict.fromkeys(new))
            self._settle_islands()

    def _settle_islands(self) -> None:
        worlds = self.worlds
        found = worlds.bearing_on(tuple(self._names))
        if found == self._found:
            return
        self._found = found
        groups = [worlds.varying((name, *worlds.parents(name))) for name in found]
        groups += [worlds.varying(names) for names in self._together]
        self._island = self._numbered_as_before(_numbered(groups))
        self._told_apart = {}
        for name in found:
            if name in self._island and name not in worlds.rules.derived:
                self._told_apart.setdefault(self._island[name], []).append(name)
        for memory in (self._shares, self._with):
            memory.clear()  # an island may have grown

    def _numbered_as_before(self, island: Mapping[str, int]) -> dict[str, int]:
        """Islands by name, each with the number that it had: products that stand name them by it."""
        before: dict[int, set[int]] = {}
        for name, number in island.items():
            if name in self._island:
                before.setdefault(number, set()).add(self._island[name])
        tied = [numbers for numbers in before.values() if len(numbers) > 1]
        if tied and any(product.parts for product in self._products.values()):
            raise RuntimeError("a fact that ties others was first spoken of after products were put together")
        following = max(self._island.values(), default=-1) + 1
        numbers: dict[int, int] = {}
        for number in island.values():
            if number not in numbers:
                numbers[number] = min(before[number]) if number in before else following
                following += number not in before
        return {name: numbers[number] for name, number in island.items()}

    def islands_of(self, factor: Factor) -> frozenset[int]:
        """The islands that a factor's facts belong to."""
        if factor.number not in self._touched:
            self._know(factor.names)
            self._touched[factor.number] = frozenset([self._island[name] for name in factor.names])
        return self._touched[factor.number]

    # --- parts -----------------------------------------------------------------------------------------------

    def _tied(self, parts: Sequence[Part], factor: Factor) -> list[Part]:
        islands = self.islands_of(factor)
        apart = [part for part in parts if islands.isdisjoint(part.islands)]
        tied = [part for part in parts if not islands.isdisjoint(part.islands)]
        together = [one for part in tied for one in part.factors]
        return [*apart, _part(islands.union(*(part.islands for part in tied)), [*together, factor])]

    def _product(self, parts: Sequence[Part]) -> Product:
        values = [self.value_of(part) for part in parts]
        value = 1.0
        for one in values:
            value *= one
        of_island = {island: i for i, part in enumerate(parts) for island in part.islands}
        key = tuple([part.key for part in parts])
        return Product(tuple(parts), tuple(products_of_others(values)), value, of_island, key)

    def value_of(self, part: Part) -> float:
        """E[factors of a part]."""
        key = part.key[1]
        if key not in self._values:
            priors = self._bearing(name for factor in part.factors for name in factor.names)
            total = self.worlds.elimination.total([*priors, *part.factors])
            self._values[key] = total / self._whole(priors)
        return self._values[key]

    def _bearing(self, names: Iterable[str]) -> tuple[Factor, ...]:
        """The priors that bear on ``names``; what only hangs on them sums to one and is left out."""
        key = tuple(sorted(set(names)))
        if key not in self._priors:
            self._priors[key] = tuple(self.worlds.factor(name) for name in self.worlds.bearing_on(key))
        return self._priors[key]

    def _whole(self, priors: tuple[Factor, ...]) -> float:
        """What was seen has a chance of its own; everything is conditioned on it."""
        key = tuple([factor.number for factor in priors])
        if key not in self._wholes:
            self._wholes[key] = self.worlds.elimination.total(priors)
        return self._wholes[key]

    # --- shares ----------------------------------------------------------------------------------------------

    def shares_of(self, part: Part, names: Sequence[str] = ()) -> Shares:
        """A part told apart by the facts of its islands, and by those derived ones that are named."""
        derived = tuple(sorted(name for name in names if name in self.worlds.rules.derived))
        key = (part.key, derived)
        if key not in self._shares:
            told_apart = [name for island in sorted(part.islands) for name in self._told_apart.get(island, ())]
            priors = self._bearing([*told_apart, *derived, *(name for one in part.factors for name in one.names)])
            self._shares[key] = self.worlds.elimination.shares([*priors, *part.factors], self._whole(priors))
        return self._shares[key]

    def alone(self, factor: Factor) -> float:
        """E[factor]."""
        key = (factor.number,)
        if key not in self._with:
            product, islands = self._product(()), self.islands_of(factor)
            found = self._over_parts(product, factor, {-1}) if islands else float(factor.values)
            self._with[key] = found
        return self._with[key]

    def slopes_of(self, part: Part, addends: Sequence[Factor]) -> dict[str, Values]:
        """E[factors of a part x sum of ``addends``; fact in its cell] for the part's facts; all within the part."""
        if not addends:
            return {}
        told_apart = [name for island in sorted(part.islands) for name in self._told_apart.get(island, ())]
        named = [name for one in (*part.factors, *addends) for name in one.names]
        priors = self._bearing([*told_apart, *named])
        whole = self._whole(priors)
        found = self.worlds.elimination.sums_held([*priors, *part.factors], addends)
        return {name: values / whole for name, values in found.items()}

    def _times(self, part: Part, factor: Factor) -> float:
        """E[factors of a part x factor], all of it within the part."""
        key = (part.key, factor.number)
        if key not in self._with:
            share = self.shares_of(part, factor.names).over(factor.names)
            if share is None:
                self._with[key] = self.value_of(_part(part.islands, [*part.factors, factor]))
            else:
                self._with[key] = float(np.add.reduce((factor.values * share).reshape(-1)))
        return self._with[key]

    def _over_parts(self, product: Product, factor: Factor, touched: set[int]) -> float:
        """E[product x factor] where the factor speaks of several parts, or of islands beside them."""
        names: dict[tuple[int, int], list[str]] = {}
        parts: dict[tuple[int, int], Part] = {}
        for name in factor.names:
            island = self._island[name]
            at = product.of_island.get(island, -1)
            place = (at, -1) if at >= 0 else (-1, island)
            parts[place] = product.parts[at] if at >= 0 else _part((island,), ())
            names.setdefault(place, []).append(name)
        values = factor.values
        for place, mine in names.items():
            share = self.shares_of(parts[place], mine).over(mine)
            if share is None:
                return self.with_factor(product, factor).value
            values = values * spread(share, mine, factor.names)
        result = float(np.add.reduce(values.reshape(-1)))
        for i, part in enumerate(product.parts):
            result *= 1.0 if i in touched else self.value_of(part)
        return result


class Given:
    """An expectation of a product times a sum of addends, with one fact held at each of its cells.

    Each island, or part of several, gives its own facts; what belongs elsewhere is summed out of the addends first.
    """

    def __init__(self, expectation: Expectation, product: Product, addends: Sequence[Factor]) -> None:
        self._expectation = expectation
        self._product = product
        self._addends = [one for one in addends if one.names]
        self.total = sum([expectation.expect_with(product, one) for one in addends])
        self._found: dict[int, Mapping[str, Values]] = {}

    def at(self, name: str) -> Values:
        """With ``name`` at each of its cells, an axis of them. Raises ValueError for a derived fact: those follow from
        others, and are not told apart by themselves."""
        if name in self._expectation.worlds.rules.derived:
            raise ValueError(f"{name} is worked out from other facts: ask for those")
        island = self._expectation.island(name)
        place = self._product.of_island.get(island, -1 - island)
        if place not in self._found:
            self._found[place] = self._in_place(place, island)
        return self._found[place].get(name, self._expectation.chances(name) * self.total)

    def _in_place(self, place: int, island: int) -> Mapping[str, Values]:
        """For every fact of one part, or of one island beside all parts."""
        expectation, product = self._expectation, self._product
        part = product.parts[place] if place >= 0 else _part((island,), ())
        mine = [one for one in self._addends if not part.islands.isdisjoint(expectation.islands_of(one))]
        if not mine and place < 0:
            return {}
        within: list[Factor] = []
        tied: list[Factor] = []
        for one in mine:
            summed = self._summed_to(part, place, one)
            (tied if summed is None else within).append(one if summed is None else summed)
        beside = self.total - sum([expectation.expect_with(product, one) for one in mine])
        shares = expectation.shares_of(part)
        own = expectation.value_of(part)
        found = expectation.slopes_of(part, within)
        total = {
            name: found.get(name, 0.0) + shares.margin(name) * (beside / own if own else 0.0) for name in shares.names
        }
        for one in tied:
            more = expectation.with_factor(product, one)
            total = {name: values + expectation.held(more, name) for name, values in total.items()}
        return total

    def _summed_to(self, part: Part, place: int, addend: Factor) -> Factor | None:
        """An addend with the facts of other parts and islands summed out, times what stands beside those; None where
        facts of another part did not stand together."""
        expectation, product = self._expectation, self._product
        kept = tuple(name for name in addend.names if expectation.island(name) in part.islands)
        others: dict[int, list[str]] = {}
        for name in addend.names:
            if name not in kept:
                island = expectation.island(name)
                others.setdefault(product.of_island.get(island, -1 - island), []).append(name)
        values = addend.values
        for at, names in others.items():
            other = product.parts[at] if at >= 0 else _part((-1 - at,), ())
            share = expectation.shares_of(other, names).over(names)
            if share is None:
                return None
            values = values * spread(share, names, addend.names)
        for axis in range(len(addend.names) - 1, -1, -1):
            if addend.names[axis] not in kept:
                values = np.add.reduce(values, axis=axis)
        scale = 1.0
        for i, beside in enumerate(product.parts):
            scale *= 1.0 if i == place or i in others else expectation.value_of(beside)
        return expectation.worlds.elimination.factor(kept, values * scale)


def spread(share: Values, mine: Sequence[str], names: Sequence[str]) -> Values:
    """Values over some of ``names`` with an axis for each of them; both in the order of summing out."""
    sizes = iter(share.shape)
    return share.reshape([next(sizes) if name in mine else 1 for name in names])


def _numbered(groups: Iterable[Sequence[str]]) -> dict[str, int]:
    """Which island each name belongs to, where the names of a group belong together; numbered as they are found."""
    leader: dict[str, str] = {}

    def first(name: str) -> str:
        while leader[name] != name:
            leader[name] = leader[leader[name]]
            name = leader[name]
        return name

    for group in groups:
        for name in group:
            leader.setdefault(name, name)
        for name in group[1:]:
            leader[first(name)] = first(group[0])
    numbers: dict[str, int] = {}
    return {name: numbers.setdefault(first(name), len(numbers)) for name in leader}
