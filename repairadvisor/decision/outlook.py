"""What plans are expected to cost once one more thing is known.

Everything here is *joint*: the expected cost in those worlds in which a fact lies in a cell, so that cells add up to
the whole. Standing off and doing the work that is owed on another day is one of the choices. What a second visit and
one more attempt cost, and which plan stays owed, are those of the context as it stands, also where an answer would
move them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from repairadvisor.decision.elimination import Factor, Values
from repairadvisor.decision.expectation import Given
from repairadvisor.decision.situation import Judged
from repairadvisor.decision.sums import Term
from repairadvisor.decision.weighing import Weighing

#: Chances that are one on paper may lack a few last bits.
_CERTAIN = 1.0 - 1e-9
#: The choice of leaving it for another day, among plans by their index.
STANDING_OFF = -1


class Outlook:
    """Several plans and standing off, under what is known and ``assumed`` besides: cells of facts, as factors.

    ``closing`` are, by a plan's index, those of its open screens that cannot be checked on the spot: it may be chosen
    only where they are certain to be clear, and costs infinitely much elsewhere.
    """

    def __init__(
        self,
        weighing: Weighing,
        plans: Sequence[Judged],
        assumed: Sequence[Factor] = (),
        closing: Mapping[int, Sequence[int]] | None = None,
    ) -> None:
        self.weighing = weighing
        self.closing = closing or {}
        self.plans = tuple(plans)
        self.assumed = tuple(assumed)
        sums = weighing.costs.sums
        self.known = sums.priced.product(self.assumed)
        #: How likely what is assumed is.
        self.mass = self.known.value
        self._priced: dict[tuple[tuple[str, ...], ...], tuple[float, Given]] = {}
        self._rows = {one.index: self._row(one) for one in self.plans}
        away = (weighing.owed, weighing.costs.stand_off_terms())
        self._rows[STANDING_OFF] = _Row(self, away, [], [], (), (), 0.0)
        self._given: dict[str, dict[int, Values]] = {}
        self._assuming: dict[tuple[str, int], Outlook] = {}

    def costs(self) -> dict[int, float]:
        """What each choice is expected to cost, by the plan's index."""
        return {index: row.whole() for index, row in self._rows.items()}

    def given(self, fact: str) -> dict[int, Values]:
        """The same with a fact that varies at each of its cells."""
        if fact not in self._given:
            self._given[fact] = {index: row.at(fact) for index, row in self._rows.items()}
        return self._given[fact]

    def chances(self, fact: str) -> Values:
        """How likely each cell of a fact is, together with what is assumed."""
        return self.weighing.costs.sums.priced.held(self.known, fact)

    def clear(self, fact: str) -> dict[int, Values]:
        """How likely it is that nothing bars a choice, with a fact at each of its cells, by the plan's index."""
        return {index: row.clear_at(fact) for index, row in self._rows.items()}

    def least(self) -> float:
        """What the best choice costs."""
        return min(self.costs().values())

    def least_given(self, fact: str) -> Values:
        """What the best choice costs with a fact at each of its cells."""
        least: Values = np.minimum.reduce(np.array(list(self.given(fact).values())), axis=0)
        return least

    def assuming(self, fact: str, cell: int) -> Outlook:
        """The outlook when a fact lies in one of its cells, counted from the first that is left; made once."""
        if (fact, cell) not in self._assuming:
            worlds = self.weighing.costs.worlds
            alone = np.zeros(len(worlds.cells(fact)))
            alone[cell] = 1.0
            assumed = (*self.assumed, worlds.elimination.factor((fact,), alone))
            self._assuming[fact, cell] = Outlook(self.weighing, self.plans, assumed, self.closing)
        return self._assuming[fact, cell]

    def at_each(self, fact: str) -> list[Outlook]:
        """The outlook with a fact in each of the cells in which it can lie."""
        return [self.assuming(fact, cell) for cell, chance in enumerate(self.chances(fact)) if chance > 0.0]

    def priced(self, terms: Sequence[Term]) -> tuple[float, Given]:
        """The settled part of terms, and the rest for any fact; choices share most of theirs."""
        key = tuple([term.key for term in terms])
        if key not in self._priced:
            sums = self.weighing.costs.sums
            constant, groups = sums.split(terms)
            self._priced[key] = constant, sums.priced.given(self.known, groups)
        return self._priced[key]

    def _row(self, one: Judged) -> _Row:
        always, only, saved = self.weighing.always_and_if_clear(one.plan)
        screens = tuple(factor for part in self.weighing.clear[one.plan.id].parts for factor in part.factors)
        closing = tuple(self.weighing.costs.sums.screen(i) for i in self.closing.get(one.index, ()))
        return _Row(self, always, only, saved, screens, closing, one.later)


class _Row:
    """One choice: what is paid always, and what where nothing bars it."""

    def __init__(
        self,
        outlook: Outlook,
        always: Sequence[Sequence[Term]],
        only: Sequence[Term],
        saved: Sequence[Term],
        screens: tuple[Factor, ...],
        closing: tuple[Factor, ...],
        later: float,
    ) -> None:
        sums = outlook.weighing.costs.sums
        self._priced, self._screened = sums.priced, sums.screened
        self._known = outlook.known
        self._always = 0.0 if screens else later
        self._of_always: list[Given] = []
        for terms in always:
            constant, given = outlook.priced(terms)
            self._always += constant
            self._of_always.append(given)
        self._clear = sums.screened.product((*screens, *outlook.assumed)) if screens else None
        self._closing = sums.screened.product((*closing, *outlook.assumed)) if closing else None
        self._if_clear, self._of_clear = 0.0, None
        if self._clear is not None:
            self._if_clear, groups = sums.signed(only, saved)
            self._if_clear += later  # owed by what has been carried out; else the whole work is owed already
            self._of_clear = sums.screened.given(self._clear, groups)

    def whole(self) -> float:
        """The expected cost; infinite where it is not certain that it may be chosen."""
        if self._closing is not None and self._closing.value < self._known.value * _CERTAIN:
            return math.inf
        total = self._always * self._known.value + sum([given.total for given in self._of_always])
        if self._clear is not None and self._of_clear is not None:
            total += self._if_clear * self._clear.value + self._of_clear.total
        return total

    def at(self, fact: str) -> Values:
        """The expected cost with a fact at each of its cells."""
        total = self._always * self._priced.held(self._known, fact)
        for given in self._of_always:
            total = total + given.at(fact)
        if self._clear is not None and self._of_clear is not None:
            total = total + self._if_clear * self._screened.held(self._clear, fact) + self._of_clear.at(fact)
        if self._closing is None:
            return total
        certain = self._screened.held(self._closing, fact) >= self._priced.held(self._known, fact) * _CERTAIN
        permitted: Values = np.where(certain, total, np.inf)
        return permitted

    def clear_at(self, fact: str) -> Values:
        """How likely it is that nothing bars it, with a fact at each of its cells."""
        if self._clear is None:
            return self._priced.held(self._known, fact)
        return self._screened.held(self._clear, fact)
