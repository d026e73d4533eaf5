"""The joints that were recorded, each with where it was made and what was known of the fault."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from datetime import datetime, timedelta

from repairadvisor.errors import NotFoundError
from repairadvisor.facts.context import Context
from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.replay import told_again
from repairadvisor.store.outcomes import Outcomes
from repairadvisor.store.records import Records

#: The facts of the last so many advices are held ready: the joints of one job come one after the other.
_HELD_READY = 200
#: How far back charts begin unless somebody says otherwise.
USUALLY_BACK = timedelta(days=365)


def made_joints(records: Records, since: datetime | None = None) -> Iterator[Made]:
    """Every recorded attempt made since a moment (aware), in the order of the work, a few at a time."""
    facts = _Facts(records)
    for kept in Outcomes(records.engine).attempts(since):
        yield Made(kept.as_reported(), kept.plan, facts.of(kept.advice_id))


class _Facts:
    def __init__(self, records: Records) -> None:
        self._records = records
        self._known: OrderedDict[str, Context | None] = OrderedDict()

    def of(self, advice_id: str) -> Context | None:
        """What an advice was asked about; None where it is kept no more."""
        if advice_id not in self._known:
            if len(self._known) >= _HELD_READY:
                self._known.popitem(last=False)
            self._known[advice_id] = self._read(advice_id)
        return self._known[advice_id]

    def _read(self, advice_id: str) -> Context | None:
        try:
            return told_again(self._records.get(advice_id))[0]
        except NotFoundError:
            return None
