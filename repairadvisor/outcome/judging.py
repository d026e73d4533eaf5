"""Accept this joint, make it again, ask for help, or do one thing first: the verdict on what was measured.

The one function to call is :func:`judge`. Gates come first that no loss can buy, then the redo rule that planning
weighs, with the noise of a reading; what is not known is never read as safe.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from heapq import merge
from itertools import groupby

from repairadvisor.decision.light import mode_of
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.decision.reflections import published_limit
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.thrown_back import settled_number
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.outcome.conclusions import Concluded, below_record_db, concluded, joints_in_reading, sides_of
from repairadvisor.outcome.deciding import Made, decide
from repairadvisor.outcome.gates import Case
from repairadvisor.outcome.reported import Attempt, Repair, held_against, no_two_alike
from repairadvisor.outcome.rule_of_joint import Work
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.outcome.worded import worded
from repairadvisor.policy.plan import Plan

#: Fibre or ribbon, and the joint's number.
_Key = tuple[str, int]


def repair_of(rules: Rules, context: Context, plan: Plan, now: datetime) -> Repair:
    """What :func:`judge` holds reports of a repair against."""
    work = Work(rules, context, plan)
    told = context.state(fibres_fact(plan))
    fibres = int(told.value) if isinstance(told, Known) and isinstance(told.value, float) else None
    planned = rules.policy.light.joints_in_layout[plan.layout]
    return Repair(now, work.modes, work.methods, joints_planned=planned, fibres=fibres)


def judge(
    rules: Rules, context: Context, plan: Plan, attempts: Sequence[Attempt], now: datetime
) -> tuple[Verdict, ...]:
    """The verdict on the last attempt at every joint that was reported, in the order of fibres and joints.

    ``context`` holds the facts of the repair (those of its advice, and what is known better now), ``plan`` is the plan
    that was carried out; another method than the plan's may have been used. ``attempts`` are all that is known of the
    repair: every attempt at every joint, kept or cut again, in any order. Fibres of one ``ribbon`` are judged as one,
    and so are joints that one reading holds. Pure: the same input gives the same verdicts.

    Errors: :class:`~repairadvisor.errors.InputError` for attempts that lie after ``now``, were read at a wavelength
    that the fibre does not carry, are by a method that makes no joint, or say different things of the same attempt.
    """
    work = Work(rules, context, plan)
    told = _right(attempts, Repair(now, work.modes, work.methods))
    reports = _Reports(work, told)
    return tuple(worded(work, made, decide(work, made), now) for made in reports.joints())


def _right(attempts: Sequence[Attempt], repair: Repair) -> tuple[Attempt, ...]:
    faults: list[Fault] = []
    for one in attempts:
        try:
            held_against(one, repair)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return no_two_alike(attempts)


@dataclass(frozen=True, slots=True)
class _Event:
    """One attempt as it was made: of one fibre, or of all fibres of a ribbon at once."""

    key: _Key
    attempts: tuple[Attempt, ...]

    @property
    def first(self) -> Attempt:
        return self.attempts[0]


class _Reports:
    """The reports of one repair, by joint and in the order in which the attempts were made."""

    def __init__(self, work: Work, attempts: Sequence[Attempt]) -> None:
        self.work = work
        nanometres = sorted({reading.nm for one in attempts for reading in one.readings})
        self.service = work.service(nanometres)
        self.mode = mode_of(self.service)
        grouped: dict[tuple[_Key, int], list[Attempt]] = {}
        for one in attempts:
            key = (f"ribbon {one.ribbon}" if one.ribbon else f"fibre {one.fibre}", one.joint)
            grouped.setdefault((key, one.attempt), []).append(one)
        events = [_Event(key, tuple(sorted(many, key=_by_fibre))) for (key, _), many in grouped.items()]
        self.events = sorted(events, key=lambda one: (one.first.made_at, one.first.attempt, one.key))
        self.last = self._last_of_each()
        self.by_fibre: dict[str, list[tuple[_Event, Attempt]]] = {}
        for event in self.last.values():
            for one in event.attempts:
                self.by_fibre.setdefault(one.fibre, []).append((event, one))
        # By places among the events, in their order.
        self.of_joint: dict[tuple[str, int], list[int]] = {}
        self.of_machine: dict[tuple[str, str], list[int]] = {}
        for place, event in enumerate(self.events):
            for one in event.attempts:
                self.of_joint.setdefault((one.fibre, one.joint), []).append(place)
            self.of_machine.setdefault((event.first.machine, event.first.method), []).append(place)

    def _last_of_each(self) -> dict[_Key, _Event]:
        """The last attempt at each joint. A fibre that was first joined in a ribbon and then by itself has its last."""
        found: dict[_Key, _Event] = {}
        for event in sorted(self.events, key=lambda one: one.first.attempt):
            for one in event.attempts:
                found[one.fibre, one.joint] = event
        return {event.key: event for event in found.values()}

    def joints(self) -> list[Made]:
        """Every joint as it was last made, in the order of fibres and joints; one that another's reading holds is part
        of that one."""
        ordered = sorted(self.last.values(), key=lambda one: (_by_fibre(one.first), one.first.joint))
        held = {key for event in ordered for key in self._held_too(event)}
        return [self._made(event) for event in ordered if event.key not in held]

    def _held_too(self, event: _Event) -> list[_Key]:
        """The joints after this one that its readings hold as well."""
        name, joint = event.key
        return [(name, joint + more) for more in range(1, self._joints_read(event))]

    def _joints_read(self, event: _Event) -> int:
        figures = self.work.rules.policy.after_work
        return max(joints_in_reading(one, figures) for one in event.attempts)

    def _made(self, event: _Event) -> Made:
        last = event.first
        parts = [event, *(self.last[key] for key in self._held_too(event) if key in self.last)]
        read = self._read(parts)
        return Made(
            service=self.service,
            governing_nm=self.work.governing_nm(self.service),
            case=Case(
                attempts=tuple(one for part in parts for one in part.attempts),
                concluded=read,
                mode=self.mode,
                made=self.work.joint_set(last.method, self.service),
                reflectance_limit_db=self._reflectance_limit(),
                unexplained_db=self._unexplained(event, read),
                unlike_polish=self._unlike_polish(),
                figures=self.work.rules.policy.after_work,
            ),
            joints_read=self._joints_read(event),
            others=self._others(event),
            bad_before=self._bad_before(event),
            history=tuple(self._history(event)),
            all_made=self._all_made(event),
        )

    def _read(self, parts: Sequence[_Event]) -> dict[str, dict[int, Concluded]]:
        """What is concluded, by fibre and wavelength; of joints that one reading holds the greatest reading counts."""
        found: dict[str, dict[int, Concluded]] = {}
        for part in parts:
            for one in part.attempts:
                by_nm = found.setdefault(one.fibre, {})
                for nm, new in self._conclusions(one).items():
                    if nm not in by_nm or by_nm[nm].high_db < new.high_db:
                        by_nm[nm] = new
        return found

    def _conclusions(self, attempt: Attempt) -> dict[int, Concluded]:
        work = self.work
        inserts = work.inserts
        sides = sides_of(work.rules.light, work.context, self.mode, inserts=inserts, joint=attempt.joint)
        return {one.nm: concluded(one, sides, work.rules.policy.after_work) for one in attempt.readings}

    def governing_loss_db(self, attempt: Attempt) -> float | None:
        """What a joint is taken to lose at the governing wavelength; None where nothing was read."""
        read = self._conclusions(attempt)
        return self.work.worst_at_governing(read, attempt.method, self.service)

    def _reflectance_limit(self) -> float | None:
        owner = settled_number(self.work.context, "reflectance_limit_db")
        published = published_limit(self.work.context)
        return owner if owner is not None else None if published is None else published.value

    def _unlike_polish(self) -> bool:
        states = [self.work.context.state(f"plug_polish_{side}") for side in ("near", "far")]
        told = [one.value for one in states if isinstance(one, Known)]
        return len(told) == 2 and told[0] != told[1]

    # --- other joints of the fibre ---------------------------------------------------------------------------------

    def _of_fibre(self, fibre: str) -> list[tuple[_Event, Attempt]]:
        """The last attempts at the joints of one fibre, none that another's reading holds."""
        found = self.by_fibre[fibre]
        held = {key for event, _ in found for key in self._held_too(event)}
        return sorted([(event, one) for event, one in found if event.key not in held], key=lambda pair: pair[1].joint)

    def _others(self, event: _Event) -> dict[str, tuple[tuple[int, float], ...]]:
        """By fibre: the other joints that were made on it, how many a reading holds and what it says they lose."""
        return {
            one.fibre: tuple(
                (self._joints_read(other), self.governing_loss_db(of) or 0.0)
                for other, of in self._of_fibre(one.fibre)
                if other.key != event.key
            )
            for one in event.attempts
        }

    def _all_made(self, event: _Event) -> bool:
        """Whether every joint of the fibre was made and measured, so that the link may be held against its record."""
        joints = self._of_fibre(event.first.fibre)
        read = [self.governing_loss_db(one) for _, one in joints]
        return None not in read and sum(self._joints_read(other) for other, _ in joints) >= self.work.joints

    def _unexplained(self, event: _Event, read: Mapping[str, Mapping[int, Concluded]]) -> float | None:
        """What the link lost that joints and inserted length do not explain, of the fibre that lost most; None where
        not every joint is measured, or nobody has told the level."""
        if not self._all_made(event):
            return None
        found = [one for one in (self._unexplained_of(fibre) for fibre in read) if one is not None]
        return max(found, default=None)

    def _unexplained_of(self, fibre: str) -> float | None:
        joints = self._of_fibre(fibre)
        below = below_record_db(sorted((one for _, one in joints), key=lambda one: one.made_at))
        if below is None:
            return None
        lost = sum(self.governing_loss_db(one) or 0.0 for _, one in joints)
        recorded = settled_number(self.work.context, "recorded_loss_cut_out_db") or 0.0
        return below - lost - self.work.inserted_db(self.service) + recorded

    # --- what came before ---------------------------------------------------------------------------------------------

    def _history(self, event: _Event) -> list[Attempt]:
        """Every attempt at this joint of the fibre that stands first, in order."""
        fibre = event.first.fibre
        places = self.of_joint[fibre, event.first.joint]
        found = [one for place in places for one in self.events[place].attempts if one.fibre == fibre]
        return sorted(found, key=lambda one: one.attempt)

    def _bad_before(self, event: _Event) -> int:
        """Bad results in a row before this one: the earlier attempts at this joint, those that nobody reported among
        them, and before these what the same machine made, back to its last good joint."""
        last = event.first
        mine = {one.attempt for one in self._history(event)}
        bad = sum(attempt not in mine for attempt in range(1, last.attempt))
        for other in self._before(event):
            if not self._is_bad(other):
                break
            bad += 1
        return bad

    def _before(self, event: _Event) -> Iterator[_Event]:
        """The other attempts at this joint and, where its machine is told, what that made by this method; the latest
        first. Looked up, not looked through: thousands of fibres are judged at once."""
        last = event.first
        rows = [self.of_joint[last.fibre, last.joint]]
        rows += [self.of_machine[last.machine, last.method]] if last.machine else []
        end = bisect_right(self.events, last.made_at, key=lambda one: one.first.made_at)
        for place, _ in groupby(merge(*(_backwards(row, end) for row in rows), reverse=True)):
            if self.events[place] is not event:
                yield self.events[place]

    def _is_bad(self, event: _Event) -> bool:
        """Whether an attempt was none to keep: it broke, nobody read it, or it lost more than is ever kept."""
        if any(one.pull_test == "failed" for one in event.attempts):
            return True
        read = [self.governing_loss_db(one) for one in event.attempts]
        known = [one for one in read if one is not None]
        most = self._joints_read(event) * self.work.kept_at_db(event.first.method, self.service)
        return len(known) < len(read) or max(known) > most


def _backwards(places: Sequence[int], end: int) -> Iterator[int]:
    """Those of ascending places that lie before one, the last first."""
    return (places[at] for at in range(bisect_left(places, end) - 1, -1, -1))


def _by_fibre(attempt: Attempt) -> tuple[int, str]:
    """Fibres in the order of their numbers where they have such, else of their names."""
    digits = "".join(char for char in attempt.fibre if char.isdigit())
    return (int(digits) if digits else 0, attempt.fibre)
