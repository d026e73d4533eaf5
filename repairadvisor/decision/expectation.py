"""Expectations over the worlds that are possible, and the same for each answer that one more fact could get.

Facts that have nothing to do with each other, given what is known, form *islands*. A product of factors falls into
parts, each of the islands that its factors tie together; its expectation is the product of those of its parts. What has
been found for a part is remembered, since plans share most of theirs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from repairadvisor.decision.elimination import Factor, Shares, Values, products_of_others
from repairadvisor.decision.worlds import Worlds

Key = tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Factors that are tied to each other, with the islands in which they stand, and what tells them from others."""

    islands: frozenset[int]
    factors: tuple[Factor, ...]
    key: tuple[Key, Key]


def _part(islands: Iterable[int], factors: Iterable[Factor]) -> Part:
    ordered = tuple(sorted(factors, key=lambda one: one.number))
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
    """Expectations of products of factors. ``together`` are facts that the factors tie to each other, rule by rule."""

    def __init__(self, worlds: Worlds, together: Iterable[Sequence[str]]) -> None:
        self.worlds = worlds
        self._together = [tuple(names) for names in together]
        self._names: dict[str, None] = dict.fromkeys(name for names in self._together for name in names)
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
        islands = self._islands_of(factor)
        touched = {product.of_island.get(island, -1) for island in islands}
        if touched == {-1} or len(islands) == 0:
            return self._alone(factor) * product.value
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
        return self._of_part(product.parts[at]).margin(name) * product.others[at]

    def chances(self, name: str) -> Values:
        """The chance of each cell of a fact that varies."""
        if name not in self._chances:
            priors = self._bearing((name,))
            self._chances[name] = self.worlds.elimination.shares(priors).margin(name) / self._whole(priors)
        return self._chances[name]

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
        self._island = _numbered(groups)
        self._told_apart = {}
        for name in found:
            if name in self._island and name not in worlds.rules.derived:
                self._told_apart.setdefault(self._island[name], []).append(name)
        for memory in (self._touched, self._products, self._shares, self._with):
            memory.clear()

    def _islands_of(self, factor: Factor) -> frozenset[int]:
        if factor.number not in self._touched:
            self._know(factor.names)
            self._touched[factor.number] = frozenset([self._island[name] for name in factor.names])
        return self._touched[factor.number]

    # --- parts -----------------------------------------------------------------------------------------------

    def _tied(self, parts: Sequence[Part], factor: Factor) -> list[Part]:
        islands = self._islands_of(factor)
        apart = [part for part in parts if islands.isdisjoint(part.islands)]
        tied = [part for part in parts if not islands.isdisjoint(part.islands)]
        together = [one for part in tied for one in part.factors]
        return [*apart, _part(islands.union(*(part.islands for part in tied)), [*together, factor])]

    def _product(self, parts: Sequence[Part]) -> Product:
        values = [self._value(part) for part in parts]
        value = 1.0
        for one in values:
            value *= one
        of_island = {island: i for i, part in enumerate(parts) for island in part.islands}
        key = tuple([part.key for part in parts])
        return Product(tuple(parts), tuple(products_of_others(values)), value, of_island, key)

    def _value(self, part: Part) -> float:
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

    def _of_part(self, part: Part, names: Sequence[str] = ()) -> Shares:
        """A part told apart by the facts of its islands, and by those derived ones that are named."""
        derived = tuple(sorted(name for name in names if name in self.worlds.rules.derived))
        key = (part.key, derived)
        if key not in self._shares:
            told_apart = [name for island in sorted(part.islands) for name in self._told_apart.get(island, ())]
            priors = self._bearing([*told_apart, *derived, *(name for one in part.factors for name in one.names)])
            shares = self.worlds.elimination.shares([*priors, *part.factors])
            self._shares[key] = shares.divided_by(self._whole(priors))
        return self._shares[key]

    def _alone(self, factor: Factor) -> float:
        """E[factor]."""
        key = (factor.number,)
        if key not in self._with:
            product, islands = self._product(()), self._islands_of(factor)
            found = self._over_parts(product, factor, {-1}) if islands else float(factor.values)
            self._with[key] = found
        return self._with[key]

    def _times(self, part: Part, factor: Factor) -> float:
        """E[factors of a part x factor], all of it within the part."""
        key = (part.key, factor.number)
        if key not in self._with:
            share = self._of_part(part, factor.names).over(factor.names)
            if share is None:
                self._with[key] = self._value(_part(part.islands, [*part.factors, factor]))
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
            share = self._of_part(parts[place], mine).over(mine)
            if share is None:
                return self.with_factor(product, factor).value
            sizes = iter(share.shape)
            values = values * share.reshape([next(sizes) if name in mine else 1 for name in factor.names])
        result = float(np.add.reduce(values.reshape(-1)))
        for i, part in enumerate(product.parts):
            result *= 1.0 if i in touched else self._value(part)
        return result


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
