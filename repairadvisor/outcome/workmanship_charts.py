"""A control chart for every machine, cleaver and person: whether joints lose more or less than they should, and since
when.

A joint counts once an attempt: its fibres, where it is a ribbon, by the mean of their scores, since what fails mostly
fails for the whole ribbon. All methods and workplaces go into one chart, each joint by what was to be expected of it.
Nothing here says why; what the joints behind a signal have in common besides is counted, since hands, machine and
cleaver go together.
"""

from __future__ import annotations

import itertools
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from repairadvisor.decision.light import Light
from repairadvisor.decision.reasons import Words
from repairadvisor.outcome.attempt_readings import Condition, Made, Usable, usable
from repairadvisor.outcome.control_chart import LOWER, SIDES, UPPER, Cusum
from repairadvisor.outcome.control_chart import Signal as Passed
from repairadvisor.outcome.reading_law import ReadingScores, clean_chances, failed_chances, noisy, together
from repairadvisor.outcome.reported import ABOVE, BELOW, EXACT, Attempt
from repairadvisor.outcome.workmanship_said import Said

KINDS = ("machine", "cleaver", "person")
#: The last so many joints of a chart are shown, and its last so many signals.
MOST_POINTS, MOST_SIGNALS = 120, 20


@dataclass(frozen=True, slots=True)
class Companion:
    """Somebody or something that took part in some of the joints behind a signal, and how far those were off on
    average."""

    kind: str
    id: str
    joints: int
    mean_score: float


@dataclass(frozen=True, slots=True)
class Signal:
    """Joints lose more ("upper") or less ("lower") than they should: found with the joint made at ``at``, begun with
    the one made at ``since``, ``joints`` of them, on average ``mean_score`` standard deviations off. ``said`` is that
    as sentences, ``usually`` what usually lies behind it."""

    side: str
    at: datetime
    since: datetime
    joints: int
    mean_score: float
    companions: tuple[Companion, ...]
    said: tuple[str, ...]
    usually: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """One joint: when it was made, its score, both sums after it, and the side on which it signalled, or ""."""

    at: datetime
    score: float
    upper: float
    lower: float
    signal: str


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart of one machine, cleaver or person. ``joints`` are all that went into it, ``points`` the last of them;
    ``signals_before`` came before those that are listed; ``since_signal``: joints made after the last signal. ``said``
    is how it stands."""

    kind: str
    id: str
    joints: int
    first: datetime
    last: datetime
    signals: tuple[Signal, ...]
    signals_before: int
    since_signal: int | None
    said: tuple[str, ...]
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Workmanship:
    """All charts, those that signalled last first. ``attempts`` were looked at; ``left_out`` by why they say nothing;
    ``unnamed`` joints belong to no chart, nobody having said by whom or with what they were made. ``does_not_say``:
    what is not to be read into any of them."""

    policy_id: str
    allowance: float
    interval: float
    attempts: int
    joints: int
    unnamed: int
    left_out: Mapping[str, int]
    charts: tuple[Chart, ...]
    does_not_say: tuple[str, ...]


def workmanship_of(attempts: Iterable[Made], light: Light) -> Workmanship:
    """The charts of attempts in the order of the work. Takes room for what is shown, however many there are."""
    rates = light.policy.rates
    allowance, interval = rates["chart_allowance"].value, rates["chart_interval"].value
    scoring = _Scoring(light)
    running: dict[tuple[str, str], _Running] = {}
    joints = unnamed = 0
    for one in scoring.joints(attempts):
        joints += 1
        named = [(kind, getattr(one.attempt, kind)) for kind in KINDS if getattr(one.attempt, kind)]
        unnamed += not named
        for who in named:
            if who not in running:
                running[who] = _Running(Cusum(allowance, interval), one.attempt.made_at)
            running[who].add(one.attempt.made_at, one.score, [other for other in named if other != who])
    said = Said(Words(light.policy.wording), allowance, interval)
    charts = sorted((_chart(who, run, said) for who, run in running.items()), key=_signals_first)
    return Workmanship(
        policy_id=light.policy.id,
        allowance=allowance,
        interval=interval,
        attempts=scoring.count,
        joints=joints,
        unnamed=unnamed,
        left_out=dict(sorted(scoring.left_out.items())),
        charts=tuple(charts),
        does_not_say=said.not_said(),
    )


@dataclass(frozen=True, slots=True)
class _Joint:
    """One attempt at one joint, or at all joints of a ribbon, and its score."""

    attempt: Attempt
    score: float


class _Scoring:
    """Attempts to scores, joint by joint."""

    def __init__(self, light: Light) -> None:
        self._light = light
        self._scores: dict[Condition, ReadingScores] = {}
        self.left_out: Counter[str] = Counter()
        self.count = 0

    def joints(self, attempts: Iterable[Made]) -> Iterator[_Joint]:
        """One for each attempt at a joint of which something was read."""
        for _, at_once in itertools.groupby(attempts, lambda made: (made.attempt.made_at, made.attempt.advice)):
            yield from self._of_one_moment(at_once)

    def _of_one_moment(self, at_once: Iterable[Made]) -> Iterator[_Joint]:
        """Fibres of a ribbon are reported for one moment, in whatever order."""
        scores: dict[tuple[str, int, int], list[float]] = {}
        first: dict[tuple[str, int, int], Attempt] = {}
        for made in at_once:
            self.count += 1
            one = usable(made, self._light)
            if isinstance(one, str):
                self.left_out[one] += 1
                continue
            attempt = made.attempt
            key = (attempt.ribbon or attempt.fibre, attempt.joint, attempt.attempt)
            first.setdefault(key, attempt)
            scores.setdefault(key, []).append(self._score(one))
        for key, attempt in first.items():
            yield _Joint(attempt, sum(scores[key]) / len(scores[key]))

    def _score(self, one: Usable) -> float:
        if one.condition not in self._scores:
            self._scores[one.condition] = _scores_under(one.condition, self._light)
        scores = self._scores[one.condition]
        by_bound = {EXACT: scores.exact, BELOW: scores.below, ABOVE: scores.above}
        return by_bound[one.bound](one.reading)


def _scores_under(condition: Condition, light: Light) -> ReadingScores:
    model = condition.model(light.policy, 1.0)
    failing = model.failure_chance
    single = (1.0 - failing) * clean_chances(model) + failing * failed_chances(model)
    return ReadingScores(noisy(together(single, condition.joints), condition.noise_db))


@dataclass(frozen=True, slots=True)
class _Found:
    """A signal before it is put into words."""

    passed: Passed
    at: datetime
    since: datetime
    companions: tuple[Companion, ...]


class _Running:
    """One chart as it grows."""

    def __init__(self, cusum: Cusum, first: datetime) -> None:
        self.cusum = cusum
        self.first = self.last = first
        self.points: deque[Point] = deque(maxlen=MOST_POINTS)
        self.found: deque[_Found] = deque(maxlen=MOST_SIGNALS)
        self.signalled = 0
        self.since_signal: int | None = None
        self._began = {UPPER: first, LOWER: first}
        self._companions: dict[str, dict[tuple[str, str], list[float]]] = {UPPER: {}, LOWER: {}}

    def add(self, at: datetime, score: float, others: list[tuple[str, str]]) -> None:
        """One more joint, and who and what else made it."""
        for side in SIDES:
            if self.cusum.sums[side] == 0.0:
                self._began[side] = at
                self._companions[side].clear()
            for other in others:
                self._companions[side].setdefault(other, []).append(score)
        reached, passed = self.cusum.add(score)
        self.last = at
        self.points.append(Point(at, score, reached[UPPER], reached[LOWER], passed[0].side if passed else ""))
        self.since_signal = None if self.since_signal is None else self.since_signal + 1
        for one in passed:
            self.signalled += 1
            self.since_signal = 0
            self.found.append(_Found(one, at, self._began[one.side], self._took_part(one.side)))

    def _took_part(self, side: str) -> tuple[Companion, ...]:
        """Those whose joints weigh most in the signal first, then by name."""
        found = [
            Companion(*other, len(scores), sum(scores) / len(scores))
            for other, scores in self._companions[side].items()
        ]
        return tuple(sorted(found, key=lambda one: (-abs(one.mean_score * one.joints), one.kind, one.id)))


def _chart(who: tuple[str, str], run: _Running, said: Said) -> Chart:
    signals = tuple(_signal(who[0], one, said) for one in run.found)
    row = list(itertools.takewhile(lambda one: one.side == signals[-1].side, reversed(signals)))
    in_a_row = said.in_a_row(len(row), row[-1].at, row[-1].since) if row else ()
    return Chart(
        kind=who[0],
        id=who[1],
        joints=run.cusum.count,
        first=run.first,
        last=run.last,
        signals=signals,
        signals_before=run.signalled - len(signals),
        since_signal=run.since_signal,
        said=(*in_a_row, *said.how_it_stands(run.cusum.count, run.since_signal)),
        points=tuple(run.points),
    )


def _signal(kind: str, found: _Found, said: Said) -> Signal:
    passed = found.passed
    joints = passed.at - passed.since + 1
    together = [said.together(one.kind, one.id, one.joints, joints, one.mean_score) for one in found.companions]
    return Signal(
        side=passed.side,
        at=found.at,
        since=found.since,
        joints=joints,
        mean_score=passed.mean_score,
        companions=found.companions,
        said=(said.signal(passed.side, found.at, found.since, joints, passed.mean_score), *together),
        usually=said.usually(passed.side, kind),
    )


def _signals_first(chart: Chart) -> tuple[float, int, str]:
    last = chart.signals[-1].at.timestamp() if chart.signals else float("-inf")
    return -last, KINDS.index(chart.kind), chart.id
