"""From recorded attempts to what an operator's sets of joints should be: a scale for each, and what stands behind it.

Attempts are taken one after the other and grouped by joint, so that those that share a common cause are judged
together; a ribbon is one joint. What a set already owes to the operator's records is not counted twice: where its
spreads are known from them, attempts up to the day since when they hold are left out.
"""

from __future__ import annotations

from collections import Counter, OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from repairadvisor.decision.bad_results import common_cause_of
from repairadvisor.decision.light import SINGLE_MODE, USUAL_CORE_UM, USUAL_RADIUS_UM, Light, joint_model
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.outcome.attempt_readings import Condition, Made, Usable, usable
from repairadvisor.outcome.calibration import Evidence, Posterior, ReadingRows, RowReading, posterior, prior
from repairadvisor.outcome.reported import CARRIED_NM, EXACT, Attempt
from repairadvisor.policy.model import JointSet

RECORDS = "operator's records"
COUNTED_ALREADY = "counted in the policy's own figure already"
#: So many joints wait for another attempt at them; the one that waited longest goes first.
_MOST_OPEN = 20_000
LEVEL = 0.95

#: A set of joints: method and mode.
SetName = tuple[str, str]
_JointKey = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class Spread:
    """How well joints of a set are made: standard deviations, and what one then loses at a bench in the usual fibre at
    the shortest wavelength, as a median and in 95 of 100."""

    offset_um: float
    tilt_deg: float
    p50_db: float
    p95_db: float


@dataclass(frozen=True, slots=True)
class LearntSet:
    """What records say of one set. ``interval``: between which two scales it lies in 95 of 100; ``how``: attempts by
    how they were read, ``bounded`` those of which only a bound was. Times are those of the first and last attempt."""

    method: str
    mode: str
    scale: float
    interval: tuple[float, float]
    before: Spread
    after: Spread
    attempts: int
    joints: int
    how: Mapping[str, int]
    bounded: int
    first: datetime
    last: datetime


@dataclass(frozen=True, slots=True)
class Learnt:
    """All that records say, the sets in the policy's order; ``left_out``: attempts by why they were not counted.
    ``prior_joints``: as much as how many joints the policy's own figure counts."""

    prior_joints: float
    attempts: int
    left_out: Mapping[str, int]
    sets: tuple[LearntSet, ...]


@dataclass
class _Behind:
    """What stands behind one set, as it comes."""

    evidence: Evidence
    how: Counter[str] = field(default_factory=Counter)
    bounded: int = 0
    first: datetime | None = None
    last: datetime | None = None

    def note(self, attempt: Attempt, one: Usable) -> None:
        self.how[one.how] += 1
        self.bounded += one.bound != EXACT
        self.first = attempt.made_at if self.first is None else min(self.first, attempt.made_at)
        self.last = attempt.made_at if self.last is None else max(self.last, attempt.made_at)


def learn(attempts: Iterable[Made], light: Light) -> Learnt:
    """What attempts, best in the order of the work, say of the sets of a policy's joints. Takes about a second for each
    set and way of working that occurs. Raises OpticsError for a policy whose numbers are out of their range."""
    learning = _Learning(light)
    for made in attempts:
        learning.add(made)
    return learning.result()


class _Learning:
    def __init__(self, light: Light) -> None:
        self._light = light
        self._policy = light.policy
        self._rows: dict[Condition, ReadingRows] = {}
        self._behind: dict[SetName, _Behind] = {}
        self._open: OrderedDict[tuple[SetName, _JointKey], list[RowReading]] = OrderedDict()
        self._left_out: Counter[str] = Counter()
        self._count = 0

    def add(self, made: Made) -> None:
        self._count += 1
        one = usable(made, self._light)
        if isinstance(one, str):
            self._left_out[one] += 1
            return
        attempt, condition = made.attempt, one.condition
        name = (condition.method, condition.mode)
        if _counted_already(self._policy.joints[name], attempt):
            self._left_out[COUNTED_ALREADY] += 1
            return
        if name not in self._behind:
            self._behind[name] = _Behind(Evidence(self._policy.rates["common_cause_before"].value))
        self._behind[name].note(attempt, one)
        key = (name, (attempt.advice, attempt.ribbon or attempt.fibre, attempt.joint))
        self._open.setdefault(key, []).append((self._rows_of(condition), one.bound, one.reading))
        self._open.move_to_end(key)
        if len(self._open) > _MOST_OPEN:
            self._close(*self._open.popitem(last=False))

    def result(self) -> Learnt:
        while self._open:
            self._close(*self._open.popitem(last=False))
        weight = self._policy.rates["workmanship_prior_joints"].value
        before = prior(weight)
        found = [
            self._learnt(name, self._behind[name], posterior(self._behind[name].evidence.log_likelihood(), before))
            for name in self._policy.joints
            if name in self._behind
        ]
        return Learnt(weight, self._count, dict(sorted(self._left_out.items())), tuple(found))

    def _close(self, key: tuple[SetName, _JointKey], readings: list[RowReading]) -> None:
        self._behind[key[0]].evidence.add(readings)

    def _rows_of(self, condition: Condition) -> ReadingRows:
        if condition not in self._rows:
            cause = common_cause_of(self._policy, self._policy.joints[condition.method, condition.mode])
            failing = (cause.failing_without, cause.failing_with)

            def model_at(scale: float) -> LossModel:
                return condition.model(self._policy, scale)

            self._rows[condition] = ReadingRows(model_at, failing, condition.joints, condition.noise_db)
        return self._rows[condition]

    def _learnt(self, name: SetName, behind: _Behind, found: Posterior) -> LearntSet:
        made = self._policy.joints[name]
        assert behind.first is not None
        assert behind.last is not None
        return LearntSet(
            method=made.method,
            mode=made.mode,
            scale=found.mean,
            interval=found.interval(LEVEL),
            before=spread_of(made, 1.0),
            after=spread_of(made, found.mean),
            attempts=behind.evidence.attempts,
            joints=behind.evidence.joints,
            how=dict(behind.how),
            bounded=behind.bounded,
            first=behind.first,
            last=behind.last,
        )


def spread_of(made: JointSet, scale: float) -> Spread:
    """How well joints of a set are made where their spreads are wider by a scale (0.5 to 2)."""
    size_um = USUAL_RADIUS_UM if made.mode == SINGLE_MODE else USUAL_CORE_UM
    table = compile_sum([joint_model(made, scale, CARRIED_NM[made.mode][0], size_um)])
    return Spread(made.sigma_offset_um * scale, made.sigma_tilt_deg * scale, table.p50_db, table.p95_db)


def _counted_already(made: JointSet, attempt: Attempt) -> bool:
    return made.known == RECORDS and attempt.made_at.date().isoformat() <= made.since
