"""Expectations over the worlds that are possible, and the same for each answer that one more fact could get.

Facts that have nothing to do with each other, given what is known, form *islands*: an expectation is summed out island
by island, and what belongs to another island is a number beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from repairadvisor.decision.elimination import Factor, Values
from repairadvisor.decision.worlds import Worlds


@dataclass(frozen=True, slots=True)
class Part:
    """Factors that are tied to each other, with the islands in which they stand, and what tells them from others."""

    islands: frozenset[int]
    factors: tuple[Factor, ...]
    key: tuple[int, ...]


def _part(islands: frozenset[int], factors: Iterable[Factor]) -> Part:
    ordered = tuple(sorted(factors, key=lambda one: one.number))
    return Part(islands, ordered, tuple(factor.number for factor in ordered))


class Expectation:
    """Expectations of products of factors. ``together`` are facts that the factors tie to each other, rule by rule."""

    def __init__(self, worlds: Worlds, together: Iterable[Sequence[str]]) -> None:
        self.worlds = worlds
        self._together = [tuple(names) for names in together]
        self._names: dict[str, None] = dict.fromkeys(name for names in self._together for name in names)
        self._island: dict[str, int] = {}
        self._told_apart: dict[int, list[str]] = {}
        self._bearing: dict[tuple[str, ...], tuple[Factor, ...]] = {}
        self._wholes: dict[tuple[int, ...], float] = {}
        self._parts: dict[tuple[int, ...], tuple[Part, ...]] = {}
        self._values: dict[tuple[int, ...], float] = {}
        self._margins: dict[tuple[int, ...], dict[str, Values]] = {}
        self._chances: dict[str, Values] = {}
        self._found: tuple[str, ...] = ()
        self._settle_islands()

    def expect(self, factors: Sequence[Factor]) -> float:
        """E[product of ``factors``]."""
        return self.expect_parts(self.parts(factors))

    def expect_parts(self, parts: Iterable[Part]) -> float:
        """E[product of the factors of ``parts``]."""
        result = 1.0
        for part in parts:
            result *= self._value(part)
        return result

    def given(self, parts: Sequence[Part]) -> dict[str, Values]:
        """E[product of the factors of ``parts``; fact in its cell] for every fact that stands in an island of theirs;
        for any other fact it is the chance of the cell times :meth:`expect_parts`."""
        values = [self._value(part) for part in parts]
        found: dict[str, Values] = {}
        for i, part in enumerate(parts):
            others = 1.0
            for k, value in enumerate(values):
                if k != i:
                    others *= value
            for name, margin in self._margin(part).items():
                found[name] = margin * others
        return found

    def parts(self, factors: Sequence[Factor]) -> tuple[Part, ...]:
        """The factors put together by what ties them. Rules that speak of the facts of one island each, as those do
        that were named when this was made, are put together once and remembered."""
        key = tuple(factor.number for factor in factors)
        if key not in self._parts:
            found: tuple[Part, ...] = ()
            for factor in factors:
                found = self.parts_with(found, factor)
            self._parts[key] = found
        return self._parts[key]

    def parts_with(self, parts: Sequence[Part], factor: Factor) -> tuple[Part, ...]:
        """``parts`` with one factor more, which may tie some of them together."""
        self._know(factor.names)
        islands = {self._island[name] for name in factor.names}
        apart = [part for part in parts if islands.isdisjoint(part.islands)]
        if len(apart) == len(parts):
            return (*apart, Part(frozenset(islands), (factor,), (factor.number,)))
        tied = [part for part in parts if not islands.isdisjoint(part.islands)]
        together = [one for part in tied for one in part.factors]
        return (*apart, _part(frozenset(islands.union(*(part.islands for part in tied))), [*together, factor]))

    def chances(self, name: str) -> Values:
        """The chance of each cell of a fact that varies."""
        if name not in self._chances:
            priors = self._priors((name,))
            self._chances[name] = self.worlds.elimination.margins(priors)[name] / self._whole(priors)
        return self._chances[name]

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
        self._island = _numbered_parts(groups)
        self._told_apart = {}
        for name in found:
            if name in self._island and name not in worlds.rules.derived:
                self._told_apart.setdefault(self._island[name], []).append(name)
        self._parts.clear()
        self._margins.clear()

    def _priors(self, names: Iterable[str]) -> tuple[Factor, ...]:
        """The priors that bear on ``names``; what only hangs on them sums to one and is left out."""
        key = tuple(sorted(set(names)))
        if key not in self._bearing:
            self._bearing[key] = tuple(self.worlds.factor(name) for name in self.worlds.bearing_on(key))
        return self._bearing[key]

    def _whole(self, priors: tuple[Factor, ...]) -> float:
        """What was seen has a chance of its own; everything is conditioned on it."""
        key = tuple(factor.number for factor in priors)
        if key not in self._wholes:
            self._wholes[key] = self.worlds.elimination.total(priors)
        return self._wholes[key]

    def _value(self, part: Part) -> float:
        if part.key not in self._values:
            priors = self._priors(name for factor in part.factors for name in factor.names)
            total = self.worlds.elimination.total([*priors, *part.factors])
            self._values[part.key] = total / self._whole(priors)
        return self._values[part.key]

    def _margin(self, part: Part) -> dict[str, Values]:
        key = (*sorted(part.islands), -1, *part.key)
        if key not in self._margins:
            told_apart = [name for island in sorted(part.islands) for name in self._told_apart.get(island, ())]
            priors = self._priors([*told_apart, *(name for factor in part.factors for name in factor.names)])
            whole = self._whole(priors)
            margins = self.worlds.elimination.margins([*priors, *part.factors])
            self._margins[key] = {name: margin / whole for name, margin in margins.items()}
        return self._margins[key]


def _numbered_parts(groups: Iterable[Sequence[str]]) -> dict[str, int]:
    """Which part each name belongs to, where the names of a group belong together; parts are numbered as found."""
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
