"""What a plan costs in light: its joints' distributions, compiled once, and the chance that the link closes.

A plan's joints form one *joint class*: method, how many joints in a row, how much worse the workplace makes offset
and tilt, and what is cut out and so gives its loss back. For each class, mode of fibre and wavelength one table holds
the distribution of the loss that is added, and one the net change where what is cut out has no record. At request
time tables are looked up; nothing is drawn, no exp and no log is taken. Beside the tables stand the *laws* of one
joint, attempt by attempt and for several widths of the mode field, from which a plan's redo is worked out.

The tables decide permission: every joint counts as made once there, in the fibre of the policy whose mode field is the
narrowest. So no permission rests on attempts that nobody has counted, nor on a fibre type that nobody has looked up.

The margin before the fault, plus a recorded loss that is cut out, less unlike mode fields and the inserted length's
attenuation, is the *budget for the joints*: a derived fact. Where several wavelengths carry service the chance that
all close lies between two bounds; the lower one decides.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from repairadvisor.decision.bad_results import attempts_failing
from repairadvisor.decision.cells import Interval, derived_interval
from repairadvisor.decision.joint_classes import JointClass, classes_of
from repairadvisor.decision.reflections import Reflections, compile_reflections
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME, MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.optics.constants import FIBRE_INDEX
from repairadvisor.optics.distribution import LossModel, LossTable, compile_difference, compile_sum
from repairadvisor.optics.joint import mode_mismatch_loss_db
from repairadvisor.optics.joint_law import JointLaw, compile_joint_law, mix
from repairadvisor.optics.mode_field import radius_at_wavelength_um
from repairadvisor.optics.otdr import step_db
from repairadvisor.optics.redo import Expected
from repairadvisor.optics.redo_over_margins import OverMargins
from repairadvisor.optics.workmanship import (
    mean_multimode_offset_loss_db,
    mean_multimode_pair_loss_db,
    mean_multimode_tilt_loss_db,
    mean_offset_loss_db,
    mean_pair_loss_at_radius_db,
    mean_tilt_loss_db,
)
from repairadvisor.policy.model import Derived, JointSet, Policy, Term
from repairadvisor.policy.plan import Plan

SINGLE_MODE, MULTIMODE = "single_mode", "multimode"
BUDGET_DIRECT, BUDGET_INSERT = "budget_for_joints_db", "budget_for_two_joints_db"
_MULTIMODE_INDEX = 1.48

#: Mode-field radii at 1310 nm, µm, for which laws are compiled; between two of them laws are mixed.
RADII_UM = (4.0, 4.3, 4.6, 4.9, 5.25)
#: The radius to which workmanship was calibrated, and which holds where nobody has said the type.
USUAL_RADIUS_UM = 4.6
#: Core radius, µm, and numerical aperture of multimode fibre, by core diameter.
CORES = {50.0: (25.0, 0.2), 62.5: (31.25, 0.275)}
#: The core that loses more at the same offset, for where nobody has said the type.
USUAL_CORE_UM = 50.0


@dataclass(frozen=True, slots=True)
class Tables:
    """Loss added by a class's joints at one wavelength, and the net change without a record."""

    added: LossTable
    net: LossTable


#: Method, mode, how much worse the workplace makes it, governing nanometres, mode-field radius or core, µm.
LawKey = tuple[str, str, str, int, float]


@dataclass(frozen=True, slots=True, repr=False)
class Light:
    """Everything about light, compiled. ``classes`` by plan id; ``tables`` by class, mode and nanometres; ``back``,
    what parts cut out used to lose, by joint set, joints, mode and nanometres."""

    policy: Policy
    classes: Mapping[str, JointClass]
    tables: Mapping[tuple[tuple[str, ...], str, int], Tables]
    laws: Mapping[LawKey, JointLaw]
    back: Mapping[tuple[str, int, str, int], LossTable]
    reflections: Reflections
    derived: Mapping[str, Derived]
    mismatch_db: Mapping[tuple[str, str], float]
    one_way_step_db: Mapping[tuple[str, str], float]
    #: By method, workplace and kind of service: the limit that as many joints keep as an owner's limit asks for.
    kept_by_most_db: Mapping[tuple[str, str, str], float]
    #: What redo rules have come to, by everything they depend on: a memory, emptied when it grows too large.
    redone: dict[tuple[object, ...], Expected] = field(default_factory=dict, compare=False, repr=False)
    #: The same for a whole grid of budgets.
    redone_on_grid: dict[tuple[object, ...], OverMargins] = field(default_factory=dict, compare=False, repr=False)

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

    def law(self, joint: JointClass, service: str, size_um: float) -> JointLaw:
        """One joint of a class, for a mode-field radius or a core: mixed from the two compiled ones beside it."""
        mode, governing = mode_of(service), self.wavelengths(service)[0]

        def compiled(size: float) -> JointLaw:
            return self.laws[joint.method, mode, f"{joint.factor:g}", governing, size]

        if mode == MULTIMODE:
            return compiled(size_um)
        size = min(max(size_um, RADII_UM[0]), RADII_UM[-1])
        above = next(i for i, radius in enumerate(RADII_UM) if radius >= size)
        wide, narrow = RADII_UM[above], RADII_UM[max(above - 1, 0)]
        if wide in (size, narrow):
            return compiled(wide)
        share = (1.0 / narrow**2 - 1.0 / size**2) / (1.0 / narrow**2 - 1.0 / wide**2)
        return mix(compiled(narrow), compiled(wide), share)

    def given_back(self, joint: JointClass, service: str, nm: int) -> LossTable | None:
        """What the parts cut out used to lose, where that is not on record; None where nothing comes out."""
        return self.back.get((joint.gives_back, joint.joints, mode_of(service), nm))


def mode_of(service: str) -> str:
    """The mode of fibre that a kind of service runs on."""
    within = BY_NAME["fibre_mode"].within
    assert within is not None
    return within[1][service][0]


def compile_light(policy: Policy) -> Light:
    """Compile every distribution that a plan of the policy can ask for."""
    classes = classes_of(policy)
    tables: dict[tuple[tuple[str, ...], str, int], Tables] = {}
    made: dict[tuple[tuple[float, ...], ...], Tables] = {}
    sums: dict[tuple[tuple[float, ...], ...], LossTable] = {}
    for joint in dict.fromkeys(classes.values()):
        for mode, nm in _looked_at(policy):
            if (joint.method, mode) not in policy.joints:
                continue
            worst = least_favourable(policy, mode)
            added = [joint_model(policy.joints[joint.method, mode], joint.factor, nm, worst)] * joint.joints
            if joint.inserts:
                added.append(LossModel(attenuation_db_per_m(policy, mode, nm) * inserted_ends_m(policy)))
            back = _given_back(policy, joint, mode, nm)
            key = tuple(_numbers(model) for model in (*added, LossModel(0.0), *back))
            if key not in made:
                sum_key = tuple(_numbers(model) for model in added)
                table = sums.setdefault(sum_key, sums.get(sum_key) or compile_sum(added))
                made[key] = Tables(table, compile_difference(added, back) if back else table)
            tables[joint.key, mode, nm] = made[key]
    used = dict.fromkeys(classes.values())
    return Light(
        policy=policy,
        classes=classes,
        tables=tables,
        laws=_laws(policy, used),
        back=_back(policy, used),
        reflections=_reflections(policy, tables, used),
        derived=budgets_of(policy),
        mismatch_db=_of_type_pairs(policy, lambda near, far: mode_mismatch_loss_db(near / 2.0, far / 2.0)),
        one_way_step_db=_of_type_pairs(policy, step_db),
        kept_by_most_db=_kept_by_most(policy, used),
    )


def together_key(joint: JointClass, reflectance_db: float, p50_db: float) -> tuple[float, int, float]:
    """What several joints of a class throw back hangs on: each one's reflectance, how many, the loss of one."""
    return reflectance_db, joint.joints, p50_db / joint.joints


def _reflections(
    policy: Policy, tables: Mapping[tuple[tuple[str, ...], str, int], Tables], classes: Iterable[JointClass]
) -> Reflections:
    keys = []
    for joint, (mode, nm) in itertools.product(classes, _looked_at(policy)):
        made = policy.joints.get((joint.method, mode))
        if made is not None:
            p50_db = tables[joint.key, mode, nm].added.p50_db
            keys += [together_key(joint, number.value, p50_db) for number in made.reflectance_db.values()]
    return compile_reflections(dict.fromkeys(keys))


def least_favourable(policy: Policy, mode: str) -> float:
    """The mode-field radius, or core, of the fibre type in which a joint loses most."""
    if mode == MULTIMODE:
        return min(CORES)
    return min(size for name, size in policy.light.mode_field_um.items() if name in SINGLE_MODE_TYPES) / 2.0


def _laws(policy: Policy, classes: Iterable[JointClass]) -> dict[LawKey, JointLaw]:
    """The law of every method at every workplace, for each governing wavelength and width of fibre."""
    laws: dict[LawKey, JointLaw] = {}
    together: dict[tuple[str, int], dict[int, None]] = {}
    for service, many in policy.light.wavelengths.items():
        together.setdefault((mode_of(service), many[0]), {}).update(dict.fromkeys(many))
    for (method, factor), (mode, governing) in itertools.product(
        dict.fromkeys((joint.method, joint.factor) for joint in classes), together
    ):
        made = policy.joints.get((method, mode))
        if made is None:
            continue
        chances = attempts_failing(policy, made)
        for size in RADII_UM if mode == SINGLE_MODE else CORES:
            models = {nm: joint_model(made, factor, nm, size) for nm in together[mode, governing]}
            key = (method, mode, f"{factor:g}", governing, size)
            laws[key] = compile_joint_law(models, governing, chances)
    return laws


def _kept_by_most(policy: Policy, classes: Iterable[JointClass]) -> dict[tuple[str, str, str], float]:
    """For each kind of service the limit that one joint keeps as often as an owner's limit asks for, in the fibre in
    which it loses most."""
    seldom = 1.0 - policy.rates["owner_limit_kept_least"].value
    found: dict[tuple[str, str, str], float] = {}
    for joint, (service, many) in itertools.product(classes, policy.light.wavelengths.items()):
        made = policy.joints.get((joint.method, mode_of(service)))
        key = (joint.method, f"{joint.factor:g}", service)
        if made is not None and not made.pairs and key not in found:
            worst = least_favourable(policy, mode_of(service))
            sums = [compile_sum([joint_model(made, joint.factor, nm, worst)]) for nm in many]
            found[key] = max(table.loss_at_chance_above(seldom) for table in sums)
    return found


def _back(policy: Policy, classes: Iterable[JointClass]) -> dict[tuple[str, int, str, int], LossTable]:
    """What comes out where nothing is on record: joints at a bench, in the usual fibre."""
    found: dict[tuple[str, int, str, int], LossTable] = {}
    for joint, (mode, nm) in itertools.product(classes, _looked_at(policy)):
        models = _given_back(policy, joint, mode, nm)
        key = (joint.gives_back, joint.joints, mode, nm)
        if models and key not in found:
            found[key] = compile_sum(models)
    return found


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


def joint_model(made: JointSet, factor: float, nm: int, size_um: float) -> LossModel:
    """One joint's loss at a wavelength in fibre of a mode-field radius at 1310 nm, or a core: the workmanship's spreads
    turned into means."""
    offset, tilt = made.sigma_offset_um * factor, made.sigma_tilt_deg * factor
    means = []
    if made.mode == SINGLE_MODE:
        radius = radius_at_wavelength_um(size_um, nm / 1000.0)
        if offset:
            means.append(mean_offset_loss_db(offset, radius))
        if tilt:
            means.append(mean_tilt_loss_db(tilt, FIBRE_INDEX.value, radius, nm / 1000.0))
        if made.pair_97_db:
            # a grade of plugs holds in whatever fibre they are made with; only the wavelength counts
            usual = radius_at_wavelength_um(USUAL_RADIUS_UM, nm / 1000.0)
            means += [mean_pair_loss_at_radius_db(made.pair_97_db, usual)] * made.pairs
    else:
        core, aperture = CORES[size_um]
        if offset:
            means.append(mean_multimode_offset_loss_db(offset, core))
        if tilt:
            means.append(mean_multimode_tilt_loss_db(tilt, _MULTIMODE_INDEX, aperture))
        if made.pair_97_db:
            means += [mean_multimode_pair_loss_db(made.pair_97_db, core)] * made.pairs
    return LossModel(made.l0_db, tuple(means), made.failure_chance, made.failure_mean_db)


def _given_back(policy: Policy, joint: JointClass, mode: str, nm: int) -> list[LossModel]:
    """The parts that are cut out, as models of what they lost."""
    if (joint.gives_back, mode) not in policy.joints:
        return []
    usual = USUAL_RADIUS_UM if mode == SINGLE_MODE else USUAL_CORE_UM
    return [joint_model(policy.joints[joint.gives_back, mode], 1.0, nm, usual)] * joint.joints


def budgets_of(policy: Policy) -> dict[str, Derived]:
    """The two budgets for the joints, as derived facts."""
    kept = (
        Term("margin_db", 1.0, None, None),
        Term("recorded_loss_cut_out_db", 1.0, None, 0.0),
    )
    unlike, unlike_inserted = (
        Term(name, -1.0, None, 0.0) for name in ("mode_field_loss_db", "mode_field_loss_inserted_db")
    )
    lost = {
        mode: max(attenuation_db_per_m(policy, mode, nm) for one, nm in _looked_at(policy) if one == mode)
        for mode in (SINGLE_MODE, MULTIMODE)
    }
    # A gap nobody has told counts nothing: at 0.35 dB a kilometre ten metres more or less are not worth a question.
    gap = tuple(Term("gap_m", -per_metre, ("fibre_mode", (mode,)), 0.0) for mode, per_metre in lost.items())
    return {
        BUDGET_DIRECT: Derived(BUDGET_DIRECT, "margin that is there for the joints", "dB", (*kept, unlike), 0.0, ()),
        BUDGET_INSERT: Derived(
            BUDGET_INSERT,
            "margin that is there for the joints of an inserted section",
            "dB",
            (*kept, unlike_inserted, *gap),
            0.0,
            (),
        ),
    }


def _of_type_pairs(policy: Policy, made: Callable[[float, float], float]) -> dict[tuple[str, str], float]:
    """A figure made from the nominal mode-field diameters of two types, for every two."""
    sizes = {name: size for name, size in policy.light.mode_field_um.items() if name in SINGLE_MODE_TYPES}
    return {(near, far): made(sizes[near], sizes[far]) for near in sizes for far in sizes}
