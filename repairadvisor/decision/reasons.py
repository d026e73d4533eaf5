"""The sentences: what the plan is called, why this plan, why not that one. Words come from the policy's wording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.advice import PlanWords
from repairadvisor.errors import PolicyError
from repairadvisor.facts.context import Held
from repairadvisor.facts.value import Between, Known, OneOf
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.plan import DIMENSIONS, PartialPlan, Plan


@dataclass(frozen=True, slots=True)
class Words:
    """The policy's wording, looked up by path."""

    wording: Mapping[str, object]

    def say(self, *path: str, **fields: object) -> str:
        """The sentence at a path with its fields filled in. Raises PolicyError for a path that is not there."""
        found: object = self.wording
        for key in path:
            if not isinstance(found, Mapping) or key not in found:
                raise PolicyError(f"wording: {'.'.join(path)}", "is missing")
            found = found[key]
        try:
            return str(found).format(**fields) if fields else str(found)
        except (KeyError, IndexError, ValueError) as error:
            raise PolicyError(f"wording: {'.'.join(path)}", f"cannot be filled in: {error}") from error

    def listed_at(self, *path: str) -> tuple[str, ...]:
        """The list of sentences at a path. Raises PolicyError for a path that is not there, or holds none."""
        found: object = self.wording
        for key in path:
            found = found.get(key) if isinstance(found, Mapping) else None
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            raise PolicyError(f"wording: {'.'.join(path)}", "is no list of sentences")
        return tuple(found)

    def table(self, *path: str) -> Mapping[str, object]:
        """The table of words at a path. Raises PolicyError for a path that is not there, or is none."""
        found: object = self.wording
        for key in path:
            found = found.get(key) if isinstance(found, Mapping) else None
        if not isinstance(found, Mapping):
            raise PolicyError(f"wording: {'.'.join(path)}", "is no table of words")
        return found

    def plan(self, plan: Plan) -> PlanWords:
        """A plan as its words and a phrase."""
        phrase = self.say(
            "plan",
            "phrase",
            work_noun=self.say("work_noun", plan.method, plan.layout),
            place_of_work=self.say("place_of_work", plan.position, plan.shelter),
            reach=self.say("reach", plan.position, plan.access),
            stage_noun=self.say("stage_noun", plan.stage),
        )
        return PlanWords(plan.method, plan.layout, plan.position, plan.access, plan.shelter, plan.stage, phrase)

    def work(self, plan: Plan, fibres: str) -> dict[str, str]:
        """The pieces of the sentence that says what to do."""
        return {
            "work": self.say("work_verb", plan.method, plan.layout, fibres=fibres),
            "place_of_work": self.say("place_of_work", plan.position, plan.shelter),
            "reach": self.say("reach", plan.position, plan.access),
            "stage": self.say("stage_said", plan.stage),
        }

    def partial(self, partial: PartialPlan) -> str:
        """Part of a plan in words; every plan where nothing is judged."""
        pieces = [
            self.listed([self.say("plan_word", dimension, word) for word in partial[dimension]], self.say("fact", "or"))
            for dimension in DIMENSIONS
            if dimension in partial
        ]
        return "; ".join(pieces) if pieces else self.say("plan", "every")

    def listed(self, texts: Sequence[str], last: str = "") -> str:
        """Texts as a list a person reads aloud."""
        if len(texts) < 2:
            return "".join(texts)
        separator = self.say("plan", "list_separator")
        return separator.join(texts[:-1]) + (last or self.say("plan", "list_last")) + texts[-1]

    def counted(self, noun: str, number: float | None) -> str:
        """A number with its noun: one fibre, 12 fibres, the broken fibres."""
        plural = "fibres" if noun == "fibre" else f"{noun}s"
        if number is None:
            return self.say("count", f"{plural}_unknown")
        return self.say("count", f"{noun}_one") if number == 1 else self.say("count", plural, n=f"{number:g}")

    def unit(self, unit: str) -> str:
        """A unit as it is shown: as it is written, where no word of a language stands in it."""
        return self._named("unit_shown", unit) or unit

    def figure(self, name: str) -> str:
        """What a number, price or time of the policy is called: its name as words, where it has no other."""
        return self._named("figure_name", name) or name.replace("_", " ").replace("-", " ")

    def _named(self, table: str, name: str) -> str:
        names = self.wording.get(table, {})
        return str(names.get(name, "")) if isinstance(names, Mapping) else ""

    def fact(self, name: str) -> str:
        """A fact's name in plain words; a derived fact's own meaning is passed through by the caller."""
        return self.say("fact_name", name)

    def value(self, name: str, held: Held) -> tuple[str, str]:
        """What is held of a fact, as text and unit."""
        fact, state = BY_NAME[name], held.state
        if isinstance(state, Known):
            if isinstance(state.value, str):
                return self.say("word", name, state.value), ""
            return f"{state.value:g}", fact.unit
        if isinstance(state, Between):
            return self.say("fact", "between", low=f"{state.low:g}", high=f"{state.high:g}"), fact.unit
        if isinstance(state, OneOf):
            return self.listed([self.say("word", name, word) for word in state.words], self.say("fact", "or")), ""
        return self.say("fact", "not_applicable", name=self.fact(name)), ""
