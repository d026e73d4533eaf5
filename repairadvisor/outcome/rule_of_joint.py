"""The redo rule for joints that were made: the same laws, prices, limits and causes that planning weighs.

One :class:`Work` a repair; it makes the rule for any joint of any fibre, once what was read of the others is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from repairadvisor.decision.bad_results import CommonCause, common_cause_of
from repairadvisor.decision.cost import Costs
from repairadvisor.decision.light import attenuation_db_per_m, mode_of
from repairadvisor.decision.loss import inserted_m
from repairadvisor.decision.redone import JointLimit, Redone
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look, worlds_of
from repairadvisor.decision.start import later_on
from repairadvisor.decision.thrown_back import settled_number
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.optics.joint_law import JointLaw
from repairadvisor.optics.noisy_reading import ReadingNoise, reading_noise
from repairadvisor.optics.redo import Redo
from repairadvisor.optics.redo_given_reading import STEP_DB, GivenReading, cells_of, cells_of_sum, refined
from repairadvisor.optics.ribbon import MOST_FIBRES, worst_of
from repairadvisor.outcome.conclusions import Concluded, sides_of
from repairadvisor.outcome.reported import Attempt
from repairadvisor.policy.model import JointSet
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_light import MATED_PAIR

#: A margin that no joint can use up, for where nobody has told the margin.
AMPLE_DB = 50.0
_MOST_TRIES = 20
#: Joints that are looked at together in short stretches.
_FEW = 2


@dataclass(frozen=True, slots=True)
class AttemptsLeft:
    """How many more attempts there are at a joint, and what ends them: "cause", "count", "fibre", "bodies"."""

    count: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class JointRule:
    """The rule for one joint as made, and what it rests on. ``limit`` for what one joint loses, unlike mode fields
    apart; ``unlike_db`` is what unlike mode fields add to one, which readings hold. ``costs`` and ``minutes`` are those
    of another attempt."""

    given: GivenReading
    greatest_kept_db: float | None
    limit: JointLimit
    unlike_db: float
    left: AttemptsLeft
    chance_it_helps: float
    costs: float
    minutes: float
    bad_in_a_row: int
    chance_of_cause: float
    margin_before_db: float | None


@dataclass(slots=True)
class Work:
    """A repair that was carried out by ``plan``, in the facts that are known of it now."""

    rules: Rules
    context: Context
    plan: Plan
    _made: dict[str, tuple[Plan, Costs]] = field(default_factory=dict)
    _noise: dict[float, ReadingNoise] = field(default_factory=dict)
    _cells: dict[tuple[int, int, int], tuple[float, ...]] = field(default_factory=dict)
    _laws: dict[tuple[str, int, bool], JointLaw] = field(default_factory=dict)
    _rules: dict[tuple[object, ...], JointRule] = field(default_factory=dict)

    def __post_init__(self) -> None:
        # Attempts are counted as reported, those before the advice among them.
        counted, _ = self.context.with_facts({"attempts_so_far_count": Known(0.0)})
        self.context = later_on(counted, self.rules, 0.0)

    # --- what there is ------------------------------------------------------------------------------------------

    @property
    def modes(self) -> tuple[str, ...]:
        """The modes that the fibre may be of."""
        return tuple(dict.fromkeys(mode_of(service) for service in self.context.possible["service_kind"].words))

    @property
    def methods(self) -> tuple[str, ...]:
        """The methods by which a joint of such a fibre can be made."""
        return tuple(method for method, mode in self.rules.policy.joints if method != MATED_PAIR and mode in self.modes)

    @property
    def joints(self) -> int:
        """Joints of one fibre."""
        return max(1, self.rules.policy.light.joints_in_layout[self.plan.layout])

    def service(self, nanometres: Sequence[int]) -> str:
        """The kind of service, of those it may be the first whose fibre carries what was read. Errors: InputError."""
        words = self.context.possible["service_kind"].words
        multimode = any(nm < 1305 for nm in nanometres)
        fitting = [one for one in words if not nanometres or (mode_of(one) == "multimode") == multimode]
        if not fitting:
            raise InputError([Fault("unknown-word", "readings.nm", str(list(nanometres)), "fits no service there is")])
        return fitting[0]

    def governing_nm(self, service: str) -> int:
        """The wavelength at which joints are kept or made again."""
        return self.rules.light.wavelengths(service)[0]

    def joint_set(self, method: str, service: str) -> JointSet:
        """How well a method makes joints in the fibre of a service."""
        return self.rules.policy.joints[method, mode_of(service)]

    def as_made(self, method: str) -> tuple[Plan, Costs]:
        """The plan with the method that was used, and what it costs: the sensible plan that shares most with it."""
        if method not in self._made:
            plans = [one for one in self.rules.policy.plans if one.method == method]
            alike = [sum(a == b for a, b in zip(one.words(), self.plan.words(), strict=True)) for one in plans]
            best = plans[alike.index(max(alike))]
            index = self.rules.policy.plans.index(best)
            _, costs, _ = worlds_of(look(self.rules, self.context), 1 << index)
            self._made[method] = (best, costs)
        return self._made[method]

    def noise(self, sigma_db: float) -> ReadingNoise:
        """The weights of a reading's noise."""
        if sigma_db not in self._noise:
            self._noise[sigma_db] = reading_noise(sigma_db, STEP_DB)
        return self._noise[sigma_db]

    def at_governing(self, loss_db: float, nm: int, method: str, service: str) -> float:
        """What a joint that loses so much at another wavelength is taken to lose at the governing one."""
        governing = self.governing_nm(service)
        lines = self._law(method, service, 1).clean.lines
        if nm == governing or not lines:
            return loss_db
        near = min(lines, key=lambda one: (abs(one - nm), one))
        low, high = lines[near]
        return 0.5 * (low.governing(loss_db) + high.governing(loss_db))

    def worst_at_governing(self, read: Mapping[int, Concluded], method: str, service: str) -> float | None:
        """The most that a joint may lose at the governing wavelength, noise apart; None where nothing was read."""
        if not read:
            return None
        governing = self.governing_nm(service)
        nm = governing if governing in read else min(read, key=lambda one: (abs(one - governing), one))
        return max(self.at_governing(read[nm].high_db, nm, method, service), 0.0)

    def kept_at_db(self, method: str, service: str) -> float:
        """Up to what reading one joint by a method is kept whatever the margin, noise apart."""
        plan, costs = self.as_made(method)
        return costs.redone.joint_limit(plan, service).limit_db + costs.redone.unlike_db(plan)

    @property
    def inserts(self) -> bool:
        """Whether a length was let in."""
        return self.plan.layout == "insert_section"

    def inserted_db(self, service: str) -> float:
        """What a length that was let in loses at the governing wavelength."""
        metres = inserted_m(self.rules, self.context, self.plan)
        return metres * attenuation_db_per_m(self.rules.policy, mode_of(service), self.governing_nm(service))

    # --- the rule -------------------------------------------------------------------------------------------------

    def rule(
        self,
        last: Attempt,
        service: str,
        sigma_db: float,
        *,
        one_way: bool,
        fibres: int,
        joints_read: int,
        bad_before: int,
        others: Sequence[tuple[int, float]],
    ) -> JointRule:
        """The rule for the attempt ``last``, of a ribbon of ``fibres``, of which readings hold ``joints_read`` joints.

        ``bad_before`` bad results came before it in a row. ``others`` are the other joints of the fibre that were made:
        how many a reading holds, and what it says they lose, dB.
        """
        told = (last.attempt, last.tray_fibre_near_m, last.tray_fibre_far_m, last.joint_bodies_left)
        key = (last.method, service, sigma_db, one_way, fibres, joints_read, bad_before, tuple(others), told)
        if key not in self._rules:
            self._rules[key] = self._rule(last, service, sigma_db, one_way, fibres, joints_read, bad_before, others)
        return self._rules[key]

    def _rule(
        self,
        last: Attempt,
        service: str,
        sigma_db: float,
        one_way: bool,
        fibres: int,
        joints_read: int,
        bad_before: int,
        others: Sequence[tuple[int, float]],
    ) -> JointRule:
        plan, costs = self.as_made(last.method)
        to_come = max(0, self.joints - joints_read - sum(count for count, _ in others))
        redone = costs.redone
        law = self._law(last.method, service, fibres, few=joints_read + to_come <= _FEW)
        cause = self.cause(last.method, service, fibres)
        bad = bad_before + 1
        limit, unlike = redone.joint_limit(plan, service), redone.unlike_db(plan)
        shared = self._bodies_left(last, plan, redone, to_come)
        left = self._left(last, plan, cause, bad, shared)
        begin = min(bad, law.tries - 1)
        next_law = replace(law, failure_chances=law.failure_chances[begin : begin + max(left.count, 1)])
        to_make = replace(law, failure_chances=law.failure_chances[: self._most])
        budget, margin = self._budget(plan, redone, service, [loss - count * unlike for count, loss in others])
        attempts = redone.attempts(plan)
        redo = Redo(
            [next_law] * joints_read + [to_make] * to_come,
            budget.budget,
            replace(
                attempts,
                each=_MOST_TRIES,
                shared_redos=None,
                owner_limit_db=limit.limit_db,
                over_limit_cost=limit.over_cost,
            ),
        )
        most = joints_read + sum(one.tries - 1 for one in redo.laws)
        given = GivenReading(
            cells=self._cells_of(law, min(bad_before, law.tries - 1), joints_read),
            redo=redo,
            redos_left=most if shared is None else min(shared, most),
            may_redo=left.count > 0,
            limit_db=joints_read * limit.limit_db,
            confidence=self.rules.policy.after_work["one_way_confidence" if one_way else "limit_confidence"].value,
            noise=self.noise(sigma_db),
            joints=joints_read,
        )
        return JointRule(
            given=given,
            greatest_kept_db=given.greatest_kept_db(),
            limit=limit,
            unlike_db=unlike,
            left=left,
            chance_it_helps=1.0 - next_law.tail(0, limit.limit_db),
            costs=joints_read * redone.price(plan).total,
            minutes=joints_read * costs.redone_minutes(plan)[0],
            bad_in_a_row=bad,
            chance_of_cause=cause.chance(bad),
            margin_before_db=margin,
        )

    def _law(self, method: str, service: str, fibres: int, *, few: bool = True) -> JointLaw:
        """The law of one joint by how many bad ones came before it; of a ribbon that of its worst fibre. With few
        joints in a row in short stretches, else as planning has them: their number counts once for every joint."""
        key = (f"{method} {service}", fibres, few)
        if key not in self._laws:
            plan, costs = self.as_made(method)
            law = costs.redone.law(self.rules.light.joint(plan), service)
            cause = self.cause(method, service, fibres)
            worst = worst_of(law, min(fibres, MOST_FIBRES), cause.failing)
            self._laws[key] = refined(worst) if few else worst
        return self._laws[key]

    def _cells_of(self, law: JointLaw, used: int, joints: int) -> tuple[float, ...]:
        key = (id(law), used, joints)
        if key not in self._cells:
            self._cells[key] = cells_of_sum(cells_of(law, used), joints)
        return self._cells[key]

    def _budget(
        self, plan: Plan, redone: Redone, service: str, others_db: Sequence[float]
    ) -> tuple[Redo, float | None]:
        """The least budget there may be, less what the other joints made so far lose; and that margin, where known."""
        known = "margin_db" in self.context.held
        light = self.rules.light
        before = light.budget_interval(light.budget_fact(self.plan), self.context)[0] if known else AMPLE_DB
        left = before - sum(others_db)
        return redone.redo(plan, service, min(max(left, -AMPLE_DB), AMPLE_DB)), (left if known else None)

    @property
    def _most(self) -> int:
        """Attempts that a joint may come to."""
        return max(int(self.rules.policy.limits["attempts_most"].value), 1)

    # --- attempts that are left -----------------------------------------------------------------------------------

    def _left(self, last: Attempt, plan: Plan, cause: CommonCause, bad: int, shared: int | None) -> AttemptsLeft:
        """The least of what count, cause, fibre and bodies leave; the first that leaves none is named."""
        counts = [
            (cause.look_after - bad, "cause"),
            (self._most - last.attempt, "count"),
            (self._by_fibre(last, plan), "fibre"),
            (_MOST_TRIES if shared is None else shared, "bodies"),
        ]
        least, why = min(counts, key=lambda one: max(one[0], 0))
        return AttemptsLeft(max(least, 0), why)

    def _by_fibre(self, last: Attempt, plan: Plan) -> int:
        """Attempts that the bare fibre still lasts for: as measured after this attempt, else as before the first; many
        where nobody has measured it."""
        told = [one for one in (last.tray_fibre_near_m, last.tray_fibre_far_m) if one is not None]
        used = 0
        if not told and plan.layout == "in_tray":
            before = [settled_number(self.context, f"tray_fibre_{side}_m") for side in ("near", "far")]
            told, used = [one for one in before if one is not None], last.attempt - 1
        if not told:
            return _MOST_TRIES
        over = min(told) - self.rules.policy.limits["tray_fibre_least"].value
        return max(0, int(over / self.rules.policy.rates["fibre_per_attempt_m"].value + 1e-9) - used)

    def _bodies_left(self, last: Attempt, plan: Plan, redone: Redone, to_come: int) -> int | None:
        """Bodies beyond those that the fibre's joints to come need: as they were counted after this attempt, else each
        fibre's share of what was on the van; None where nobody has counted."""
        if last.joint_bodies_left is not None:
            return max(0, last.joint_bodies_left - to_come)
        shared = redone.attempts(plan).shared_redos
        return None if shared is None else max(0, shared - (last.attempt - 1))

    def floor(self) -> float:
        """The least chance that the link closes."""
        return self.rules.policy.light.floors[self.plan.stage].value

    def ribbon_size(self) -> float | None:
        """Fibres of a ribbon, where that is known."""
        return settled_number(self.context, "ribbon_size_count")

    def types_told(self) -> bool:
        """Whether the types of both fibres are known."""
        return all(len(self.context.possible[f"fibre_type_{side}"].words) == 1 for side in ("near", "far"))

    def cause(self, method: str, service: str, fibres: int) -> CommonCause:
        """The common cause of a method's bad joints, or ribbons of so many fibres."""
        return common_cause_of(self.rules.policy, self.joint_set(method, service), min(fibres, MOST_FIBRES))

    def alike(self, mode: str, joint: int) -> bool:
        """Whether both fibres at a joint are known to be alike."""
        return sides_of(self.rules.light, self.context, mode, inserts=self.inserts, joint=joint).alike
