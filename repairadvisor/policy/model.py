"""What a policy holds, once read: frozen, each number with its unit, its source and how it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from repairadvisor.policy.after_work import ToDo
from repairadvisor.policy.condition import Condition
from repairadvisor.policy.plan import PartialPlan, Plan

#: How a number or rule is known.
HOW_KNOWN = ("read", "derived", "calibrated", "common practice", "from memory", "assumed", "operator's records")
SCREEN_KINDS = (
    "scope",
    "danger",
    "safety",
    "feasibility",
    "competence",
    "budget",
    "reflectance",
    "permanence",
)
CLAIM_KINDS = ("permission", "unbarred", "caution", "crew", "answered", "checked", "witness")
#: Kinds of claims that are true or false world by world, and those that speak of plans.
CLAIMS_ON_WORLDS = ("permission", "unbarred", "caution")
CLAIMS_ON_PLANS = (*CLAIMS_ON_WORLDS, "crew")
#: Kinds of screens that keep people from harm; with places of others, those that are there for people.
HARM_KINDS = ("danger", "safety", "competence")
PEOPLES_KINDS = ("scope", *HARM_KINDS)
PHASES = ("travel", "set_up", "prepare", "join", "test", "clear_away")
PRICE_PARTS = ("labour", "materials", "machine", "outage", "second_visit", "later_visit", "stand_off")


#: The low and the high end of a number that is known as a range; its middle decides.
Ends = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Number:
    """A number that is never bare. ``since``: the day from which it holds. ``ends``: of a range, else None."""

    name: str
    value: float
    unit: str
    source: str
    known: str
    since: str
    ends: Ends | None = None


@dataclass(frozen=True, slots=True)
class Term:
    """``times`` x the fact, counted only where ``where`` (a fact in words and its words) says so."""

    fact: str
    times: float
    where: tuple[str, tuple[str, ...]] | None
    if_unknown: float | None


@dataclass(frozen=True, slots=True)
class Derived:
    """A fact computed from others: a sum of terms less named limits. A term without meaning counts nothing."""

    name: str
    meaning: str
    unit: str
    terms: tuple[Term, ...]
    constant: float
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LiftedBy:
    """What lifts a bar. ``minutes`` is a number, the name of the fact that tells it, or None: nobody can say."""

    what: str
    who: str
    minutes: float | str | None
    cost: float


@dataclass(frozen=True, slots=True)
class Screen:
    """A rule that bars plans. ``check`` tells whether it can be checked on arrival."""

    id: str
    kind: str
    plans: PartialPlan
    bars_when: Condition
    check: bool
    not_before: str
    because: str
    source: str
    known: str
    cautions: tuple[str, ...]
    needs: str
    stand_off: bool
    lifted_by: LiftedBy
    call: tuple[str, ...]
    examples: Mapping[str, Mapping[str, object]]
    #: Why what a check of the policy finds here is meant so; "" where nothing is. So in every row that has it.
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class Loosened:
    """A screen as it was before an overlay loosened it, with what it hung on: sums, and how long observations held.
    ``holds_longer`` are the facts of which an observation counts for longer now, ``said_by_slots`` those of which a
    slot now says what will be; who loosened it, why, and when."""

    screen: Screen
    derived: Mapping[str, Derived]
    holds_longer: tuple[str, ...]
    said_by_slots: tuple[str, ...]
    by: str
    because: str
    on: str


@dataclass(frozen=True, slots=True)
class Slot:
    """Something on its way: when it counts, after how many minutes, and what is then the case."""

    id: str
    when: Condition
    after: tuple[tuple[str, float], ...]  # (fact or "", factor): minutes = sum of factor x fact
    then: Mapping[str, str | float]
    until: str
    meanwhile: tuple[str, ...]
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class Prior:
    """A fact's prior: masses of its words, or of stretches ``(low, high, mass)`` in which it is even."""

    words: Mapping[str, float]
    stretches: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class FactPolicy:
    """What the operator decides about one fact. ``priors`` has the parent's words as keys, or ""."""

    name: str
    parent: str
    priors: Mapping[str, Prior]
    question: str
    of_whom: str
    price_min: float
    lasts_min: float | None
    known: str
    source: str = ""
    since: str = ""
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class MinutesRow:
    """Minutes of one piece of work for the plans it speaks of; by the words of one fact, per one number.

    ``ends``: of those that are ranges, by "p50" or "p95" and the word.
    """

    id: str
    phase: str
    plans: PartialPlan
    by: str
    p50: Mapping[str, float]
    p95: Mapping[str, float]
    per: str
    times: float
    source: str
    known: str
    unit: str = "min"
    since: str = ""
    ends: Mapping[tuple[str, str], Ends] = field(default_factory=dict)
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class PriceRow:
    """Money for the plans it speaks of; by the words of one fact, per one number.

    ``ends``: of those that are ranges, by "cu" and the word.
    """

    id: str
    part: str
    plans: PartialPlan
    by: str
    amount: Mapping[str, float]
    per: str
    source: str
    known: str
    unit: str = "cu"
    since: str = ""
    ends: Mapping[tuple[str, str], Ends] = field(default_factory=dict)
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class JointSet:
    """Workmanship of one method for one mode of fibre: what its loss is made of.

    Lateral offset and tilt per axis (standard deviations), a constant, the mated pair's 97 % limit (None: no
    plug), and the branch that fails; whether a plan counts on a bad one being made again, up to what loss one is good,
    whatever the margin, and up to what an owner's higher limit counts. Reflectance in dB by polish ("any" where it
    makes no difference): what a plan is held to at ordinary temperatures, and the worst of its life.
    """

    method: str
    mode: str
    sigma_offset_um: float
    sigma_tilt_deg: float
    l0_db: float
    pair_97_db: float | None
    pairs: int
    failure_chance: float
    failure_mean_db: float
    made_again: bool
    good_up_to_db: float
    allowed_up_to_db: float
    reflectance_db: Mapping[str, Number]
    reflectance_worst_db: Mapping[str, Number]
    source: str
    known: str
    since: str = ""


@dataclass(frozen=True, slots=True)
class Caution:
    """When a caution is owed: to plans, on a condition, before a step ("" is before anything). ``of_harm`` tells a
    caution against harm from one of workmanship."""

    tag: str
    text: str
    when: Condition
    plans: PartialPlan
    before: str
    of_harm: bool


@dataclass(frozen=True, slots=True)
class StepRow:
    """A step of the work for the plans and actions it speaks of."""

    id: str
    order: int
    text: str
    limit: str
    plans: PartialPlan
    when: Condition
    for_action: tuple[str, ...]
    source: str
    known: str
    on_purpose: str = ""
    #: Whether it comes before the checks on arrival too, and whether it keeps people whole.
    first: bool = False
    protects: bool = False


@dataclass(frozen=True, slots=True)
class Witness:
    """Facts told, by name, as an answer in which plans of one method come first."""

    method: str
    told: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Claim:
    """A sentence about the whole policy that holds for every context, or the policy has a hole.

    Of the kind "permission": ``plans`` are permitted only where ``where`` surely holds. "unbarred": where ``where``
    holds, none of ``plans`` is barred by a screen for people (scope apart) that speaks of no fact but those of
    ``where``. "caution": wherever ``where`` may hold, ``caution`` is owed for each of ``plans``, with ``any_action``
    also where nothing is done. "crew": where the place is one of ``places``, each of ``plans`` counts ``least`` persons
    or more. "answered", "checked" and "witness" say of the method that it has an answer for everybody, that no repair
    rests on an open safety screen, and that every method wins somewhere. ``limits`` are figures of its own, with
    sources of their own.
    """

    id: str
    kind: str
    says: str
    plans: PartialPlan
    where: Condition
    caution: str
    any_action: bool
    places: tuple[str, ...]
    least: Number | None
    witnesses: tuple[Witness, ...]
    limits: tuple[Number, ...]
    source: str
    known: str


@dataclass(frozen=True, slots=True)
class KitItem:
    """Something to carry, and how much of it."""

    id: str
    name: str
    unit: str
    line_for: str
    plans: PartialPlan
    when: Condition
    per_job: float
    per_joint: float
    per_fibre: float
    per_metre_inserted: float
    spare_share: float
    spare_least: float
    round_up: bool
    on_purpose: str = ""


@dataclass(frozen=True, slots=True)
class Control:
    """At which step of hazard control a plan stands towards one hazard (1 takes it away)."""

    id: str
    hazard: Condition
    steps: tuple[tuple[int, PartialPlan], ...]


@dataclass(frozen=True, slots=True)
class Policy:
    """Everything an operator owns. ``canonical`` is the merged policy as bytes, ``id`` its SHA-256. ``loosened``:
    screens that overlays loosened, as they were."""

    id: str
    canonical: bytes
    plans: tuple[Plan, ...]
    limits: Mapping[str, Number]
    derived: Mapping[str, Derived]
    screens: tuple[Screen, ...]
    slots: tuple[Slot, ...]
    facts: Mapping[str, FactPolicy]
    minutes: tuple[MinutesRow, ...]
    prices: tuple[PriceRow, ...]
    rates: Mapping[str, Number]
    after_work: Mapping[str, Number]
    to_do: tuple[ToDo, ...]
    crew_by_place: Mapping[str, Number]
    crew_by_access: Mapping[str, Number]
    joints: Mapping[tuple[str, str], JointSet]
    light: Light
    cautions: tuple[Caution, ...]
    steps: tuple[StepRow, ...]
    kit: tuple[KitItem, ...]
    controls: tuple[Control, ...]
    wording: Mapping[str, object]
    loosened: tuple[Loosened, ...] = ()
    #: Parts of plans that make sense as words and that screens bar everywhere, with why they are kept.
    barred_on_purpose: tuple[tuple[PartialPlan, str], ...] = ()
    claims: tuple[Claim, ...] = ()


@dataclass(frozen=True, slots=True)
class Adjust:
    """How much worse offset and tilt are for the plans it speaks of."""

    id: str
    plans: PartialPlan
    factor: float
    source: str
    known: str
    since: str = ""


@dataclass(frozen=True, slots=True)
class Light:
    """What a policy says of light besides the joints themselves.

    ``floors`` maps stage to the least chance that the link closes, ``unknown_margin`` the method to the words
    with which an unknown margin may be settled on arrival ("" it may not). ``wavelengths`` maps the kind of
    service to the nanometres looked at, the governing one first. ``attenuation`` maps (type, nm) to dB/km.
    ``given_back`` maps a layout to the joint set that comes out for each joint that goes in, "like_for_like" to the
    plan's own.
    """

    adjust: tuple[Adjust, ...]
    floors: Mapping[str, Number]
    unknown_margin: Mapping[str, str]
    wavelengths: Mapping[str, tuple[int, ...]]
    attenuation: Mapping[tuple[str, int], float]
    mode_field_um: Mapping[str, float]
    core_um: Mapping[str, float]
    bend_radius_mm: Mapping[str, float]
    given_back: Mapping[str, str]
    joints_in_layout: Mapping[str, int]
