"""Joints kept or made again in a plan: what the rule of :mod:`repairadvisor.optics.redo` comes to in one context.

One more attempt costs what one more joint costs: its minutes for the crew and for the service that waits, its material.
It is taken at its mean in the context, and the rule weighs it at the nearest preferred number (ISO 3, series R10: 10,
12.5, 16, 20, ...), within an eighth of it: limits hardly move with it, and what has been worked out for one plan holds
for many. What an attempt costs is then counted in full. Attempts are as many as the policy lets, less those already
made, less what bare fibre in a tray and bodies on the van do not allow; a common cause ends them sooner. The margin is
known by the time a joint is judged, so a margin that is only bounded now is averaged over, not guessed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from repairadvisor.decision.fibre_width import size_of
from repairadvisor.decision.joint_classes import JointClass
from repairadvisor.decision.light import Light, attenuation_db_per_m, inserted_ends_m, mode_of
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known
from repairadvisor.optics.joint_law import JointLaw
from repairadvisor.optics.redo import Attempts, Budget, Expected, Redo
from repairadvisor.optics.redo_over_margins import OverMargins, RedoOverMargins, Values
from repairadvisor.policy.model import Policy
from repairadvisor.policy.plan import Plan

#: Results of the rule that are remembered for a policy; each is about 300 bytes.
_MOST_REMEMBERED = 100_000
#: The same for a whole grid of budgets; each is about 3 kB.
_MOST_GRIDS_REMEMBERED = 10_000
_R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)
_LEAST_DB, _MOST_DB = -59.0, 59.0
#: Points and weights of Gauss's rule on 0 to 1, exact for cubics.
_GAUSS = ((0.2113248654051871, 0.5), (0.7886751345948129, 0.5))
#: Longest stretch of margin over which the rule is taken once, dB, and from where on one point stands for the rest.
_STRETCH_DB, _AMPLE_DB = 0.5, 6.0
#: Budgets at which the rule is worked out for one that is only bounded, dB.
GRID_DB = (
    *(-12.0, -6.0, -4.0, -3.0, -2.0, -1.5, -1.0, -0.75, -0.5, -0.4, -0.3, -0.2, -0.15, -0.1, -0.05),
    *(0.0125 * i for i in range(21)),
    *(0.25 + 0.025 * i for i in range(1, 11)),
    *(0.5 + 0.05 * i for i in range(1, 11)),
    *(1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 10.0),
)
_GRID = np.array(GRID_DB)
#: An owner's limit that more joints than this miss is not met by making them again: his leave is asked beforehand.
HOPELESS = 0.5
OWNER, USUAL = "owner", "usual"
#: Attempts for which a shelf full of bodies lasts: nobody makes more.
_AS_GOOD_AS_ENDLESS = 1000
_BODIES = {
    "mechanical_splice": ("mechanical_splice_count",),
    "factory_pigtail": ("sleeve_count",),  # the pigtail itself is cleaved afresh
    "fusion_splice": ("sleeve_count",),
}


@dataclass(frozen=True, slots=True)
class AttemptCost:
    """One more attempt at one fibre: the crew's time and material, and the service that waits, in money."""

    work: float
    outage: float

    @property
    def total(self) -> float:
        """What the rule weighs."""
        return self.work + self.outage


@dataclass(frozen=True, slots=True)
class JointLimit:
    """Up to what one joint may lose: who set it (the owner, or usage), and what passing it costs, in money."""

    limit_db: float
    set_by: str
    over_cost: float


@dataclass(slots=True)
class Redone:
    """The redo rule in one context. ``kind_of`` says what decides what one more attempt costs, ``one_more`` what it
    costs at one fibre: work with material, and the service that waits."""

    policy: Policy
    light: Light
    context: Context
    kind_of: Callable[[Plan], tuple[str, ...]]
    one_more: Callable[[Plan], tuple[float, float]]
    _attempts: dict[tuple[str, ...], Attempts] = field(default_factory=dict)
    _prices: dict[tuple[str, ...], AttemptCost] = field(default_factory=dict)
    _laws: dict[tuple[object, ...], JointLaw] = field(default_factory=dict)
    _kinds: dict[tuple[str, str], tuple[object, ...]] = field(default_factory=dict)
    _sizes: dict[str, float] = field(default_factory=dict)
    _last: dict[tuple[object, ...], dict[tuple[int, int, int], Expected]] = field(default_factory=dict)

    @property
    def recorded(self) -> bool:
        """Whether the loss of what is cut out is on record (or given back by its distribution)."""
        return "recorded_loss_cut_out_db" in self.context.held

    def price(self, plan: Plan) -> AttemptCost:
        """What one more attempt at one fibre costs."""
        key = self.kind_of(plan)
        if key not in self._prices:
            self._prices[key] = AttemptCost(*self.one_more(plan))
        return self._prices[key]

    def attempts(self, plan: Plan) -> Attempts:
        """How often a plan's joints may be made."""
        key = (*self.kind_of(plan), plan.layout, plan.stage)
        if key not in self._attempts:
            self._attempts[key] = self._attempts_of(plan)
        return self._attempts[key]

    def expected(self, plan: Plan, service: str, low_db: float, high_db: float) -> Expected:
        """Redos, chance of missing and joints above the owner's limit of one fibre, for a budget even between two."""
        if high_db <= low_db:
            return self._at(plan, service, low_db)
        return Expected(*(float(part[0]) for part in self.expected_each(plan, service, ((low_db, high_db),))))

    def expected_each(self, plan: Plan, service: str, stretches_db: tuple[tuple[float, float], ...]) -> OverMargins:
        """The same for several stretches of budget, an element each."""
        weights = _weights_within(stretches_db)
        if weights.any():
            found = [np.add.reduce(weights * part, axis=1) for part in self._on_grid(plan, service)]
        else:
            found = [np.zeros(len(stretches_db)) for _ in OverMargins._fields]
        for i, (low_db, high_db) in enumerate(stretches_db):
            if high_db <= low_db:
                one = self._at(plan, service, low_db)
                for part, value in zip(found, (one.cost, one.redos, one.missed, one.over_limit), strict=True):
                    part[i] = value
        return OverMargins(*found)

    def _on_grid(self, plan: Plan, service: str) -> OverMargins:
        """The same for every budget of the grid, remembered across contexts: it depends on numbers only."""
        kind = self._kind(plan, service)
        memory = self.light.redone_on_grid
        if kind not in memory:
            if len(memory) >= _MOST_GRIDS_REMEMBERED:
                memory.clear()
            rule = self.redo(plan, service, 0.0)
            shift = self.shift_db(self.light.joint(plan), service, self.light.wavelengths(service)[0])
            left = np.minimum(np.maximum(_GRID - shift, _LEAST_DB), _MOST_DB)
            law, budget = self.law(self.light.joint(plan), service), rule.budget
            over = RedoOverMargins(
                law, len(rule.laws), left, budget.second_visit, budget.given_back, rule.attempts
            ).expected
            paid = rule.attempts.over_limit_cost > 0.0  # only the owner's limit has a price
            memory[kind] = over if paid else over._replace(over_limit=np.zeros_like(left))
        return memory[kind]

    def _at(self, plan: Plan, service: str, budget_db: float) -> Expected:
        """The same for one budget, remembered too."""
        key = (self._kind(plan, service), budget_db)
        memory = self.light.redone
        if key not in memory:
            if len(memory) >= _MOST_REMEMBERED:
                memory.clear()
            redo = self.redo(plan, service, budget_db)
            paid = redo.attempts.over_limit_cost > 0.0
            memory[key] = redo.expected if paid else replace(redo.expected, over_limit=0.0)
        return memory[key]

    def _kind(self, plan: Plan, service: str) -> tuple[object, ...]:
        """All that a result depends on besides the budget."""
        at = (plan.id, service)
        if at not in self._kinds:
            governing = self.light.wavelengths(service)[0]
            of_fibre = (mode_of(service), governing, self._size(service), self.recorded, self._failed_before())
            self._kinds[at] = (self.light.joint(plan).key, *of_fibre, self._limited(plan, service))
        return self._kinds[at]

    def depends_on(self, plan: Plan, services: Sequence[str], budget: tuple[float, float]) -> tuple[object, ...]:
        """All that the joints of a plan come to depends on, for kinds of service and a budget between two, dB."""
        price = self.price(plan)
        return (*(self._kind(plan, service) for service in services), price.work, price.outage, budget)

    def redo(self, plan: Plan, service: str, budget_db: float) -> Redo:
        """The rule for a budget that is known: the budget for the joints, inserted ends taken off here."""
        joint = self.light.joint(plan)
        governing = self.light.wavelengths(service)[0]
        margin = budget_db - self.shift_db(joint, service, governing)
        attempts = self._limited(plan, service)
        shared = self._last.setdefault((joint.key, service, attempts), {})
        return Redo(
            [self.law(joint, service)] * joint.joints,
            Budget(
                min(max(margin, _LEAST_DB), _MOST_DB),
                self.policy.rates["second_visit_cu"].value,
                None if self.recorded else self.light.given_back(joint, service, governing),
            ),
            attempts,
            shared,
        )

    def _limited(self, plan: Plan, service: str) -> Attempts:
        """The attempts, and up to what a joint is kept whatever the margin, for what the joint itself loses."""
        attempts, law = self.attempts(plan), self.law(self.light.joint(plan), service)
        if law.tries == 1 or attempts.each == 1:
            return replace(attempts, redo_cost=0.0, each=1)
        limit = self.joint_limit(plan, service)
        if limit.set_by == OWNER and limit.limit_db <= self.good_up_to_db(plan, service):
            hopeless = law.tail(0, limit.limit_db) > HOPELESS
            limit = self._usual_limit(plan, service) if hopeless else limit
        return replace(attempts, owner_limit_db=limit.limit_db, over_limit_cost=limit.over_cost)

    def joint_limit(self, plan: Plan, service: str) -> JointLimit:
        """Up to what a joint is kept whatever the margin: the owner's limit for what stays, as far as such joints are
        ever accepted, else what a good joint of its kind keeps; both for what the joint itself loses, unlike mode
        fields apart."""
        attempts, made = self.attempts(plan), self.policy.joints[plan.method, mode_of(service)]
        owner = attempts.owner_limit_db
        if owner is None:
            return self._usual_limit(plan, service)
        if owner > made.allowed_up_to_db:
            return JointLimit(made.allowed_up_to_db, USUAL, 0.0)
        return JointLimit(owner, OWNER, attempts.over_limit_cost)

    def _usual_limit(self, plan: Plan, service: str) -> JointLimit:
        return JointLimit(self.good_up_to_db(plan, service), USUAL, 0.0)

    def good_up_to_db(self, plan: Plan, service: str) -> float:
        """Up to what a joint of a kind is good, whatever the margin and however many were made before."""
        return self.policy.joints[plan.method, mode_of(service)].good_up_to_db

    def unlike_db(self, plan: Plan) -> float:
        """What one joint of a plan loses by unlike mode fields, at its middle: a reading holds it."""
        joints = self.light.joint(plan)
        name = "mode_field_loss_inserted_db" if joints.inserts else "mode_field_loss_db"
        low, high = self._number(name, high=False) or 0.0, self._number(name, high=True) or 0.0
        return 0.5 * (low + high) / (joints.joints if joints.inserts else 1)

    def _failed_before(self) -> int:
        return int(self._number("attempts_so_far_count", high=True) or 0)

    def shift_db(self, joint: JointClass, service: str, nm: int) -> float:
        """Loss of an inserted section's ends, which the joints' law does not hold."""
        if not joint.inserts:
            return 0.0
        return attenuation_db_per_m(self.policy, mode_of(service), nm) * inserted_ends_m(self.policy)

    def _size(self, service: str) -> float:
        mode = mode_of(service)
        if mode not in self._sizes:
            self._sizes[mode] = size_of(self.light, self.context, mode)
        return self._sizes[mode]

    def law(self, joint: JointClass, service: str) -> JointLaw:
        """What a joint of a class may lose, attempt by attempt, from the attempts on that were made before."""
        key = (joint.method, joint.factor, service)
        if key not in self._laws:
            law = self.light.law(joint, service, self._size(service))
            self._laws[key] = law.after(self._failed_before())
        return self._laws[key]

    def _attempts_of(self, plan: Plan) -> Attempts:
        joint = self.light.joint(plan)
        most = int(self.policy.limits["attempts_most"].value) - self._failed_before()
        most = min(most, self._in_the_tray(plan))
        owner = None
        if plan.stage == "permanent" and not self._is_plug(plan):
            owner = self._number("owner_joint_limit_db", high=False)
        return Attempts(
            redo_cost=preferred(self.price(plan).total),
            each=max(most, 1),
            shared_redos=self._bodies_over(plan, joint.joints),
            owner_limit_db=None if owner is None else max(owner - self.unlike_db(plan), 0.0),
            over_limit_cost=self.policy.rates["owner_leave_cu"].value,
        )

    def _in_the_tray(self, plan: Plan) -> int:
        """Attempts that the bare fibre in a tray lasts for; many where nobody has measured it, or it is cut afresh."""
        if plan.layout != "in_tray":
            return 20
        have = [self._number(f"tray_fibre_{side}_m", high=False) for side in ("near", "far")]
        told = [one for one in have if one is not None]
        if not told:
            return 20
        over = min(told) - self.policy.limits["tray_fibre_least"].value
        return 1 + max(0, int(over / self.policy.rates["fibre_per_attempt_m"].value + 1e-9))

    def _bodies_over(self, plan: Plan, joints: int) -> int | None:
        """Bodies beyond the first attempts, a fibre; None where nobody has counted them, or the fibres."""
        fibres = self._number(fibres_fact(plan), high=True)
        counts = [self._number(name, high=False) for name in self._bodies(plan)]
        told = [count for count in counts if count is not None]
        if fibres is None or not told or fibres < 1.0:
            return None
        return min(max(0, int((min(told) - fibres * joints) / fibres)), _AS_GOOD_AS_ENDLESS)

    def _bodies(self, plan: Plan) -> tuple[str, ...]:
        """What every attempt of a plan uses up; plugs of the port's polish only."""
        if plan.method in ("field_fit_stub", "field_fit_spliced_on"):
            return tuple(f"field_plug_{polish}_count" for polish in self.context.possible["plug_polish_far"].words)
        return _BODIES.get(plan.method, ())

    def _is_plug(self, plan: Plan) -> bool:
        return any(made.pairs for (method, _), made in self.policy.joints.items() if method == plan.method)

    def _number(self, name: str, *, high: bool) -> float | None:
        """A number as stated, of a bounded one the end that was asked for; None where nobody has said."""
        state = self.context.state(name)
        if isinstance(state, Between):
            return state.high if high else state.low
        return state.value if isinstance(state, Known) and isinstance(state.value, float) else None


def preferred(price: float) -> float:
    """The nearest preferred number of series R10 (ISO 3), by ratio; nothing stays nothing."""
    if price <= 0.0:
        return 0.0
    scale = 1.0
    while price >= 10.0 * scale:
        scale *= 10.0
    while price < scale:
        scale /= 10.0
    digits = price / scale
    for low, high in pairwise(_R10):
        if digits * digits <= low * high:
            return low * scale
    return _R10[-1] * scale


def grid_within(low_db: float, high_db: float) -> list[tuple[float, float]]:
    """Margins of a fixed grid, with weights that add up to 1, for the mean over a margin even between two of what runs
    straight between them; the grid is dense where chances change. Against the rule itself, averaged finely, the chance
    of missing is off by at most 0.4 points in cells that begin below 0.1 dB, by 0.1 below 0.2 and by 0.06 elsewhere."""
    weights: dict[float, float] = {}
    whole = high_db - low_db
    first = min(max(bisect_right(GRID_DB, low_db) - 1, 0), len(GRID_DB) - 2)
    for left, right in pairwise(GRID_DB[first:]):
        begin = low_db if left == GRID_DB[first] else left
        end = high_db if right == GRID_DB[-1] else min(right, high_db)
        if begin >= high_db:
            break
        share = (end - begin) / whole
        middle = min(max((0.5 * (begin + end) - left) / (right - left), 0.0), 1.0)
        weights[left] = weights.get(left, 0.0) + share * (1.0 - middle)
        weights[right] = weights.get(right, 0.0) + share * middle
    return list(weights.items())


@lru_cache(maxsize=4_096)
def _weights_within(stretches_db: tuple[tuple[float, float], ...]) -> Values:
    """Those weights for several stretches, one for each budget of the grid; none for a budget that is known."""
    found = np.zeros((len(stretches_db), len(GRID_DB)))
    for i, (low_db, high_db) in enumerate(stretches_db):
        if high_db > low_db:
            weights = dict(grid_within(low_db, high_db))
            found[i] = [weights.get(budget, 0.0) for budget in GRID_DB]
    return found


def margins_within(low_db: float, high_db: float) -> list[tuple[float, float]]:
    """Margins, with weights that add up to 1, that stand for one that is even between two."""
    found: list[tuple[float, float]] = []
    whole = high_db - low_db
    tight = min(high_db, max(low_db, _AMPLE_DB))
    stretches = max(1, -int(-(tight - low_db) // _STRETCH_DB)) if tight > low_db else 0
    for stretch in range(stretches):
        width = (tight - low_db) / stretches
        found += [(low_db + (stretch + point) * width, weight * width / whole) for point, weight in _GAUSS]
    if high_db > tight:
        found.append((0.5 * (tight + high_db), (high_db - tight) / whole))
    return found
