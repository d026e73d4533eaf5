"""The loss of a plan as the document states it: per wavelength, against before the fault, with what comes back."""

from __future__ import annotations

import math
from dataclasses import replace

from repairadvisor.decision.advice import KeepUpTo, Loss, WavelengthLoss
from repairadvisor.decision.cost import Costs
from repairadvisor.decision.fibre_width import size_of, step_of_widths_db
from repairadvisor.decision.light import (
    BUDGET_INSERT,
    MULTIMODE,
    RADII_UM,
    Light,
    attenuation_db_per_m,
    inserted_ends_m,
    mode_of,
)
from repairadvisor.decision.limits_table import limits_table
from repairadvisor.decision.link_budget import margin_of
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.redone import margins_within
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.thrown_back import settled_number, thrown_back
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known
from repairadvisor.optics.joint_law import nodes_of
from repairadvisor.optics.kept_loss import KeptLoss
from repairadvisor.optics.many_fibres import chance_all_within, joint_chance_bounds
from repairadvisor.optics.redo import Redo
from repairadvisor.policy.plan import Plan

#: A margin that no joint can use up: where nobody has told the margin, money makes no joint again.
_AMPLE_DB = 50.0
#: Of a chance, for what comes back without a record: a dozen stretches do.
_BACK_TOLERANCE = 1e-2
_QUANTILES = ((0.5, 0.85), (0.05, 2.2), (0.01, 3.2))  # chance of more, and a first guess in means


def stated_loss(rules: Rules, context: Context, plan: Plan, costs: Costs) -> tuple[Loss | None, str]:
    """The loss of a plan for one fibre, by the redo rule that its costs weigh, or None and why none is promised."""
    words = Words(rules.wording)
    if plan.method == "none":
        return None, words.say("withheld", "spare_route" if plan.layout.startswith("re_route") else "nothing_joined")
    services = context.possible["service_kind"].words
    modes = {mode_of(service) for service in services}
    if len(modes) != 1:
        return None, words.say("withheld", "fibre_mode_unknown")
    mode = modes.pop()
    light, joint = rules.light, rules.light.joint(plan)
    size = size_of(light, context, mode)
    if (joint.method, mode) not in rules.policy.joints or not _in_range(mode, size):
        return None, words.say("withheld", "outside_range")
    return _Stated(rules, context, plan, costs).loss(), ""


def median_db(rules: Rules, context: Context, plan: Plan, costs: Costs) -> float | None:
    """The median alone, at the governing wavelength; None where no loss is promised."""
    services = context.possible["service_kind"].words
    modes = {mode_of(service) for service in services}
    if plan.method == "none" or len(modes) != 1 or (plan.method, min(modes)) not in rules.policy.joints:
        return None
    return _Stated(rules, context, plan, costs).median_db()


def _in_range(mode: str, size_um: float) -> bool:
    """Whether the width of the mode field is one that the spreads were carried to, give or take its tolerance."""
    return mode == MULTIMODE or RADII_UM[0] - 0.05 <= size_um <= RADII_UM[-1] + 0.25


def _looked_at(light: Light, services: tuple[str, ...]) -> tuple[int, ...]:
    """Every wavelength that one of the services looks at, the first one's governing wavelength first."""
    return tuple(dict.fromkeys(nm for service in services for nm in light.wavelengths(service)))


class _Stated:
    """One plan's loss, part by part."""

    def __init__(self, rules: Rules, context: Context, plan: Plan, costs: Costs) -> None:
        self.rules, self.context, self.plan, self.costs = rules, context, plan, costs
        self.words = Words(rules.wording)
        self.light, self.joint = rules.light, rules.light.joint(plan)
        self.services = context.possible["service_kind"].words
        self.mode = mode_of(self.services[0])
        self.looked_at = _looked_at(self.light, self.services)
        self.low, self.high = self.light.budget_interval(self.light.budget_fact(plan), context)
        self.known_margin = "margin_db" in context.held
        self.recorded = "recorded_loss_cut_out_db" in context.held
        self._rules_of: dict[tuple[str, float], Redo] = {}
        self._kept_losses: dict[int, KeptLoss] = {}
        self._seen: dict[float, dict[float, float]] = {}  # a mean, and the quantiles found beside it

    def loss(self) -> Loss:
        """All of it."""
        governing = self.looked_at[0]
        redo = self._redo(self.services[0], self._middle())
        misses = {nm: self._missed(nm) for nm in self.looked_at} if self.known_margin else {}
        at_least, at_most = joint_chance_bounds(list(misses.values()))
        back = {nm: self._given_back(nm) for nm in self.looked_at}
        inserted = _inserted_m(self.rules, self.context, self.plan)
        return Loss(
            joints=self.joint.joints,
            attempts_each=self._attempts(redo),
            redos_expected=_tidy(self._redos()),
            good_up_to_db=_tidy(self._good()),
            keep_up_to_db=self._limits(),
            limits=self._table(),
            by_wavelength={
                str(nm): self._with_margin(self.lost(nm), back[nm], misses.get(nm)) for nm in self.looked_at
            },
            inserted_m=_tidy(inserted),
            inserted_loss_db=_tidy(inserted * attenuation_db_per_m(self.rules.policy, self.mode, governing)),
            given_back_db=_tidy(back[governing]),
            given_back_why=self._given_back_why(back[governing]),
            chance_to_close_at_least=_chance(1.0 - at_least) if self.known_margin else None,
            chance_to_close_at_most=_chance(1.0 - at_most) if self.known_margin else None,
            chance_all_close_at_least=self._all_close(at_least),
            chance_said=self._chance_said(at_least, at_most),
            **thrown_back(self.rules, self.context, self.plan, self.mode, self.looked_at[0]),
            margin_before_db=self._margin_before(),
            margin_said=self._margin_said(),
            reading_said=self._reading_said(),
            how_made=self.words.say("loss", "how_made" if self._attempts(redo) > 1 else "how_made_one_attempt"),
        )

    def median_db(self) -> float:
        """The median of what is added at the governing wavelength."""
        nm = self.looked_at[0]
        kept = self._kept_loss(self._redo(self._service_at(nm), self._middle()))
        guess = self.light.tables[self.joint.key, self.mode, nm].added.p50_db
        return _tidy(kept.loss_at_chance_above(nm, 0.5, max(guess, 1e-3)) + self._shift(nm))

    def _shift(self, nm: int) -> float:
        """What is added besides the joints: inserted fibre, and unlike mode fields."""
        metres = _middle(self.context, "gap_m") * self.joint.inserts
        ends = self.costs.redone.shift_db(self.joint, self._service_at(nm), nm)
        lost = attenuation_db_per_m(self.rules.policy, self.mode, nm) * metres
        unlike = "mode_field_loss_inserted_db" if self.joint.inserts else "mode_field_loss_db"
        return ends + lost + _middle(self.context, unlike)

    def lost(self, nm: int) -> WavelengthLoss:
        """What is added at one wavelength, joints and inserted fibre together."""
        redo = self._redo(self._service_at(nm), self._middle())
        kept = self._kept_loss(redo)
        mean = kept.mean_db(nm)
        p50, p95, p99 = (
            kept.loss_at_chance_above(nm, chance, self._guess(mean, chance, near)) for chance, near in _QUANTILES
        )
        self._seen.setdefault(mean, {0.5: p50, 0.05: p95, 0.01: p99})
        shift = self._shift(nm)
        return WavelengthLoss(
            mean_db=_tidy(mean + shift),
            p50_db=_tidy(p50 + shift),
            p95_db=_tidy(p95 + shift),
            p99_db=_tidy(p99 + shift),
            margin_left_db=None,
            chance_to_close=None,
        )

    def _guess(self, mean: float, chance: float, near: float) -> float:
        """Where to look for a quantile: as far from that of a wavelength already seen as the means are apart."""
        if self._seen:
            seen, quantiles = next(iter(self._seen.items()))
            return max(quantiles[chance] * mean / seen, 1e-3) if seen > 0.0 else 1e-3
        return max(near * mean, 1e-3)

    def _with_margin(self, lost: WavelengthLoss, back: float, missed: float | None) -> WavelengthLoss:
        """The margin that is left, as a median: margin before, and what comes back, less what is added."""
        if missed is None:
            return lost
        left = _middle(self.context, "margin_db") + back - lost.p50_db
        return replace(lost, margin_left_db=_tidy(left), chance_to_close=_chance(missed))

    def _attempts(self, redo: Redo) -> int:
        """Attempts that one joint may come to, with what there is."""
        return min(redo.attempts.each, redo.laws[0].tries, 1 + redo.redos_at_first)

    def _redos(self) -> float:
        """Attempts beyond the first that are expected on one fibre, over the margins there may be."""
        if not self.known_margin:
            return self._redo(self.services[0], _AMPLE_DB).expected.redos
        return self.costs.redone.expected(self.plan, self.services[0], self.low, self.high).redos

    def _good(self) -> float:
        """The owner's limit, or what a good joint keeps with what unlike fields add; a plug has no owner's."""
        redone = self.costs.redone
        most = redone.joint_limit(self.plan, self.services[0]).limit_db + redone.unlike_db(self.plan)
        owner = settled_number(self.context, "owner_joint_limit_db")
        plug = self.rules.policy.joints[self.joint.method, self.mode].pairs > 0
        return most if owner is None or plug else min(most, owner)

    def _table(self) -> tuple[KeepUpTo, ...]:
        """Those limits for every joint and attempt, by what the joints before lost."""
        redo = self._redo(self.services[0], self.low if self.known_margin else _AMPLE_DB)
        return limits_table(redo, self._attempts(redo), self.costs.redone.unlike_db(self.plan), self.words)

    def _limits(self) -> tuple[float, ...]:
        """Up to what reading the first joint is kept, attempt by attempt, while another one may follow; for the least
        margin there may be. A reading holds what unlike mode fields lose."""
        redo = self._redo(self.services[0], self.low if self.known_margin else _AMPLE_DB)
        found = []
        for used in range(self._attempts(redo) - 1):
            limit = redo.limit_db(0, redo.redos_at_first - used, used, 0.0)
            if limit == math.inf:
                break
            found.append(_tidy(max(limit, 0.0) + self.costs.redone.unlike_db(self.plan)))
        return tuple(found)

    def _middle(self) -> float:
        return 0.5 * (self.low + self.high) if self.known_margin else _AMPLE_DB

    def _service_at(self, nm: int) -> str:
        return next(service for service in self.services if nm in self.light.wavelengths(service))

    def _redo(self, service: str, budget: float) -> Redo:
        if (service, budget) not in self._rules_of:
            self._rules_of[service, budget] = self.costs.redone.redo(self.plan, service, budget)
        return self._rules_of[service, budget]

    def _kept_loss(self, redo: Redo) -> KeptLoss:
        if id(redo) not in self._kept_losses:
            self._kept_losses[id(redo)] = KeptLoss(redo)
        return self._kept_losses[id(redo)]

    def _missed(self, nm: int) -> float:
        """P(budget missed) at one wavelength, over the margins there may be."""
        low, high = self.low, self.high
        margins = [(low, 1.0)] if high <= low else margins_within(low, high)
        return min(1.0, sum(weight * self._missed_at(nm, margin) for margin, weight in margins))

    def _missed_at(self, nm: int, budget: float) -> float:
        service = self._service_at(nm)
        redo = self._redo(service, budget)
        if nm == self.light.wavelengths(service)[0]:
            return redo.expected.missed
        left = budget - self.costs.redone.shift_db(self.joint, service, nm)
        kept = self._kept_loss(redo)
        back = None if self.recorded else self.light.given_back(self.joint, service, nm)
        if back is None:
            return kept.chance_above(nm, left)
        total = 0.0
        for node in nodes_of(back, _BACK_TOLERANCE):
            total += (node.tail_before - node.tail_after) * kept.chance_above(nm, left + node.mean_db)
        return total

    def _all_close(self, at_least: float) -> float | None:
        """The chance that every fibre closes, joints of different fibres being independent."""
        fibres = settled_number(self.context, fibres_fact(self.plan))
        if not self.known_margin or fibres is None:
            return None
        return _tidy(chance_all_within(1.0 - at_least, max(1, round(fibres))))

    def _chance_said(self, at_least: float, at_most: float) -> str:
        if not self.known_margin:
            return self.words.say("chance", "unknown")
        every = self._all_close(at_least)
        said = chance_said(self.words, at_least, at_most, at_least if every is None else every)
        fibres = settled_number(self.context, fibres_fact(self.plan)) or 1.0
        if every is None or fibres < 2.0 or every > 0.99:
            return said
        return f"{said} " + self.words.say("chance", "all_fibres", fibres=f"{fibres:g}", n=int(every * 100.0))

    def _margin_before(self) -> tuple[float, ...]:
        state = self.context.state("margin_db")
        if isinstance(state, Between):
            return _tidy(state.low), _tidy(state.high)
        return (_tidy(state.value),) * 2 if isinstance(state, Known) and isinstance(state.value, float) else ()

    def _margin_said(self) -> str:
        """How the margin came about, where it was worked out and not told."""
        untold, _ = self.context.with_facts({"margin_db": None})
        found = margin_of(self.light, untold)
        if found is None or found[0] != self.context.state("margin_db"):
            return ""
        low, high = self._margin_before()
        key = found[1] if high - low < 0.005 else f"{found[1]}_between"
        return self.words.say("loss", key, low=f"{low:.1f}", high=f"{high:.1f}")

    def _reading_said(self) -> str:
        """What a trace from one end is good for at a joint of these fibres; a plug is measured by its power."""
        plug = self.rules.policy.joints[self.joint.method, self.mode].pairs > 0
        if self.mode == MULTIMODE or plug:
            return ""
        step = self._one_way_step_db()
        if step == 0.0:
            return self.words.say("loss", "one_way")
        return self.words.say("loss", "one_way_unlike", step=f"{step:.2f}")

    def _one_way_step_db(self) -> float:
        """The false step between the two fibres: by their widths on record, else by their types."""
        widths = [settled_number(self.context, f"mode_field_{side}_um") for side in ("near", "far")]
        if widths[0] is not None and widths[1] is not None:
            return step_of_widths_db(widths[0], widths[1])
        near, far = (self._types(f"fibre_type_{side}") for side in ("near", "far"))
        return abs(self.light.one_way_step_db.get((near[0], far[0]), 0.0)) if len(near) == len(far) == 1 else 0.0

    def _types(self, name: str) -> tuple[str, ...]:
        return self.context.possible[name].words if name in self.context.held else ()

    def _given_back(self, nm: int) -> float:
        """What comes back from parts cut out: their record, else what such parts lose on average."""
        if self.recorded:
            return _middle(self.context, "recorded_loss_cut_out_db")
        table = self.light.given_back(self.joint, self._service_at(nm), nm)
        return 0.0 if table is None else table.mean_db

    def _given_back_why(self, back: float) -> str:
        if self.recorded:
            return self.words.say("loss", "given_back", loss=f"{back:.2f}")
        return self.words.say("loss", "given_back_unknown" if self.joint.gives_back else "given_back_nothing")


def _tidy(number: float) -> float:
    """Six decimals: far below what anybody measures, and the same text everywhere."""
    return round(number, 6)


def _chance(missed: float) -> float:
    """The chance of the contrary, six decimals; only what is certain is 1."""
    return min(_tidy(1.0 - missed), 0.999999) if missed > 0.0 else 1.0


def _middle(context: Context, name: str) -> float:
    """A number as stated, the middle of a bounded one, nothing where nobody has said."""
    state = context.state(name)
    if isinstance(state, Between):
        return (state.low + state.high) / 2.0
    return settled_number(context, name) or 0.0


def _inserted_m(rules: Rules, context: Context, plan: Plan) -> float:
    if rules.light.budget_fact(plan) != BUDGET_INSERT:
        return 0.0
    return inserted_ends_m(rules.policy) + _middle(context, "gap_m")


def inserted_m(rules: Rules, context: Context, plan: Plan) -> float:
    """Metres of cable a plan lets in."""
    return _inserted_m(rules, context, plan)


def chance_said(words: Words, chance: float, at_most: float, every: float) -> str:
    """A chance to close, between its bounds, in words, with what to do about it: that hangs on all fibres together."""
    bands = words.wording["chance"]["band"]  # type: ignore[index]
    do = next(band["do"] for band in bands if every >= band["at_least"])
    low, high = int(chance * 100.0), int(at_most * 100.0)
    if chance > 0.99:
        closes = words.say("chance", "closes_nearly_all")
    elif high > low + 1:
        closes = words.say("chance", "closes_between", low=low, high=high)
    elif chance < 0.01:
        closes = words.say("chance", "closes_hardly_any")
    else:
        closes = words.say("chance", "closes", n=low)
    return words.say("chance", "template", closes=closes, do=do)
