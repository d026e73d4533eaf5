"""The advice document, put together from what the method found. Nothing is decided here."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import replace

from repairadvisor.decision import cautions as caution_rows
from repairadvisor.decision import grounds, overlaid, reckoning, spoken
from repairadvisor.decision.advice import (
    Advice,
    Caution,
    Check,
    Cost,
    Fallback,
    Loss,
    Step,
)
from repairadvisor.decision.answer import Answer, Told, moment_text
from repairadvisor.decision.chain import Chain, chain_of
from repairadvisor.decision.chain import Fallback as HeldReady
from repairadvisor.decision.cost import Costs
from repairadvisor.decision.crew import crew_of
from repairadvisor.decision.duration import restored, work_minutes
from repairadvisor.decision.load import load_of
from repairadvisor.decision.loss import stated_loss
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.screens import BARRED, OPEN, open_facts
from repairadvisor.decision.situation import weigh
from repairadvisor.decision.split_cost import split_cost
from repairadvisor.decision.steps import step_fields, steps_of
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME, VOCABULARY_VERSION
from repairadvisor.policy.model import HARM_KINDS
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_rules import parents_of

NOT_YET_COMPUTED = (
    "ribbons_redone",
    "day_load",
    "calibration",
)


def write(answer: Answer, asked_with: Context, method_version: str) -> Advice:
    """The document of an answer to what was asked with."""
    return _Writer(answer, asked_with).advice(method_version)


class _Writer:
    """Puts one document together; each method makes one part of it."""

    def __init__(self, answer: Answer, asked_with: Context) -> None:
        self.answer = answer
        self.situation = answer.situation
        self.rules = answer.situation.rules
        self.policy = self.rules.policy
        self.context: Context = answer.situation.context
        self.words = Words(self.rules.wording)
        self.told = Told(answer, self.words, asked_with)
        self.plan = self.told.plan
        self.loss, self.loss_withheld = self._loss()
        self.fields = step_fields(answer.ahead, self.plan, self.loss, self.told.fibres)
        self.chain = self._chain()
        self.checks = self._checks()
        self.told.loss, self.told.checks = self.loss, tuple(self.checks)

    def advice(self, method_version: str) -> Advice:
        answer = self.answer
        numbered = self._steps()
        cautions = self._cautions({name: step.number for name, step in numbered})
        costs = self._costs()
        alternatives = grounds.alternatives(self.told)
        valid_until, valid_because = grounds.valid(self.told)
        reckoned = reckoning.reckoned_with(self.told)
        return Advice(
            action=answer.action,
            say=spoken.say(self.told),
            because=spoken.because(self.told),
            plan=None if answer.chosen is None else self.words.plan(answer.chosen.plan),
            continuity_only=spoken.continuity(self.told),
            loss=self.loss if answer.action == "repair" else None,
            loss_withheld=self.loss_withheld,
            crew=crew_of(self.told),
            work_min=None if costs is None or self.plan is None else work_minutes(costs, self.plan),
            restored_after_min=None
            if costs is None or self.plan is None
            else restored(costs, self.plan, 0.0 if answer.later is None else answer.later.minutes),
            expected_cost=self._cost(costs),
            wait=spoken.wait(self.told),
            call=spoken.call(self.told),
            checks_on_arrival=tuple(self.checks),
            fallbacks=self._fallbacks({one.tag for one in cautions}),
            steps=tuple(
                replace(step, cautions=tuple(one.tag for one in cautions if one.before_step == step.number))
                for _, step in numbered
            ),
            cautions=cautions,
            kit=load_of(self.told, self.chain, costs),
            alternatives=alternatives,
            barred=grounds.barred(self.told),
            loosened=overlaid.loosened(self.told, [one.plan.plan for one in self.chain.fallbacks], alternatives),
            questions=spoken.questions(self.told),
            questions_said=spoken.questions_said(self.told),
            turning_points=spoken.turning_points(self.told),
            turning_points_said=spoken.turning_said(self.told),
            ranges=overlaid.range_ends(self.told),
            ranges_said=overlaid.ranges_said(self.told),
            issued_plan=answer.issued_plan,
            valid_until=valid_until,
            valid_because=valid_because,
            now=moment_text(self.context.now),
            policy=self.rules.policy_id,
            method_version=method_version,
            vocabulary_version=VOCABULARY_VERSION,
            facts_used=grounds.facts_used(self.told),
            unknown_that_matter=self._unknown(),
            sources=grounds.sources(self.told),
            reckoned_with=reckoned,
            reckoned_said=reckoning.said(self.told, reckoned),
            not_yet_computed=tuple(self.words.say("not_yet_computed", key) for key in NOT_YET_COMPUTED),
            defers_to=self.words.say("standing", "defers_to"),
        )

    # --- light, money, people ----------------------------------------------------------------------------------

    def _loss(self) -> tuple[Loss | None, str]:
        if self.plan is None:
            return None, self.words.say("withheld", _WITHHELD[self.answer.action])
        costs = self._costs()
        assert costs is not None  # there is a plan, so it was weighed
        loss, why = stated_loss(self.rules, self.answer.ahead.context, self.plan, costs)
        if self.answer.action != "repair":
            return loss, self.words.say("withheld", "waiting")
        if loss is not None and loss.chance_to_close_at_least is None:
            why = self.words.say("withheld", "margin_unknown")
        return loss, why

    def _costs(self) -> Costs | None:
        if self.answer.prepared is None:
            return None
        ahead = self.answer.ahead
        if ahead.costs is None:
            weigh(ahead, 1 << self.answer.prepared.index)
        return ahead.costs

    def _cost(self, costs: Costs | None) -> Cost | None:
        prepared = self.answer.prepared
        if costs is None or prepared is None:
            return None
        waiting = 0.0 if self.answer.later is None else self.answer.later.waiting
        weighing = self.answer.ahead.weighing
        assert weighing is not None  # there are costs, so it was weighed
        return split_cost(weighing, prepared, self.told.currency, waiting=waiting, saves=self.chain.saves)

    def _chain(self) -> Chain:
        prepared, ahead = self.answer.prepared, self.answer.ahead
        if prepared is None:
            return Chain((), ())
        if ahead.weighing is None:
            weigh(ahead, 1 << prepared.index)
        return chain_of(ahead, prepared, self.answer.order if self.answer.chosen is not None else ())

    # --- checks, steps, cautions, kit --------------------------------------------------------------------------

    def _checks(self) -> list[Check]:
        prepared = self.answer.prepared
        if prepared is None:
            return []
        checks = []
        for i in [link.screen for link in self.chain.links] or prepared.open_screens:
            screen = self.rules.screens[i]
            names = open_facts(self.rules.compiled, self.answer.ahead.context, i)
            checks.append(
                Check(
                    screen=screen.id,
                    not_before=screen.not_before,
                    facts=self._plain(names),
                    kind=screen.kind,
                    if_it_fails=self._if_it_fails(i),
                    source=screen.source,
                    how_known=screen.known,
                    cautions=screen.cautions,
                )
            )
        return checks

    def _if_it_fails(self, i: int) -> str:
        """What follows when a check fails: a plan held ready, else nobody goes on where people are in danger, and where
        only the work does not go on, it is left safe."""
        held = next((link.fallback for link in self.chain.links if link.screen == i), -1)
        if held >= 0:
            phrase = self.words.plan(self.chain.fallbacks[held].plan.plan).phrase
            return self.words.say("check", "if_it_fails_then", plan=phrase)
        harm = self.rules.screens[i].kind in HARM_KINDS
        return self.words.say("check", "if_it_fails" if harm else "if_it_fails_work")

    def _fallbacks(self, told: Set[str]) -> tuple[Fallback, ...]:
        """The plans held ready; ``told`` are the tags of the cautions that stand anyway."""
        return tuple(
            Fallback(
                self.words.plan(one.plan.plan),
                self.words.say("check", "fallback", plan=self.words.plan(one.plan.plan).phrase),
                tuple(self.rules.screens[i].id for i in one.after),
                tuple(self.rules.screens[i].not_before for i in one.besides),
                self._cautions_besides(one, told),
                round(one.saves, 2),
            )
            for one in self.chain.fallbacks
        )

    def _cautions_besides(self, held: HeldReady, told: Set[str]) -> tuple[str, ...]:
        """Cautions that a plan held ready needs besides, whole: there may be no signal to ask for them."""
        rows = [(row, self.answer.ahead.of("caution", i)) for i, row in enumerate(self.policy.cautions)]
        owed = caution_rows.owed(rows, held.plan.plan)
        tags = dict.fromkeys(one.row.tag for one in owed if one.owed_to == caution_rows.KNOWN or one.row.of_harm)
        tags |= dict.fromkeys(tag for i in held.besides for tag in self.rules.screens[i].cautions)
        texts = {row.tag: row.text for row in self.policy.cautions}
        return tuple(texts[tag] for tag in tags if tag not in told)

    def _plain(self, names: Sequence[str]) -> tuple[str, ...]:
        """Facts of the vocabulary behind names, derived facts as the parents of theirs that are still open."""
        found: dict[str, None] = {}
        for name in names:
            if name in BY_NAME:
                found[name] = None
                continue
            parents = parents_of(self.policy.derived[name])
            found.update(dict.fromkeys(p for p in parents if not self.context.possible[p].settled))
        return tuple(found)

    def _steps(self) -> list[tuple[str, Step]]:
        if self.answer.action == "repair":
            return steps_of(self.situation, self.plan, "repair", self.fields)
        return steps_of(self.situation, None, self.answer.action, self.fields)

    def _cautions(self, numbers: dict[str, int]) -> tuple[Caution, ...]:
        rows = [(row, self.answer.ahead.of("caution", i)) for i, row in enumerate(self.policy.cautions)]
        if self.answer.action != "repair":
            rows = [(row, status) for row, status in rows if not row.before]  # the work itself comes later
        owed = caution_rows.owed(rows, self.plan or self._tempts())
        decide = self._cautions_that_decide()
        extra = [*decide]
        extra += [tag for check in self.checks for tag in check.cautions]
        if self.answer.action == "ask_first":
            extra += self._cautions_of_questions()
        texts = {row.tag: row.text for row in self.policy.cautions}
        found = caution_rows.placed(
            owed, tuple(dict.fromkeys(extra)), texts, numbers, self.checks, harm_unknown=self.plan is not None
        )
        return tuple(sorted(found, key=lambda one: one.tag not in decide))

    def _cautions_that_decide(self) -> dict[str, None]:
        """What decides that nothing is touched, or nothing yet, is what kills here: it is read before all else."""
        screens = list(self.answer.decisive)
        if self.answer.later is not None:
            plan = self.answer.later.best.index
            barred = self.situation.screens(BARRED)
            screens += [
                i for i in barred if self.rules.screens[i].kind == "safety" and self.rules.screen_plans[i] >> plan & 1
            ]
        return dict.fromkeys(tag for i in screens for tag in self.rules.screens[i].cautions)

    def _tempts(self) -> Plan | None:
        """The plan that a crew at the place would begin while it waits for an answer."""
        there = self.context.state("crew_place") == Known("on_site")
        return self.answer.order[0].plan if there and self.answer.action == "ask_first" and self.answer.order else None

    def _cautions_of_questions(self) -> list[str]:
        """The harm that the danger that may be there, and what the questions are about, bring along."""
        of_harm = {row.tag for row in self.policy.cautions if row.of_harm}
        asked = {one.fact for one in self.answer.questions}
        found: list[str] = []
        for i in self.situation.screens(OPEN):
            screen = self.rules.screens[i]
            names = open_facts(self.rules.compiled, self.context, i) if screen.cautions else ()
            if screen.cautions and (screen.kind == "danger" or asked & set(self._plain(names))):
                found += [tag for tag in screen.cautions if tag in of_harm]
        return found

    def _unknown(self) -> tuple[str, ...]:
        """Open facts that stand between the plan and its being carried out; without a plan, those to ask for."""
        names = {one.fact for one in self.answer.questions}
        names.update(name for check in self.checks for name in check.facts)
        return tuple(name for name in BY_NAME if name in names)


_WITHHELD = {
    "ask_first": "ask_first",
    "stand_off": "stand_off",
    "out_of_scope": "out_of_scope",
    "make_safe_and_wait": "no_plan_permitted",
    "repair": "no_plan_permitted",
}
