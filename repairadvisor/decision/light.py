"""What a plan costs in light: its joints' distributions, compiled once, and the chance that the link closes.

A plan's joints form one *joint class*: method, how many joints in a row, how much worse the workplace makes offset
and tilt, and what is cut out and so gives its loss back. For each class, mode of fibre and wavelength one table holds
the distribution of the loss that is added, and one the net change where what is cut out has no record. At request
time tables are looked up; nothing is drawn, no exp and no log is taken.

The margin before the fault, plus a recorded loss that is cut out, less unlike mode fields and the inserted length's
attenuation, is the *budget for the joints*: a derived fact. Where several wavelengths carry service the chance that
all close lies between two bounds; the lower one decides.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.cells import Interval, derived_interval
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known, State
from repairadvisor.facts.vocabulary import BY_NAME, MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.optics.constants import FIBRE_INDEX
from repairadvisor.optics.distribution import LossModel, LossTable, compile_difference, compile_sum
from repairadvisor.optics.joint import mode_mismatch_loss_db
from repairadvisor.optics.mode_field import radius_at_wavelength_um
from repairadvisor.optics.workmanship import (
    mean_multimode_offset_loss_db,
    mean_multimode_pair_loss_db,
    mean_multimode_tilt_loss_db,
    mean_offset_loss_db,
    mean_pair_loss_at_radius_db,
    mean_tilt_loss_db,
)
from repairadvisor.policy.condition import Below, Condition, Every, IsOneOf, Some
from repairadvisor.policy.model import Derived, JointSet, LiftedBy, Policy, Screen, Term
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_light import LIKE_FOR_LIKE

SINGLE_MODE, MULTIMODE = "single_mode", "multimode"
BUDGET_DIRECT, BUDGET_INSERT = "budget_for_joints_db", "budget_for_two_joints_db"
_MULTIMODE_RADIUS_UM = 25.0
_MULTIMODE_APERTURE = 0.2
_MULTIMODE_INDEX = 1.48


@dataclass(frozen=True, slots=True)
class JointClass:
    """What decides the loss of a plan: its method, joints in a row, workplace and what is given back."""

    method: str
    joints: int
    factor: float
    gives_back: str
    inserts: bool

    @property
    def key(self) -> tuple[str, ...]:
        """The class as a tuple of texts."""
        inserted = "inserted" if self.inserts else ""
        return (self.method, str(self.joints), f"{self.factor:g}", self.gives_back, inserted)


@dataclass(frozen=True, slots=True)
class Tables:
    """Loss added by a class's joints at one wavelength, and the net change without a record."""

    added: LossTable
    net: LossTable


@dataclass(frozen=True, slots=True)
class BudgetScreen:
    """A screen made from a number of the policy: for which plans, by key, and whether it is the one for a loss on
    record (None: it does not matter)."""

    key: tuple[str, ...]
    recorded: bool | None
    screen: Screen


@dataclass(frozen=True, slots=True)
class Light:
    """Everything about light, compiled. ``classes`` by plan id; ``tables`` by class, mode and nanometres."""

    policy: Policy
    classes: Mapping[str, JointClass]
    tables: Mapping[tuple[tuple[str, ...], str, int], Tables]
    derived: Mapping[str, Derived]
    mismatch_db: Mapping[tuple[str, str], float]

    def joint(self, plan: Plan) -> JointClass:
        """The class of a plan's joints."""
        return self.classes[plan.id]

    def budget_fact(self, plan: Plan) -> str:
        """The derived fact that a plan's joints draw on."""
        return BUDGET_INSERT if plan.layout == "insert_section" else BUDGET_DIRECT

    def budget_key(self, plan: Plan) -> tuple[str, ...]:
        """What decides the budget screen of a plan: its joints, what they draw on, and the stage's floor."""
        if plan.method == "none":
            return ()
        return (*self.joint(plan).key, self.budget_fact(plan), plan.stage)

    def owner_limit_key(self, plan: Plan) -> tuple[str, ...]:
        """What decides whether a plan's single joint keeps the owner's limit; empty for plugs, where none is made, and
        for what does not stay."""
        if (
            plan.method == "none"
            or plan.stage != "permanent"
            or any(joint.pairs for (method, _), joint in self.policy.joints.items() if method == plan.method)
        ):
            return ()
        return ("owner's limit", plan.method, f"{self.joint(plan).factor:g}")

    def budget_interval(self, name: str, context: Context) -> Interval:
        """Between what the budget for the joints lies, dB."""
        return derived_interval(self.derived[name], context)

    def wavelengths(self, service: str) -> tuple[int, ...]:
        """The wavelengths looked at for a kind of service, the governing one first."""
        return self.policy.light.wavelengths[service]

    def table(self, joint: JointClass, service: str, nm: int, *, recorded: bool) -> LossTable:
        """The distribution that is held against the budget: added loss, or net where nothing is on record."""
        tables = self.tables[joint.key, mode_of(service), nm]
        return tables.added if recorded else tables.net

    def miss_chance(self, joint: JointClass, service: str, low: float, high: float, *, recorded: bool) -> float:
        """Upper bound on the chance that one fibre misses, for a budget even between low and high."""
        missed = 0.0
        for nm in self.wavelengths(service):
            table = self.table(joint, service, nm, recorded=recorded)
            missed += table.mean_chance_above(low, high) if high > low else table.chance_above(low)
        return min(missed, 1.0)


def mode_of(service: str) -> str:
    """The mode of fibre that a kind of service runs on."""
    within = BY_NAME["fibre_mode"].within
    assert within is not None
    return within[1][service][0]


def compile_light(policy: Policy) -> Light:
    """Compile every distribution that a plan of the policy can ask for."""
    classes = {plan.id: _class_of(policy, plan) for plan in policy.plans if plan.method != "none"}
    tables: dict[tuple[tuple[str, ...], str, int], Tables] = {}
    made: dict[tuple[tuple[float, ...], ...], Tables] = {}
    sums: dict[tuple[tuple[float, ...], ...], LossTable] = {}
    for joint in dict.fromkeys(classes.values()):
        for mode, nm in _looked_at(policy):
            if (joint.method, mode) not in policy.joints:
                continue
            added = [_model(policy.joints[joint.method, mode], joint.factor, nm)] * joint.joints
            if joint.inserts:
                added.append(LossModel(attenuation_db_per_m(policy, mode, nm) * inserted_ends_m(policy)))
            back = _given_back(policy, joint, mode, nm)
            key = tuple(_numbers(model) for model in (*added, LossModel(0.0), *back))
            if key not in made:
                sum_key = tuple(_numbers(model) for model in added)
                table = sums.setdefault(sum_key, sums.get(sum_key) or compile_sum(added))
                made[key] = Tables(table, compile_difference(added, back) if back else table)
            tables[joint.key, mode, nm] = made[key]
    return Light(policy, classes, tables, _budgets(policy), _mismatches(policy))


def _numbers(model: LossModel) -> tuple[float, ...]:
    return (model.l0_db, model.failure_chance, model.failure_mean_db, *model.exponential_means_db)


def _looked_at(policy: Policy) -> list[tuple[str, int]]:
    """Every mode and wavelength that some service looks at, each once."""
    pairs = [(mode_of(service), nm) for service, many in policy.light.wavelengths.items() for nm in many]
    return list(dict.fromkeys(pairs))


def inserted_ends_m(policy: Policy) -> float:
    """Metres of an inserted section beyond the gap it bridges: both its ends up to their closures."""
    return policy.rates["inserted_beyond_gap_m"].value


def attenuation_db_per_m(policy: Policy, mode: str, nm: int) -> float:
    """The highest attenuation among the fibre types of a mode, dB a metre: nobody yet knows the reel."""
    types = SINGLE_MODE_TYPES if mode == SINGLE_MODE else MULTIMODE_TYPES
    return max(policy.light.attenuation[name, nm] for name in types if (name, nm) in policy.light.attenuation) / 1000.0


def _class_of(policy: Policy, plan: Plan) -> JointClass:
    factor = 1.0
    for adjust in policy.light.adjust:
        if plan.fits(adjust.plans):
            factor = max(factor, adjust.factor)
    back = policy.light.given_back[plan.layout]
    return JointClass(
        method=plan.method,
        joints=policy.light.joints_in_layout[plan.layout],
        factor=factor,
        gives_back=plan.method if back == LIKE_FOR_LIKE else back,
        inserts=plan.layout == "insert_section",
    )


def _model(made: JointSet, factor: float, nm: int) -> LossModel:
    """One joint's loss at a wavelength: the workmanship's spreads turned into means."""
    offset, tilt = made.sigma_offset_um * factor, made.sigma_tilt_deg * factor
    means = []
    if made.mode == SINGLE_MODE:
        radius = _radius_um(nm)
        if offset:
            means.append(mean_offset_loss_db(offset, radius))
        if tilt:
            means.append(mean_tilt_loss_db(tilt, FIBRE_INDEX.value, radius, nm / 1000.0))
        if made.pair_97_db:
            means += [mean_pair_loss_at_radius_db(made.pair_97_db, radius)] * made.pairs
    else:
        if offset:
            means.append(mean_multimode_offset_loss_db(offset, _MULTIMODE_RADIUS_UM))
        if tilt:
            means.append(mean_multimode_tilt_loss_db(tilt, _MULTIMODE_INDEX, _MULTIMODE_APERTURE))
        if made.pair_97_db:
            means += [mean_multimode_pair_loss_db(made.pair_97_db, _MULTIMODE_RADIUS_UM)] * made.pairs
    return LossModel(made.l0_db, tuple(means), made.failure_chance, made.failure_mean_db)


def _radius_um(nm: int) -> float:
    return radius_at_wavelength_um(4.6, nm / 1000.0)


def _given_back(policy: Policy, joint: JointClass, mode: str, nm: int) -> list[LossModel]:
    """The parts that are cut out, as models of what they lost."""
    if (joint.gives_back, mode) not in policy.joints:
        return []
    return [_model(policy.joints[joint.gives_back, mode], 1.0, nm)] * joint.joints


def _budgets(policy: Policy) -> dict[str, Derived]:
    """The two budgets for the joints, as derived facts."""
    kept = (
        Term("margin_db", 1.0, None, None),
        Term("recorded_loss_cut_out_db", 1.0, None, 0.0),
        Term("mode_field_loss_db", -1.0, None, 0.0),
    )
    lost = {
        mode: max(attenuation_db_per_m(policy, mode, nm) for one, nm in _looked_at(policy) if one == mode)
        for mode in (SINGLE_MODE, MULTIMODE)
    }
    # A gap nobody has told counts nothing: at 0.35 dB a kilometre ten metres more or less are not worth a question.
    gap = tuple(Term("gap_m", -per_metre, ("fibre_mode", (mode,)), 0.0) for mode, per_metre in lost.items())
    return {
        BUDGET_DIRECT: Derived(BUDGET_DIRECT, "margin that is there for the joints", "dB", kept, 0.0, ()),
        BUDGET_INSERT: Derived(
            BUDGET_INSERT, "margin that is there for the joints of an inserted section", "dB", (*kept, *gap), 0.0, ()
        ),
    }


def _mismatches(policy: Policy) -> dict[tuple[str, str], float]:
    """True loss for unlike mode fields alone, by the nominal mode-field diameters of two types, dB."""
    sizes = policy.light.mode_field_um
    return {
        (near, far): mode_mismatch_loss_db(sizes[near] / 2.0, sizes[far] / 2.0)
        for near in sizes
        for far in sizes
        if near not in MULTIMODE_TYPES and far not in MULTIMODE_TYPES
    }


def mismatch_of(light: Light, context: Context) -> State | None:
    """Loss for unlike mode fields: from both fibre types where something is said of both and no record tells it."""
    held = context.held
    if "mode_field_loss_db" in held or "fibre_type_near" not in held or "fibre_type_far" not in held:
        return None
    pairs = itertools.product(context.possible["fibre_type_near"].words, context.possible["fibre_type_far"].words)
    losses = [light.mismatch_db[pair] for pair in pairs if pair in light.mismatch_db]
    if not losses:
        return None
    low, high = min(losses), max(losses)
    return Known(low) if low == high else Between(low, high)


def budget_screens(policy: Policy, light: Light) -> tuple[BudgetScreen, ...]:
    """For each joint class and stage: barred where the chance that the link closes lies below the floor.

    The floor on a chance is turned into a limit on the budget for the joints, for each kind of service its own, so
    that the screen is an ordinary condition. Where a part that is cut out has no record its distribution is given
    back in the loss; where it has one, the record is in the budget: the screen compares what holds.
    """
    found: dict[tuple[str, ...], Plan] = {}
    for plan in policy.plans:
        if plan.method != "none":
            found.setdefault(light.budget_key(plan), plan)
    return tuple(
        BudgetScreen(key, recorded, _budget_screen(policy, light, plan, recorded=recorded))
        for key, plan in found.items()
        for recorded in (False, True)
    )


def owner_limit_screens(policy: Policy, light: Light) -> tuple[BudgetScreen, ...]:
    """For each method and workplace: barred where the owner's limit for one joint is kept too seldom.

    Plugs are left out: the limit is one for a joint, not for a mated pair.
    """
    found: dict[tuple[str, ...], JointClass] = {}
    for plan in policy.plans:
        key = light.owner_limit_key(plan)
        if key:
            found.setdefault(key, light.joint(plan))
    return tuple(BudgetScreen(key, None, _owner_limit_screen(policy, key, joint)) for key, joint in found.items())


def _owner_limit_screen(policy: Policy, key: tuple[str, ...], joint: JointClass) -> Screen:
    seldom = policy.rates["owner_limit_kept_least"]
    parts: list[Condition] = []
    for service, many in policy.light.wavelengths.items():
        mode = mode_of(service)
        if (joint.method, mode) in policy.joints:
            models = [_model(policy.joints[joint.method, mode], joint.factor, nm) for nm in many]
            limit = max(compile_sum([model]).loss_at_chance_above(1.0 - seldom.value) for model in models)
            below = Below("owner_joint_limit_db", "rate.owner_limit_kept_least", limit)
            parts.append(Every((IsOneOf("service_kind", (service,)), below)))
    return Screen(
        id="/".join(key),
        kind="budget",
        plans={"method": (joint.method,), "stage": ("permanent",)},
        bars_when=Some(tuple(parts)),
        check=True,
        not_before="Before anything is cut the control room reads out the owner's limit for one joint: "
        "it is one that this method keeps.",
        because="This method keeps the owner's limit for one joint too seldom to be planned.",
        source=seldom.source,
        known=seldom.known,
        cautions=(),
        needs="",
        stand_off=False,
        lifted_by=LiftedBy(
            "a method that loses less, or the owner's leave for this joint", "the cable owner", None, 0.0
        ),
        call=(),
        examples={},
    )


def _budget_screen(policy: Policy, light: Light, plan: Plan, *, recorded: bool) -> Screen:
    joint, budget = light.joint(plan), light.budget_fact(plan)
    floor = policy.light.floors[plan.stage]
    parts: list[Condition] = []
    for service in policy.light.wavelengths:
        if (joint.method, mode_of(service)) in policy.joints:
            limit = least_budget_db(light, joint, service, 1.0 - floor.value, recorded=recorded)
            parts.append(Every((IsOneOf("service_kind", (service,)), Below(budget, f"floor.{plan.stage}", limit))))
    words = policy.light.unknown_margin[plan.method]
    return Screen(
        id="budget/" + "/".join(one for one in light.budget_key(plan) if one) + ("/on record" if recorded else ""),
        kind="budget",
        plans={"method": (plan.method,), "layout": (plan.layout,), "stage": (plan.stage,)},
        bars_when=Some(tuple(parts)),
        check=bool(words),
        not_before=words,
        because="",
        source=floor.source,
        known=floor.known,
        cautions=("unverified_margin",),
        needs="",
        stand_off=False,
        lifted_by=LiftedBy(
            "the owner's leave to run below the reserve, or a way that loses less", "the cable owner", None, 0.0
        ),
        call=(),
        examples={},
    )


def least_budget_db(
    light: Light, joint: JointClass, service: str, most_missed: float, *, recorded: bool, step_db: float = 1e-6
) -> float:
    """The smallest budget, dB, at which the summed chances of missing do not pass ``most_missed``."""
    tables: Sequence[LossTable] = [
        light.table(joint, service, nm, recorded=recorded) for nm in light.wavelengths(service)
    ]
    low = min(table.knots_db[0] for table in tables) - 1.0
    high = max(table.knots_db[-1] for table in tables)
    while high - low > step_db:
        middle = 0.5 * (low + high)
        if sum(table.chance_above(middle) for table in tables) > most_missed:
            low = middle
        else:
            high = middle
    return high
