"""Facts that others know of a ticket's place or plant: asked all at once, and never waited for past their time."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from datetime import datetime

from repairadvisor.errors import InputError, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import fact_named
from repairadvisor.plugin import Ticket
from repairadvisor.plugin.loading import Facts
from repairadvisor.schemas.request import read_request


def gathered(sources: Sequence[Facts], ticket: Ticket, now: datetime) -> tuple[dict[str, object], list[str]]:
    """Raw facts that the ticket itself does not give, and what was wrong with sources that gave none.

    A source that is slow, down or wrong leaves its facts unknown. What it tells must have a meaning by what the ticket
    says: it may not settle by itself where the fault is. What contradicts the ticket, or a source before it, is left
    out. Raises :class:`InputError` where the ticket's own facts cannot be used.
    """
    _, faults = read_request({"facts": ticket.facts})
    if faults:
        raise InputError(faults)
    place = parse_context(ticket.facts, now)
    asked = [_Asked(one, ticket, now) for one in sources]
    found: dict[str, object] = {}
    problems: list[str] = []
    for one in asked:
        facts, problem = one.answer()
        new = {
            name: report
            for name, report in facts.items()
            if name not in ticket.facts and name not in found and place.has_meaning(fact_named(name).name)
        }
        try:
            parse_context({**ticket.facts, **found, **new}, now)
        except InputError as error:
            problem = f"what it said does not go with the rest: {error}"
        else:
            found |= new
        problems += [f"{one.name}: {problem}"] if problem else []
    return found, problems


class _Asked:
    """One source being asked, in a thread that nobody waits for longer than agreed."""

    def __init__(self, asked: Facts, ticket: Ticket, now: datetime) -> None:
        self.name = asked.name
        self._until = time.monotonic() + asked.budget_s
        self._facts: Mapping[str, object] = {}
        self._problem = f"no answer within {asked.budget_s:g} s"
        self._thread = threading.Thread(target=self._ask, args=(asked, ticket, now), daemon=True)
        self._thread.start()

    def _ask(self, asked: Facts, ticket: Ticket, now: datetime) -> None:
        try:
            facts = dict(asked.source.facts(ticket, now))
            parse_context(facts, now)
        except (RemoteUnavailableError, RemoteRefusedError) as error:
            self._problem = str(error)
        except InputError as error:
            self._problem = f"what it said cannot be used: {error}"
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            self._problem = f"{type(error).__name__}: {error}"
        else:
            self._facts, self._problem = facts, ""

    def answer(self) -> tuple[Mapping[str, object], str]:
        self._thread.join(max(0.0, self._until - time.monotonic()))
        if self._thread.is_alive():
            return {}, self._problem
        return self._facts, self._problem
