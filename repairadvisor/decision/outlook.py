"""What plans are expected to cost once one more thing is known.

Everything here is *joint*: the expected cost in those worlds in which a fact lies in a cell, so that cells add up to
the whole. Standing off and doing the work that is owed on another day is one of the choices. What a second visit and
one more attempt cost, and which plan stays owed, are those of the context as it stands, also where an answer would
move them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from repairadvisor.decision.elimination import Factor, Values
from repairadvisor.decision.expectation import Given
from repairadvisor.decision.situation import Judged
from repairadvisor.decision.sums import Term
from repairadvisor.decision.weighing import Weighing

#: The choice of leaving it for another day, among plans by their index.
STANDING_OFF = -1


class Outlook:
    """Several plans and standing off, under what is known and ``assumed`` besides: cells of facts, as factors."""

    def __init__(self, weighing: Weighing, plans: Sequence[Judged], assumed: Sequence[Factor] = ()) -> None:
        self.weighing = weighing
        self.plans = tuple(plans)
        self.assumed = tuple(assumed)
        sums = weighing.costs.sums
        self.known = sums.priced.product(self.assumed)
        #: How likely what is assumed is.
        self.mass = self.known.value
        self._priced: dict[tuple[tuple[str, ...], ...], tuple[float, Given]] = {}
        self._rows = {one.index: self._row(one) for one in self.plans}
        away = (weighing.owed, weighing.costs.stand_off_terms())
        self._rows[STANDING_OFF] = _Row(self, away, [], [], (), 0.0)
        self._given: dict[str, dict[int, Values]] = {}

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
        """The outlook when a fact lies in one of its cells, counted from the first that is left."""
        worlds = self.weighing.costs.worlds
        alone = np.zeros(len(worlds.cells(fact)))
        alone[cell] = 1.0
        return Outlook(self.weighing, self.plans, (*self.assumed, worlds.elimination.factor((fact,), alone)))

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
        return _Row(self, always, only, saved, screens, one.later)


class _Row:
    """One choice: what is paid always, and what where nothing bars it."""

    def __init__(
        self,
        outlook: Outlook,
        always: Sequence[Sequence[Term]],
        only: Sequence[Term],
        saved: Sequence[Term],
        screens: tuple[Factor, ...],
        later: float,
    ) -> None:
        sums = outlook.weighing.costs.sums
        self._priced, self._screened = sums.priced, sums.screened
        self._known = outlook.known
        self._always = later
        self._of_always: list[Given] = []
        for terms in always:
            constant, given = outlook.priced(terms)
            self._always += constant
            self._of_always.append(given)
        self._clear = sums.screened.product((*screens, *outlook.assumed)) if screens else None
        self._if_clear, self._of_clear = 0.0, None
        if self._clear is not None:
            self._if_clear, groups = sums.signed(only, saved)
            self._of_clear = sums.screened.given(self._clear, groups)

    def whole(self) -> float:
        """The expected cost."""
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
        return total

    def clear_at(self, fact: str) -> Values:
        """How likely it is that nothing bars it, with a fact at each of its cells."""
        if self._clear is None:
            return self._priced.held(self._known, fact)
        return self._screened.held(self._clear, fact)
