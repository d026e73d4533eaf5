"""What may not be done: every screen is clear, barred or open for what is known, exactly and by look-up.

Permission is fail-closed. A screen is barred or clear only if it is so in every world compatible with what is
known; otherwise it is open, and names the facts that can still change it.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from repairadvisor.decision.cells import Axis, possible_of_derived
from repairadvisor.decision.implicants import Box, Grouped, compile_rule, is_possible
from repairadvisor.facts.context import Context
from repairadvisor.policy.condition import Condition, facts_of, holds
from repairadvisor.policy.model import Derived

BARRED, CLEAR, OPEN = "barred", "clear", "open"


@dataclass(frozen=True, slots=True)
class CompiledRules:
    """Conditions compiled to bits: bit i of ``masks[fact][cell]`` says that implicant i permits the cell.

    ``facts[r]`` are those condition r itself speaks of, ``holds_bits[r]`` the implicants under which it surely holds,
    ``fails_bits[r]`` those under which it surely does not.
    """

    conditions: tuple[Condition, ...]
    facts: tuple[tuple[str, ...], ...]
    groups: tuple[Grouped, ...]
    axes: Mapping[str, Axis]
    derived: Mapping[str, Derived]
    masks: Mapping[str, tuple[int, ...]]
    every: int
    holds_bits: tuple[int, ...]
    fails_bits: tuple[int, ...]
    #: Tables over facts' cells, by everything they depend on: a memory, emptied when it grows too large.
    tables: dict[tuple[object, ...], NDArray[np.float64]] = field(default_factory=dict, compare=False, repr=False)


def compile_rules(
    named: Sequence[tuple[str, Condition]], axes: Mapping[str, Axis], derived: Mapping[str, Derived]
) -> CompiledRules:
    """Compile named conditions together, so that one pass over the facts answers all of them."""
    boxes: list[tuple[Grouped, Box]] = []
    groups, holds_bits, fails_bits = [], [], []
    for where, condition in named:
        group, bars, clear = compile_rule(where, condition, axes)
        groups.append(group)
        holds_bits.append(_bits(len(boxes), len(bars)))
        boxes += [(group, box) for box in bars]
        fails_bits.append(_bits(len(boxes), len(clear)))
        boxes += [(group, box) for box in clear]
    masks = _masks(boxes, axes)
    every = (1 << len(boxes)) - 1
    return CompiledRules(
        tuple(condition for _, condition in named),
        tuple(facts_of(condition) for _, condition in named),
        tuple(groups),
        axes,
        derived,
        masks,
        every,
        tuple(holds_bits),
        tuple(fails_bits),
    )


def _bits(start: int, count: int) -> int:
    return ((1 << count) - 1) << start


def _masks(boxes: Sequence[tuple[Grouped, Box]], axes: Mapping[str, Axis]) -> dict[str, tuple[int, ...]]:
    every = (1 << len(boxes)) - 1
    masks: dict[str, list[int]] = {}
    for i, (group, box) in enumerate(boxes):
        for name, classes, chosen in zip(group.names, group.classes, box, strict=True):
            if len(chosen) == len(classes):
                continue
            cells = masks.setdefault(name, [every] * axes[name].size)
            for k, members in enumerate(classes):
                if k not in chosen:
                    for cell in members:
                        cells[cell] &= ~(1 << i)
    return {name: tuple(masks[name]) for name in axes if name in masks}


def possible_cells(rules: CompiledRules, context: Context, name: str) -> tuple[int, ...]:
    """The cells of a fact or derived fact that what is known leaves open."""
    derived = rules.derived.get(name)
    possible = context.possible[name] if derived is None else possible_of_derived(derived, context)
    return rules.axes[name].cells_of(possible)


def statuses(rules: CompiledRules, context: Context) -> list[str]:
    """For each compiled condition: BARRED where it surely holds, CLEAR where it surely does not, else OPEN."""
    left = rules.every
    for name, masks in rules.masks.items():
        for cell in possible_cells(rules, context, name):
            left &= masks[cell]
    return [
        CLEAR if left & fails else BARRED if left & true else OPEN
        for true, fails in zip(rules.holds_bits, rules.fails_bits, strict=True)
    ]


def open_facts(rules: CompiledRules, context: Context, index: int) -> tuple[str, ...]:
    """The facts that can still change an open condition: for each, two compatible worlds differ in it alone."""
    group = rules.groups[index]
    condition = rules.conditions[index]
    left = [
        [cells for cells in classes if set(cells) & set(possible_cells(rules, context, name))]
        for name, classes in zip(group.names, group.classes, strict=True)
    ]
    truth: dict[tuple[int, ...], bool] = {}
    for world in itertools.product(*(range(len(classes)) for classes in left)):
        values = {
            name: rules.axes[name].sample(left[i][cell][0])
            for i, (name, cell) in enumerate(zip(group.names, world, strict=True))
        }
        if is_possible(group.names, values):
            truth[world] = holds(condition, values)
    found = [name for i, name in enumerate(group.names) if _changes(truth, i)]
    return tuple(found) or tuple(name for i, name in enumerate(group.names) if len(left[i]) > 1)


def _changes(truth: Mapping[tuple[int, ...], bool], i: int) -> bool:
    """Whether two worlds that differ in place ``i`` only have different answers."""
    seen: dict[tuple[int, ...], bool] = {}
    for world, value in truth.items():
        rest = world[:i] + world[i + 1 :]
        if seen.setdefault(rest, value) != value:
            return True
    return False
