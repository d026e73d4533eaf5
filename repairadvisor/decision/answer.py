"""What the method found, and what every part of the document is told of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from repairadvisor.decision.advice import Check, Loss
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.decision.questions import Asked
from repairadvisor.decision.ranges import AtEnd
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Judged, Situation
from repairadvisor.decision.slots import Later
from repairadvisor.decision.turning import Turn
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.policy.model import Policy
from repairadvisor.policy.plan import Plan


@dataclass(frozen=True, slots=True)
class Answer:
    """What the method found: the action and what it rests on.

    ``order`` are the plans that may be used, the chosen one first; ``later`` the start that is waited for, ``hoped``
    the plan that an event without an hour would permit; ``decisive`` the screens, by index, that decide where nothing
    may be used; ``questions`` the facts to ask for; ``may_win`` the other plans that may win once more is known;
    ``turns`` what would turn it (None: nobody asked), ``at_ends`` at which ends of ranges it turns (None: likewise);
    ``issued_plan`` the plan given before.
    """

    situation: Situation
    action: str
    order: tuple[Judged, ...] = ()
    later: Later | None = None
    hoped: Judged | None = None
    decisive: tuple[int, ...] = ()
    questions: tuple[Asked, ...] = ()
    may_win: tuple[Judged, ...] = ()
    continuity_only: bool = False
    turns: tuple[Turn, ...] | None = None
    at_ends: tuple[AtEnd, ...] | None = None
    issued_plan: str = ""

    @property
    def chosen(self) -> Judged | None:
        """The plan that is advised now, if any."""
        return self.order[0] if self.action == "repair" else None

    @property
    def ahead(self) -> Situation:
        """The situation in which the plan is carried out: now, or at the start that is waited for."""
        return self.later.situation if self.later is not None else self.situation

    @property
    def prepared(self) -> Judged | None:
        """The plan to prepare for: the one advised now, or the one after the wait."""
        return self.chosen or (self.later.best if self.later is not None else self.hoped)


@dataclass(slots=True)
class Told:
    """What the parts of a document share: the answer, the words, and what has been worked out of it so far.

    ``asked_with`` is the context as it was given, before it was moved to the start of work.
    """

    answer: Answer
    words: Words
    asked_with: Context
    loss: Loss | None = None
    checks: tuple[Check, ...] = ()

    @property
    def situation(self) -> Situation:
        """The situation as it stands now."""
        return self.answer.situation

    @property
    def rules(self) -> Rules:
        """The compiled policy."""
        return self.answer.situation.rules

    @property
    def policy(self) -> Policy:
        """The policy."""
        return self.rules.policy

    @property
    def context(self) -> Context:
        """What is known now."""
        return self.answer.situation.context

    @property
    def plan(self) -> Plan | None:
        """The plan that is advised or prepared for."""
        return None if self.answer.prepared is None else self.answer.prepared.plan

    @property
    def fibres(self) -> float | None:
        """How many fibres the plan joins, where that is known."""
        if self.plan is None:
            return None
        state = self.context.state(fibres_fact(self.plan))
        return state.value if isinstance(state, Known) and isinstance(state.value, float) else None

    @property
    def currency(self) -> str:
        """The name of the policy's currency unit."""
        return self.words.say("cost", "currency")


def moment_text(moment: datetime) -> str:
    """A moment as ISO 8601 text."""
    return moment.isoformat().replace("+00:00", "Z")
