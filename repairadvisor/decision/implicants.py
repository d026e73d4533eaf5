"""A rule as all its prime implicants over cells: exact under partial knowledge by one look-up and AND a fact.

What is known of a fault is a product of cell sets. Such a product lies inside a rule if and only if it lies
inside one of the rule's prime implicants (the largest products that lie inside it). Worlds that cannot be
(a gas test at a pole) are let into every rule beforehand, so that they never stand in the way.

Source of the idea: prime implicants of multiple-valued functions, as switching theory has them (from memory);
tests compare it with enumeration of every world.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.cells import Axis
from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.policy.condition import Condition, comparisons, facts_of, holds

#: A product of sets: for each variable, the classes it permits.
Box = tuple[tuple[int, ...], ...]
MOST_WORLDS = 200_000


@dataclass(frozen=True, slots=True)
class Grouped:
    """The facts a rule speaks of and those that give them meaning, their cells grouped into classes that the
    rule cannot tell apart."""

    names: tuple[str, ...]
    classes: tuple[tuple[tuple[int, ...], ...], ...]


def family(names: Sequence[str]) -> tuple[str, ...]:
    """The facts named and every fact that gives them meaning or narrows their words, each once."""
    found = dict.fromkeys(names)
    work = list(names)
    while work:
        fact = BY_NAME.get(work.pop(0))
        if fact is None:
            continue
        parents = [parent for parent, _ in fact.applies] + ([fact.within[0]] if fact.within else [])
        work.extend(parent for parent in parents if parent not in found)
        found.update(dict.fromkeys(parents))
    return tuple(found)


def grouped(condition: Condition, axes: Mapping[str, Axis]) -> Grouped:
    """Group the cells of every fact of a rule's family by what the rule can tell of them."""
    names = family(facts_of(condition))
    return Grouped(names, tuple(_classes(name, names, condition, axes[name]) for name in names))


def _classes(name: str, names: Sequence[str], condition: Condition, axis: Axis) -> tuple[tuple[int, ...], ...]:
    tests = [one for one in comparisons(condition) if one.fact == name]
    children = [BY_NAME[one] for one in names if one in BY_NAME]
    groups: dict[tuple[object, ...], list[int]] = {}
    for cell in range(axis.size):
        value = axis.sample(cell)
        mark: list[object] = [value is None, *(holds(one, {name: value}) for one in tests)]
        if value is not None and axis.words:
            mark += [value in words for child in children for parent, words in child.applies if parent == name]
            mark += [
                child.within[1].get(str(value), child.words)
                for child in children
                if child.within is not None and child.within[0] == name
            ]
            mark += _within_marks(BY_NAME[name], str(value)) if name in BY_NAME else []
        groups.setdefault(tuple(mark), []).append(cell)
    return tuple(tuple(cells) for cells in groups.values())


def _within_marks(fact: Fact, word: str) -> list[object]:
    return [] if fact.within is None else [word in words for words in fact.within[1].values()]


def is_possible(names: Sequence[str], values: Mapping[str, str | float | None]) -> bool:
    """Whether a world gives meaning to exactly the facts that have one, and no word rules another out."""
    for name in names:
        fact = BY_NAME.get(name)
        if fact is None:
            continue
        meant = all(values[parent] in words for parent, words in fact.applies)
        if meant != (values[name] is not None):
            return False
        if fact.within is not None and values[name] is not None:
            parent, table = fact.within
            if values[parent] is not None and values[name] not in table.get(str(values[parent]), fact.words):
                return False
    return True


@functools.cache
def _primes_of(worlds: frozenset[tuple[int, ...]], sizes: tuple[int, ...]) -> tuple[Box, ...]:
    return tuple(primes(worlds, sizes))


def compile_rule(where: str, condition: Condition, axes: Mapping[str, Axis]) -> tuple[Grouped, list[Box], list[Box]]:
    """The rule's grouping, the prime implicants of "bars or cannot be", and those of "clear or cannot be"."""
    names = family(facts_of(condition))
    group, bars, clear = _compiled(condition, tuple([axes[name] for name in names]))
    if bars is None or clear is None:
        count = math.prod(len(classes) for classes in group.classes)
        raise PolicyError(where, f"is too entangled: {count} combinations", f"at most {MOST_WORLDS}")
    return group, list(bars), list(clear)


@functools.lru_cache(maxsize=4_096)
def _compiled(
    condition: Condition, axes: tuple[Axis, ...]
) -> tuple[Grouped, tuple[Box, ...] | None, tuple[Box, ...] | None]:
    """The same, None in the place of what would take too long. Remembered, since a policy and one that differs from it
    in a few rules share all others."""
    by_name = {axis.name: axis for axis in axes}
    group = grouped(condition, by_name)
    if math.prod(len(classes) for classes in group.classes) > MOST_WORLDS:
        return group, None, None
    bars, clear = set(), set()
    samples = [
        [by_name[name].sample(cells[0]) for cells in classes]
        for name, classes in zip(group.names, group.classes, strict=True)
    ]
    for world in itertools.product(*(range(len(classes)) for classes in group.classes)):
        values = {name: samples[i][cell] for i, (name, cell) in enumerate(zip(group.names, world, strict=True))}
        possible = is_possible(group.names, values)
        truth = possible and holds(condition, values)
        if truth or not possible:
            bars.add(world)
        if not truth:
            clear.add(world)
    sizes = tuple(len(classes) for classes in group.classes)
    return group, _primes_of(frozenset(bars), sizes), _primes_of(frozenset(clear), sizes)


def primes(worlds: frozenset[tuple[int, ...]], sizes: Sequence[int]) -> list[Box]:
    """Every largest product of class sets that lies inside ``worlds``, in a fixed order.

    For each set A of classes of the first fact: the largest products of the rest that lie in all of A's slices;
    one of them is prime together with A if and only if no further class could be added to A.
    """
    return _primes(worlds, tuple(sizes), {})


def _primes(
    worlds: frozenset[tuple[int, ...]],
    sizes: tuple[int, ...],
    seen: dict[frozenset[tuple[int, ...]], list[Box]],
) -> list[Box]:
    if not sizes:
        return [()] if worlds else []
    if worlds in seen:
        return seen[worlds]
    slices = [frozenset(world[1:] for world in worlds if world[0] == i) for i in range(sizes[0])]
    found: list[Box] = []
    inner: dict[frozenset[tuple[int, ...]], list[Box]] = {}
    for count in range(sizes[0], 0, -1):
        for chosen in itertools.combinations(range(sizes[0]), count):
            common = slices[chosen[0]]
            for i in chosen[1:]:
                common &= slices[i]
            if not common:
                continue
            for box in _primes(common, sizes[1:], inner):
                others = (i for i in range(sizes[0]) if i not in chosen)
                if not any(_inside(box, slices[i]) for i in others):
                    found.append((chosen, *box))
    seen[worlds] = found
    return found


def _inside(box: Box, worlds: frozenset[tuple[int, ...]]) -> bool:
    return all(world in worlds for world in itertools.product(*box))
