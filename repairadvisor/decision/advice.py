"""The advice document: what every surface shows, and nothing else may add to it.

Frozen dataclasses without behaviour. Losses are dB and positive, reflectances dB and negative, times minutes,
money the policy's currency unit. ``None`` means "not promised" or "does not apply"; the field beside it says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field

ACTIONS = ("repair", "ask_first", "make_safe_and_wait", "stand_off", "out_of_scope")


@dataclass(frozen=True, slots=True)
class PlanWords:
    """A plan as its six words, and as a phrase a person can say."""

    method: str
    layout: str
    position: str
    access: str
    shelter: str
    stage: str
    phrase: str

    @property
    def id(self) -> str:
        """The plan's name for programs: its six words with a stroke between them."""
        return "/".join((self.method, self.layout, self.position, self.access, self.shelter, self.stage))


@dataclass(frozen=True, slots=True)
class WavelengthLoss:
    """Loss the repair adds to one fibre at one wavelength, against before the fault."""

    mean_db: float
    p50_db: float
    p95_db: float
    p99_db: float
    margin_left_db: float | None
    chance_to_close: float | None


@dataclass(frozen=True, slots=True)
class KeepUpTo:
    """Up to what reading (None: any) some joints of a fibre are kept at some attempts, once those before them read
    ``lost_from_db`` to ``lost_to_db`` (None: no end) together. ``said``: that in words."""

    joint_from: int
    joint_to: int
    attempt_from: int
    attempt_to: int
    lost_from_db: float
    lost_to_db: float | None
    keep_up_to_db: float | None
    said: str


@dataclass(frozen=True, slots=True)
class Loss:
    """What a plan costs in light. Keys of ``by_wavelength`` are nanometres as text. ``redos_expected`` on each fibre.
    ``good_up_to_db``: up to what reading a joint is good, whatever the margin; ``keep_up_to_db``: up to what reading
    the first joint is kept, attempt by attempt while another may follow; ``limits`` the same for all joints.
    ``margin_before_db``: the margin before the fault, its least and its most; nothing where it is not known.
    ``chance_all_close_at_least``: of all fibres. ``reflectance_together_db``: the plan's joints of a fibre seen from
    one end. ``reading_said``: what a reading from one end may tell."""

    joints: int
    attempts_each: int
    redos_expected: float
    good_up_to_db: float
    keep_up_to_db: tuple[float, ...]
    limits: tuple[KeepUpTo, ...]
    by_wavelength: dict[str, WavelengthLoss]
    inserted_m: float
    inserted_loss_db: float
    given_back_db: float | None
    given_back_why: str
    chance_to_close_at_least: float | None
    chance_to_close_at_most: float | None
    chance_all_close_at_least: float | None
    chance_said: str
    reflectance_db: float | None
    reflectance_together_db: float | None
    reflectance_limit_db: float | None
    reflectance_said: tuple[str, ...]
    margin_before_db: tuple[float, ...]
    margin_said: str
    reading_said: str
    how_made: str


@dataclass(frozen=True, slots=True)
class Minutes:
    """A median and a pessimistic figure (95 in 100), minutes."""

    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class GroupRestored:
    """When one priority group of fibres is back, minutes from now."""

    group: str
    fibres: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class Restored:
    """When service is back, minutes from now."""

    p50: float
    p95: float
    by_group: tuple[GroupRestored, ...]


@dataclass(frozen=True, slots=True)
class Crew:
    """How many persons, and what must be held in date among them (fact name, and in words); ``besides``: also, for
    other ways that may turn out the best."""

    persons: int
    authorisations: tuple[str, ...]
    in_words: str
    besides: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Cost:
    """Expected cost of choosing a plan now, in the policy's currency, and what it is made of: the parts add up to
    ``total``, by which plans are ranked. ``held_ready_saves``: what plans held ready for a failed check are expected to
    save of it."""

    total: float
    labour: float
    outage: float
    materials: float
    machine: float
    redo: float
    second_visit: float
    later_visit: float
    failed_check: float
    waiting: float
    currency: str
    held_ready_saves: float = 0.0


@dataclass(frozen=True, slots=True)
class Check:
    """Something that must be certain before anything is touched. It failing means: stand off, or a plan held ready."""

    screen: str
    not_before: str
    facts: tuple[str, ...]
    kind: str
    if_it_fails: str
    source: str
    how_known: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fallback:
    """A plan held ready for when a check fails: after which checks (their screens), what must be certain besides, and
    what holding it ready is expected to save. Its kit is carried. ``said``: that, and what to do then; ``cautions``:
    whole, those it needs that the plan itself does not."""

    plan: PlanWords
    said: str
    after: tuple[str, ...]
    not_before: tuple[str, ...]
    cautions: tuple[str, ...]
    saves: float


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work, the limit that decides it is done, and the cautions that come before it.

    ``first``: it comes before the checks on arrival too. ``protects``: it keeps people whole, so nobody does without.
    ``joins``: joints are made in it, or measured, up to the limit for one.
    """

    number: int
    text: str
    limit: str
    cautions: tuple[str, ...]
    first: bool = False
    protects: bool = False
    joins: bool = False


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution, whole. ``before_step`` is a step's number, or 0: before anything. ``owed_to`` is "known" or "unknown":
    then it stands beside the check that clears it (``beside_check``: the check's screen)."""

    tag: str
    text: str
    before_step: int
    owed_to: str
    beside_check: str


@dataclass(frozen=True, slots=True)
class KitLine:
    """One line of what to carry. ``line_for`` is published as ``for``."""

    item: str
    quantity: float
    unit: str
    line_for: str


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another permitted plan, what it costs more, and what it is expected to cost, part by part."""

    plan: PlanWords
    costs_more: float
    expected_cost: Cost
    p50_db: float | None
    why_not: str


@dataclass(frozen=True, slots=True)
class Lift:
    """What would lift a bar: what, by whom, how long it takes (minutes, None: nobody can say) and its cost."""

    what: str
    who: str
    minutes: float | None
    cost: float


@dataclass(frozen=True, slots=True)
class Barred:
    """Plans that may not be done: the words they share, why, on which facts, by which source."""

    screen: str
    kind: str
    plans: str
    because: str
    facts: tuple[str, ...]
    source: str
    how_known: str
    lifted_by: Lift


@dataclass(frozen=True, slots=True)
class Wait:
    """Until when or which event, what to do meanwhile, and what follows."""

    until: str
    minutes: float | None
    meanwhile: tuple[str, ...]
    then_plan: PlanWords | None


@dataclass(frozen=True, slots=True)
class PossibleAnswer:
    """An answer that a question can get, how likely it is (None: not worked out), and what it leads to."""

    answer: str
    chance: float | None
    leads_to: str


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to find out, worded for a person on a phone who is not a splicer. ``saves``: what knowing it saves on
    average, asking paid for, in the policy's currency (None: it is asked for safety or for permission).
    ``together_with``: facts to be asked along with it, without which it may save nothing."""

    fact: str
    ask: str
    of_whom: str
    answers: tuple[PossibleAnswer, ...]
    because: str
    saves: float | None
    together_with: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TurningPoint:
    """A value of one fact, all else as given, at which the answer is another one: ``side`` is "below" or "at_least" for
    a number and "is" for a word; ``then_action`` and ``then_plan`` are the answer there."""

    fact: str
    side: str
    value: str
    unit: str
    then_action: str
    then_plan: PlanWords | None
    said: str


@dataclass(frozen=True, slots=True)
class Loosened:
    """A rule that protects people and that the operator loosened: by whom, why, on which day. ``plans``: the ids of
    those named here that the rule as it was would have barred or left open. ``said``: all of that."""

    screen: str
    by: str
    because: str
    on: str
    plans: tuple[str, ...]
    said: str


@dataclass(frozen=True, slots=True)
class RangeEnd:
    """An end of a number that the policy knows as a range, ``at`` which the answer would be another one, all other
    numbers where they are: ``then_action`` and ``then_plan`` are the answer there."""

    figure: str
    low: float
    high: float
    unit: str
    at: float
    then_action: str
    then_plan: PlanWords | None
    said: str


@dataclass(frozen=True, slots=True)
class FactUsed:
    """A fact that decided something, as it was understood."""

    fact: str
    value: str
    unit: str
    source: str
    seen_at: str


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure that decided something comes from, how it is known, and the day from which it holds."""

    figure: str
    value: str
    source: str
    how_known: str
    since: str


@dataclass(frozen=True, slots=True)
class Advice:
    """The whole answer to one question."""

    action: str
    say: str
    because: str
    plan: PlanWords | None
    continuity_only: str
    loss: Loss | None
    loss_withheld: str
    crew: Crew
    work_min: Minutes | None
    restored_after_min: Restored | None
    expected_cost: Cost | None
    wait: Wait | None
    call: tuple[str, ...]
    checks_on_arrival: tuple[Check, ...]
    fallbacks: tuple[Fallback, ...]
    steps: tuple[Step, ...]
    cautions: tuple[Caution, ...]
    kit: tuple[KitLine, ...]
    alternatives: tuple[Alternative, ...]
    barred: tuple[Barred, ...]
    loosened: tuple[Loosened, ...]
    questions: tuple[Question, ...]
    questions_said: str
    turning_points: tuple[TurningPoint, ...]
    turning_points_said: str
    ranges: tuple[RangeEnd, ...]
    ranges_said: str
    issued_plan: str
    valid_until: str
    valid_because: str
    now: str
    policy: str
    method_version: str
    vocabulary_version: str
    facts_used: tuple[FactUsed, ...]
    unknown_that_matter: tuple[str, ...]
    sources: tuple[Source, ...]
    reckoned_with: tuple[Source, ...]
    reckoned_said: str
    not_yet_computed: tuple[str, ...] = field(default=())
    defers_to: str = ""
