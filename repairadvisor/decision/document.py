"""The advice document, put together from what the method found. Nothing is decided here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from repairadvisor.decision import cautions as caution_rows
from repairadvisor.decision.advice import (
    Advice,
    Alternative,
    Barred,
    Caution,
    Check,
    Cost,
    Crew,
    FactUsed,
    KitLine,
    Lift,
    Loss,
    Question,
    Source,
    Step,
    Wait,
)
from repairadvisor.decision.cost import PARTS, Costs, fibres_fact, persons
from repairadvisor.decision.duration import restored, work_minutes
from repairadvisor.decision.kit import Need, kit_lines
from repairadvisor.decision.loss import inserted_m, stated_loss
from repairadvisor.decision.plans import indifference, standing
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, open_facts, statuses
from repairadvisor.decision.situation import Judged, Situation, weigh
from repairadvisor.decision.slots import Later
from repairadvisor.decision.steps import step_fields, steps_of
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME, VOCABULARY_VERSION
from repairadvisor.policy.condition import facts_of, limits_of
from repairadvisor.policy.model import Screen
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_rules import parents_of

MOST_ALTERNATIVES = 5
MOST_BARRED = 40
NOT_YET_COMPUTED = (
    "questions_by_worth",
    "question_bundles",
    "turning_points",
    "chains_of_checks",
    "fallbacks",
    "redo",
    "reflections_together",
    "day_load",
    "calibration",
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the method found: the action and what it rests on.

    ``order`` are the plans that may be used, the chosen one first; ``later`` the start that is waited for, ``hoped``
    the plan that an event without an hour would permit; ``decisive`` the screens, by index, that decide where nothing
    may be used; ``questions`` the facts to ask for.
    """

    situation: Situation
    action: str
    order: tuple[Judged, ...] = ()
    later: Later | None = None
    hoped: Judged | None = None
    decisive: tuple[int, ...] = ()
    questions: tuple[str, ...] = ()
    continuity_only: bool = False

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


def write(answer: Answer, method_version: str) -> Advice:
    """The document of an answer."""
    return _Writer(answer).advice(method_version)


class _Writer:
    """Puts one document together; each method makes one part of it."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.situation = answer.situation
        self.rules = answer.situation.rules
        self.policy = self.rules.policy
        self.context: Context = answer.situation.context
        self.words = Words(self.rules.wording)
        self.plan: Plan | None = None if answer.prepared is None else answer.prepared.plan
        self.loss, self.loss_withheld = self._loss()
        self.fields = step_fields(answer.ahead, self.plan, self.loss, self._fibres())
        self.checks = self._checks()

    def advice(self, method_version: str) -> Advice:
        answer = self.answer
        numbered = self._steps()
        cautions = self._cautions({name: step.number for name, step in numbered})
        costs = self._costs()
        valid_until, valid_because = self._valid()
        return Advice(
            action=answer.action,
            say=self._say(),
            because=self._because(),
            plan=None if answer.chosen is None else self.words.plan(answer.chosen.plan),
            continuity_only=self._continuity(),
            loss=self.loss if answer.action == "repair" else None,
            loss_withheld=self.loss_withheld,
            crew=self._crew(),
            work_min=None if costs is None or self.plan is None else work_minutes(costs, self.plan),
            restored_after_min=None
            if costs is None or self.plan is None
            else restored(costs, self.plan, 0.0 if answer.later is None else answer.later.minutes),
            expected_cost=self._cost(costs),
            wait=self._wait(),
            call=self._call(),
            checks_on_arrival=tuple(self.checks),
            steps=tuple(
                replace(step, cautions=tuple(one.tag for one in cautions if one.before_step == step.number))
                for _, step in numbered
            ),
            cautions=cautions,
            kit=self._kit(),
            alternatives=self._alternatives(),
            barred=self._barred(),
            questions=self._questions(),
            turning_points=(),
            valid_until=valid_until,
            valid_because=valid_because,
            now=_moment(self.context.now),
            policy=self.rules.policy_id,
            method_version=method_version,
            vocabulary_version=VOCABULARY_VERSION,
            facts_used=self._facts_used(),
            unknown_that_matter=self._unknown(),
            sources=self._sources(),
            not_yet_computed=tuple(self.words.say("not_yet_computed", key) for key in NOT_YET_COMPUTED),
            defers_to=self.words.say("standing", "defers_to"),
        )

    # --- what to say -----------------------------------------------------------------------------------------

    def _fibres(self) -> float | None:
        if self.plan is None:
            return None
        state = self.context.state(fibres_fact(self.plan))
        return state.value if isinstance(state, Known) and isinstance(state.value, float) else None

    def _say(self) -> str:
        answer, words = self.answer, self.words
        if answer.action == "repair" and self.plan is not None:
            work = words.work(self.plan, words.counted("fibre", self._fibres()))
            if answer.continuity_only:
                return words.say("say", "continuity_only", **work)
            if self.checks:
                names = words.listed([self._name(name) for name in self._checked_facts()[:3]])
                return words.say("say", "repair_after_checks", check=names, why=self._why(), **work)
            return words.say("say", "repair", why=self._why(), **work)
        if answer.action == "ask_first":
            asked = self._questions()
            key = "ask_first" if len(asked) == 1 else "ask_first_more"
            return words.say("say", key, n=len(asked), question=asked[0].ask)
        if answer.action == "make_safe_and_wait":
            if self.plan is not None:
                return words.say("say", "make_safe_and_wait", until=self._until(), plan=words.plan(self.plan).phrase)
            return words.say("say", "make_safe_and_wait_no_plan", until=self._until())
        because = self._decisive_because()
        return words.say("say", answer.action, call=words.listed(list(self._call())), because=because)

    def _checked_facts(self) -> list[str]:
        """Facts of the checks that keep people whole, then of the others."""
        first = [name for check in self.checks if check.kind in ("danger", "safety") for name in check.facts]
        return list(dict.fromkeys([*first, *(name for check in self.checks for name in check.facts)]))

    def _why(self) -> str:
        """Why this plan and not the next: price, or what decides between equals."""
        order, words = self.answer.order, self.words
        if len(order) < 2:
            return words.say("why", "only_one")
        best, others = order[0], order[1:]
        dearer = min(
            (one for one in others if one.plan.method != best.plan.method), key=lambda one: one.cost, default=others[0]
        )
        saved = dearer.cost - best.cost
        if saved > 0.5:
            return words.say("why", "cheapest_by", saved=f"{saved:.0f}", currency=self._currency())
        mine, theirs = standing(self.situation, best.plan), standing(self.situation, dearer.plan)
        keys = ("hazard_control", "fewer_visits", "fewer_joints", "fewer_people", "no_machine", "by_name")
        differs = next((key for key, a, b in zip(keys, mine, theirs, strict=True) if a != b), "by_name")
        return words.say("why", differs)

    def _because(self) -> str:
        answer, words = self.answer, self.words
        if answer.chosen is not None:
            if answer.continuity_only:
                return words.say("continuity", "no_plan")
            if len(answer.order) == 1:
                return words.say("because", "repair_only")
            total = f"{answer.chosen.cost:.0f}"
            return words.say("because", "repair", permitted=len(answer.order), total=total, currency=self._currency())
        if answer.action == "ask_first":
            return words.say("because", "ask_first_no_plan")
        if answer.action == "make_safe_and_wait":
            key = "make_safe_and_wait" if answer.order else "make_safe_and_wait_no_plan"
            return words.say("because", key, until=self._until())
        return self._decisive_because() or words.say("because", "stand_off")

    def _decisive_because(self) -> str:
        return " ".join(dict.fromkeys(self._screen_because(i) for i in self.answer.decisive[:3]))

    def _screen_because(self, i: int) -> str:
        screen = self.rules.screens[i]
        if screen.because:
            return screen.because
        floor = self.policy.light.floors[screen.plans["stage"][0]].value
        return self.words.say("barred", "below_floor", floor=f"{floor * 100:.0f}")

    def _continuity(self) -> str:
        if not self.answer.continuity_only or self.loss is None:
            return ""
        agreed = self.context.state("owner_accepts_below_reserve")
        if isinstance(agreed, Known) and agreed.value == "yes":
            return self.words.say("continuity", "only_owner_agreed")
        chance = self.loss.chance_to_close_at_least or 0.0
        floor = self.policy.light.floors[self.answer.order[0].plan.stage].value
        return self.words.say("continuity", "only", n=f"{chance * 100:.0f}", floor=f"{floor * 100:.0f}")

    # --- light, money, people ----------------------------------------------------------------------------------

    def _loss(self) -> tuple[Loss | None, str]:
        if self.plan is None:
            return None, self.words.say("withheld", _WITHHELD[self.answer.action])
        loss, why = stated_loss(self.rules, self.answer.ahead.context, self.plan)
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
        terms = costs.terms(prepared.plan)
        parts = {part: costs.expected([term for term in terms if term.part == part], []) for part in PARTS}
        parts["later_visit"] += prepared.later
        waiting = 0.0 if self.answer.later is None else self.answer.later.waiting
        failed = prepared.cost - sum(parts[part] for part in PARTS)
        tidy = {part: round(parts[part], 2) for part in PARTS}
        return Cost(
            total=round(prepared.cost + waiting, 2),
            failed_check=round(failed, 2) + 0.0,
            waiting=round(waiting, 2),
            currency=self._currency(),
            **tidy,
        )

    def _currency(self) -> str:
        return self.words.say("cost", "currency")

    def _crew(self) -> Crew:
        if self.plan is None:
            nobody = self.answer.action in ("out_of_scope", "stand_off")
            count = 0 if nobody else 1
            said = (
                self.words.say("crew", "nobody")
                if nobody
                else self.words.say("crew", "line_none", persons=self.words.counted("person", count))
            )
            return Crew(count, (), said)
        place = self.context.state("place")
        count = persons(self.policy, self.plan, str(place.value) if isinstance(place, Known) else "")
        needs = self._needed()
        said = self.words.counted("person", count)
        if not needs:
            return Crew(count, (), self.words.say("crew", "line_none", persons=said))
        listed = self.words.listed([self.words.say("authorisation", name) for name in needs])
        return Crew(count, needs, self.words.say("crew", "line", persons=said, authorisations=listed))

    def _needed(self) -> tuple[str, ...]:
        """Authorisations that would bar the plan if nobody held them."""
        prepared = self.answer.prepared
        assert prepared is not None
        asked = [
            (i, screen.needs)
            for i, screen in enumerate(self.rules.screens)
            if screen.needs and self.rules.screen_plans[i] >> prepared.index & 1
        ]
        nobody, _ = self.answer.ahead.context.with_facts({name: Known("no") for _, name in asked})
        without = statuses(self.rules.compiled, nobody)
        return tuple(dict.fromkeys(name for i, name in asked if without[i] != CLEAR))

    def _has_meaning(self, screen: Screen) -> bool:
        possible = self.context.possible
        return all(name not in possible or possible[name].applies for name in facts_of(screen.bars_when))

    # --- checks, steps, cautions, kit --------------------------------------------------------------------------

    def _checks(self) -> list[Check]:
        prepared = self.answer.prepared
        if prepared is None:
            return []
        ahead = self.answer.ahead
        checks = []
        for i in prepared.open_screens:
            screen = self.rules.screens[i]
            names = open_facts(self.rules.compiled, ahead.context, i)
            checks.append(
                Check(
                    screen=screen.id,
                    not_before=screen.not_before,
                    facts=self._plain(names),
                    kind=screen.kind,
                    if_it_fails=self.words.say("check", "if_it_fails"),
                    source=screen.source,
                    how_known=screen.known,
                    cautions=screen.cautions,
                )
            )
        order = {kind: i for i, kind in enumerate(("danger", "safety"))}
        return sorted(checks, key=lambda check: order.get(check.kind, len(order)))

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
        owed = caution_rows.owed(rows, self.plan)
        extra = [tag for i in self.answer.decisive for tag in self.rules.screens[i].cautions]
        if self.answer.later is not None:
            extra += [
                tag
                for i in self.situation.screens(BARRED)
                if self.rules.screens[i].kind == "safety"
                and self.rules.screen_plans[i] >> self.answer.later.best.index & 1
                for tag in self.rules.screens[i].cautions
            ]
        extra += [tag for check in self.checks for tag in check.cautions]
        texts = {row.tag: row.text for row in self.policy.cautions}
        return caution_rows.placed(owed, tuple(dict.fromkeys(extra)), texts, numbers, self.checks)

    def _kit(self) -> tuple[KitLine, ...]:
        """Kit for every plan that counts as equal to the one prepared for: any of them may be carried out in the end.
        Without a plan nothing is loaded for a repair."""
        if self.plan is None:
            return ()
        needs = [self._need(plan) for plan in (self.plan, *self._level_plans())]
        items = [(item, self.answer.ahead.of("item", i) != CLEAR) for i, item in enumerate(self.policy.kit)]
        return kit_lines(items, needs)

    def _level_plans(self) -> list[Plan]:
        if self.answer.chosen is None:
            return []
        least = min(one.cost for one in self.answer.order)
        near = least + indifference(self.rules, least)
        return [one.plan for one in self.answer.order[1:] if one.cost <= near]

    def _need(self, plan: Plan) -> Need:
        costs = self._costs()
        assert costs is not None
        fibres = self._fibres()
        if fibres is None:
            name = fibres_fact(plan)
            cells = costs.worlds.cells(name)
            fibres = round(sum(costs.worlds.mean(name, cell) for cell in cells[:1]))
        each = self.policy.light.joints_in_layout[plan.layout]
        size = self.context.state("ribbon_size_count")
        ribbon = size.value if isinstance(size, Known) and isinstance(size.value, float) else 12.0
        joints = fibres * each
        if plan.method == "ribbon_fusion_splice":
            joints = float(-(-fibres // ribbon)) * each
        return Need(plan, joints, fibres, inserted_m(self.rules, self.context, plan))

    # --- the other plans ---------------------------------------------------------------------------------------

    def _alternatives(self) -> tuple[Alternative, ...]:
        """The cheapest plan of each other way of doing it, not every shade of shelter."""
        if self.answer.chosen is None:
            return ()
        best = self.answer.chosen
        seen = {_way(best.plan)}
        found: list[Alternative] = []
        for one in sorted(self.answer.order[1:], key=lambda other: (other.cost, other.index)):
            if _way(one.plan) in seen or len(found) == MOST_ALTERNATIVES:
                continue
            seen.add(_way(one.plan))
            loss, _ = stated_loss(self.rules, self.context, one.plan)
            first = None if loss is None else next(iter(loss.by_wavelength.values()))
            more = round(one.cost - best.cost, 2)
            key = "why_not_cost" if more > 0.5 else self._why_not(best.plan, one.plan)
            found.append(
                Alternative(
                    self.words.plan(one.plan),
                    more,
                    None if first is None else first.p50_db,
                    self.words.say("alternative", key),
                )
            )
        return tuple(found)

    def _why_not(self, best: Plan, other: Plan) -> str:
        mine, theirs = standing(self.situation, best), standing(self.situation, other)
        keys = ("hazard", "visits", "joints", "people", "machine", "name")
        return "why_not_" + next((key for key, a, b in zip(keys, mine, theirs, strict=True) if a != b), "name")

    def _barred(self) -> tuple[Barred, ...]:
        found = []
        for i in self.situation.barred_by:
            screen = self.rules.screens[i]
            if not self._worth_saying(i):
                continue
            lift = screen.lifted_by
            minutes = lift.minutes
            if isinstance(minutes, str):
                state = self.context.state(minutes)
                minutes = state.value if isinstance(state, Known) and isinstance(state.value, float) else None
            found.append(
                Barred(
                    screen=screen.id,
                    kind=screen.kind,
                    plans=self.words.partial(screen.plans),
                    because=self._screen_because(i),
                    facts=self._stated(screen),
                    source=screen.source,
                    how_known=screen.known,
                    lifted_by=Lift(lift.what, lift.who, minutes, lift.cost),
                )
            )
        order = {kind: i for i, kind in enumerate(("scope", "danger", "safety", "reflectance", "budget", "permanence"))}
        return tuple(sorted(found, key=lambda one: order.get(one.kind, len(order)))[:MOST_BARRED])

    def _worth_saying(self, i: int) -> bool:
        """A bar is told where a fact somebody stated bars a plan that is not plainly of another place."""
        screen = self.rules.screens[i]
        if self.answer.decisive and i in self.answer.decisive:
            return True
        return bool(self._stated(screen)) and self._stated(screen) != ("place",)

    def _stated(self, screen: Screen) -> tuple[str, ...]:
        names: list[str] = []
        for name in facts_of(screen.bars_when):
            names += parents_of(self.policy.derived[name]) if name in self.policy.derived else [name]
        return tuple(dict.fromkeys(name for name in names if name in self.context.held))

    # --- waiting, asking, ringing ------------------------------------------------------------------------------

    def _until(self) -> str:
        if self.answer.later is not None:
            return self.answer.later.slot.until
        lifts = dict.fromkeys(self.rules.screens[i].lifted_by.what for i in self.answer.decisive)
        return self.words.listed(list(lifts))

    def _wait(self) -> Wait | None:
        if self.answer.action != "make_safe_and_wait":
            return None
        later = self.answer.later
        if later is None:
            then = None if self.answer.hoped is None else self.words.plan(self.answer.hoped.plan)
            return Wait(self._until(), None, (), then)
        return Wait(self._until(), round(later.minutes, 1), later.slot.meanwhile, self.words.plan(later.best.plan))

    def _call(self) -> tuple[str, ...]:
        named = [call for i in self.answer.decisive for call in self.rules.screens[i].call]
        if not named and self.answer.action in ("stand_off", "make_safe_and_wait", "out_of_scope"):
            named = [self.words.say("contact", "control_room")]
        return tuple(dict.fromkeys(named))

    def _questions(self) -> tuple[Question, ...]:
        found = []
        for name in self.answer.questions:
            fact, policy = BY_NAME[name], self.policy.facts[name]
            words = self.context.possible[name].words
            found.append(
                Question(
                    fact=name,
                    ask=policy.question,
                    of_whom=policy.of_whom,
                    answers=tuple(self.words.say("word", name, word) for word in words) if fact.words else (fact.unit,),
                    because=self.words.say(
                        "question", "because", what=self.words.say("question", "because_permission")
                    ),
                )
            )
        return tuple(found)

    # --- facts and sources -------------------------------------------------------------------------------------

    def _name(self, name: str) -> str:
        return self.words.fact(name)

    def _deciding(self) -> list[int]:
        """Screens that decided something: those that speak of the plan, or those that are decisive."""
        if self.answer.prepared is None:
            return list(self.answer.decisive)
        index = self.answer.prepared.index
        return [i for i in range(len(self.rules.screens)) if self.rules.screen_plans[i] >> index & 1]

    def _facts_used(self) -> tuple[FactUsed, ...]:
        used = []
        for name, held in self.context.held.items():
            value, unit = self.words.value(name, held)
            seen = "" if held.seen_at is None else _moment(held.seen_at)
            used.append(FactUsed(name, value, unit, held.source, seen))
        return tuple(used)

    def _unknown(self) -> tuple[str, ...]:
        """Open facts that a screen of the plan, or of any hopeful plan, still hangs on."""
        names: dict[str, None] = {}
        deciding = self._deciding() if self.answer.prepared is not None else self.situation.screens(OPEN)
        for i in deciding:
            if self.situation.status[i] == OPEN:
                names.update(dict.fromkeys(self._plain(open_facts(self.rules.compiled, self.context, i))))
        return tuple(name for name in BY_NAME if name in names)

    def _sources(self) -> tuple[Source, ...]:
        found: dict[str, Source] = {}
        for i in self._deciding():
            screen = self.rules.screens[i]
            if not self._has_meaning(screen) or screen.kind == "budget" or not self._stated(screen):
                continue
            for name in limits_of(screen.bars_when):
                number = self.policy.limits[name]
                value = f"{number.value:g} {number.unit}"
                found[name] = Source(name.replace("_", " "), value, number.source, number.known)
        if self.loss is not None and self.plan is not None:
            services = self.context.possible["service_kind"].words
            mode = self.context.possible["fibre_mode"].words[0] if services else ""
            joint = self.policy.joints[self.plan.method, mode]
            figure = self.words.say("plan_word", "method", self.plan.method)
            first = next(iter(self.loss.by_wavelength.values()))
            found["joint"] = Source(figure, f"{first.p50_db / self.loss.joints:.2f} dB", joint.source, joint.known)
        return tuple(found.values())

    def _valid(self) -> tuple[str, str]:
        """The earliest moment at which a passing fact that was used has to be looked at again."""
        ends: list[tuple[datetime, str]] = []
        for name, held in self.context.held.items():
            lasts = self.policy.facts[name].lasts_min
            if held.valid_until is not None:
                ends.append((held.valid_until, name))
            if lasts is not None:
                ends.append(((held.seen_at or self.context.now) + timedelta(minutes=lasts), name))
        if not ends:
            return "", self.words.say("valid", "always")
        end, name = min(ends, key=lambda one: one[0])
        return _moment(end), self.words.say("valid", "because_fact", fact=self._name(name))


_WITHHELD = {
    "ask_first": "ask_first",
    "stand_off": "stand_off",
    "out_of_scope": "out_of_scope",
    "make_safe_and_wait": "no_plan_permitted",
    "repair": "no_plan_permitted",
}


def _way(plan: Plan) -> tuple[str, str, str]:
    return plan.method, plan.layout, plan.stage


def _moment(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")
