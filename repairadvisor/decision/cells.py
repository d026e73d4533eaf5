"""Each fact's range cut into cells between which no rule and no prior changes.

A word fact has a cell for each word; a number has half-open cells between its cuts, the last one closed. A fact
that may have no meaning has one cell more, the last. A derived fact is cut where a rule compares it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from repairadvisor.facts.context import Context
from repairadvisor.facts.value import NO_MEANING, Possible
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Condition, IsOneOf, comparisons
from repairadvisor.policy.model import Derived, Policy, Term

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Axis:
    """The cells of one fact. ``cuts`` are the inner boundaries of a number, rising."""

    name: str
    words: tuple[str, ...]
    cuts: tuple[float, ...]
    low: float
    high: float
    may_lack: bool
    whole: bool = False
    #: How many cells mean something; the cell of that index is "has no meaning", where there is one.
    meant: int = field(init=False, compare=False)
    #: The cell of each word.
    of_word: Mapping[str, int] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "meant", len(self.words) or len(self.cuts) + 1)
        object.__setattr__(self, "of_word", {word: i for i, word in enumerate(self.words)})

    @property
    def size(self) -> int:
        """How many cells there are, the one without meaning included."""
        return self.meant + self.may_lack

    def cell(self, value: float) -> int:
        """The cell of a number."""
        return bisect_right(self.cuts, value)

    def span(self, cell: int) -> Interval:
        """The stretch of numbers of a cell."""
        low = self.cuts[cell - 1] if cell else self.low
        high = self.cuts[cell] if cell < len(self.cuts) else self.high
        return low, high

    def cells_of(self, possible: Possible) -> tuple[int, ...]:
        """The cells that what is possible touches, rising."""
        if not possible.applies:
            return (self.meant,)
        if self.words:
            cells = tuple(self.of_word[word] for word in possible.words)
        elif possible.low == possible.high:
            cells = (bisect_right(self.cuts, possible.low),)
        else:
            cells = tuple(range(bisect_right(self.cuts, possible.low), bisect_right(self.cuts, possible.high) + 1))
        return (*cells, self.meant) if self.may_lack and possible.may_lack else cells

    def sample(self, cell: int) -> str | float | None:
        """A value that stands for a cell: its word, a number in it, or None for "has no meaning"."""
        if cell == self.meant:
            return None
        if self.words:
            return self.words[cell]
        if cell:
            return self.cuts[cell - 1]
        # Only a sum can be cut below all that it can be; below the range of a fact no number may stand for it.
        return self.cuts[0] - 1.0 if self.cuts and self.cuts[0] <= self.low else self.low


def cuts_by_fact(conditions: Sequence[Condition]) -> dict[str, set[float]]:
    """Where conditions cut the facts they compare."""
    cuts: dict[str, set[float]] = {}
    for condition in conditions:
        for one in comparisons(condition):
            if not isinstance(one, IsOneOf):
                cuts.setdefault(one.fact, set()).add(one.value)
    return cuts


def axes_of(policy: Policy, conditions: Sequence[Condition]) -> dict[str, Axis]:
    """The cells of every fact of the vocabulary and of every derived fact, in that order."""
    cuts = cuts_by_fact(conditions)
    axes = {}
    for fact in BY_NAME.values():
        inner = set(cuts.get(fact.name, set()))
        for prior in policy.facts[fact.name].priors.values():
            inner.update(end for low, high, _ in prior.stretches for end in (low, high))
        if fact.whole:
            inner = {float(math.ceil(cut)) for cut in inner}  # no whole number lies between
        kept = tuple(sorted(cut for cut in inner if fact.low < cut <= fact.high)) if fact.is_number else ()
        axes[fact.name] = Axis(fact.name, fact.words, kept, fact.low, fact.high, bool(fact.applies), fact.whole)
    for name, derived in policy.derived.items():
        low, high = derived_interval(derived, None)
        kept = tuple(sorted(cuts.get(name, set())))
        lead = BY_NAME[derived.terms[0].fact]
        axes[name] = Axis(name, (), kept, low, high, may_lack=bool(lead.applies))
    return axes


def possible_of_derived(derived: Derived, context: Context) -> Possible:
    """What a derived fact may be. It has a meaning where the fact of its first term has one."""
    lead = context.possible[derived.terms[0].fact]
    if not lead.applies:
        return NO_MEANING
    low, high = derived_interval(derived, context)
    return Possible((), low, high, applies=True, may_lack=lead.may_lack)


def derived_interval(derived: Derived, context: Context | None) -> Interval:
    """Between what a derived fact can lie, given what is possible of its parents (None: anything)."""
    low = high = derived.constant
    for term in derived.terms:
        term_low, term_high = _term_interval(term, context)
        low += term_low
        high += term_high
    return low, high


def _term_interval(term: Term, context: Context | None) -> Interval:
    fact = BY_NAME[term.fact]
    if context is None:
        ends = [term.times * fact.low, term.times * fact.high, 0.0]
        return min(ends), max(ends)
    if term.if_unknown is not None and term.fact not in context.held:
        return term.times * term.if_unknown, term.times * term.if_unknown
    possible = context.possible[term.fact]
    counts, may_not = _counts(term, context.possible)
    if not counts:
        return 0.0, 0.0
    ends = [term.times * possible.low, term.times * possible.high]
    if may_not:
        ends.append(0.0)
    return min(ends), max(ends)


def _counts(term: Term, possible: Mapping[str, Possible]) -> tuple[bool, bool]:
    """Whether a term may count, and whether it may not."""
    mine = possible[term.fact]
    if not mine.applies:
        return False, True
    may_not = mine.may_lack
    if term.where is not None:
        fact, words = term.where
        other = possible[fact]
        inside = [word for word in other.words if word in words]
        if not inside:
            return False, True
        may_not = may_not or other.may_lack or len(inside) < len(other.words)
    return True, may_not
