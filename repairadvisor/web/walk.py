"""A repair walked through, one thing at a time: its stops, and what is ticked, read from the link alone.

==============  ==========================================================================
``advice``      the id under which the advice is kept
``ticked``      the names of the stops that are done, with points between
``otherwise``   the same of those done otherwise than advised, where that is allowed
``earlier``     the ids of the advices that were walked here before it, whose attempts count
``at``          which page is shown; without it the first stop that is open
==============  ==========================================================================

A stop's name is a digest of what it says: a link never ticks a stop that says something else than it did, and what is
the same in a fresh advice stays ticked there. Nothing is shown before everything ahead of it is done.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from repairadvisor.decision.advice import Advice, Step
from repairadvisor.policy.model import PEOPLES_KINDS
from repairadvisor.render.placing import Placed, placed

CAUTION, CHECK, STEP = "caution", "check", "step"
#: The advice itself, which is read before anything: its name, and its kind.
START = "start"
#: So many advices that were walked before are told along; the address has to stay one.
MOST_EARLIER = 8
_ID = re.compile(r"[0-9a-f]{32}")
_NAME = re.compile(r"[0-9a-f]{6}|start")


@dataclass(frozen=True, slots=True)
class Stop:
    """One thing to read, to make certain or to do. ``number`` counts among its kind; of a caution it is that of the
    check or step it concerns (``before``: which of them, "" before anything). ``protects``: it keeps people whole, so
    it is never done otherwise; ``joins``: a joint is made and measured there."""

    kind: str
    name: str
    text: str
    number: int
    limit: str = ""
    screen: str = ""
    before: str = ""
    protects: bool = False
    joins: bool = False

    @property
    def may_differ(self) -> bool:
        """Whether it may be done otherwise than advised, with a reason."""
        return self.kind in (CHECK, STEP) and not self.protects


@dataclass(frozen=True, slots=True)
class Walk:
    """How far a repair has got. ``unread``: part of the link says nothing, so that a tick may be missing."""

    advice_id: str
    stops: tuple[Stop, ...]
    ticked: tuple[str, ...]
    otherwise: tuple[str, ...]
    unread: bool
    earlier: tuple[str, ...] = ()

    @property
    def first_open(self) -> Stop | None:
        """The first stop that is neither done nor done otherwise; None where all are."""
        done = {*self.ticked, *self.otherwise}
        return next((stop for stop in self.stops if stop.name not in done), None)

    @property
    def has_begun(self) -> bool:
        """Whether a step of the work is done."""
        return any(stop.kind == STEP and self.is_done(stop) for stop in self.stops)

    @property
    def has_joined(self) -> bool:
        """Whether a joint may have been made: the first step that makes one is open, or done."""
        first = next((stop for stop in self.stops if stop.joins), None)
        return first is not None and self.stop(first.name) is first

    def is_done(self, stop: Stop) -> bool:
        """Whether a stop is done, or done otherwise."""
        return stop.name in self.ticked or stop.name in self.otherwise

    def stop(self, name: str) -> Stop | None:
        """The stop of that name, where everything ahead of it is done; else the first that is open."""
        found = self.first_open
        for stop in self.stops:
            if stop.name == name or stop is found:
                return stop
        return found

    def exactly(self, name: str) -> Stop | None:
        """The stop of that name, where everything ahead of it is done; else None."""
        found = self.stop(name)
        return found if found is not None and found.name == name else None

    def before(self, stop: Stop | None) -> Stop | None:
        """The stop before one, or the last of all before the end."""
        at = len(self.stops) if stop is None else self.stops.index(stop)
        return self.stops[at - 1] if at else None

    def cautions_of(self, stop: Stop) -> tuple[Stop, ...]:
        """The cautions that concern a check or step."""
        return tuple(
            one for one in self.stops if one.kind == CAUTION and (one.before, one.number) == (stop.kind, stop.number)
        )

    def done(self, kind: str) -> int:
        """How many stops of a kind are done."""
        return sum(self.is_done(stop) for stop in self.stops if stop.kind == kind)

    def count(self, kind: str) -> int:
        """How many stops of a kind there are."""
        return sum(stop.kind == kind for stop in self.stops)

    # --- where things are shown -----------------------------------------------------------------------------

    def state(self) -> list[tuple[str, str]]:
        """What every link and form says of this walk."""
        said = [("advice", self.advice_id), ("earlier", ".".join(self.earlier))]
        said += [("ticked", ".".join(self.ticked)), ("otherwise", ".".join(self.otherwise))]
        return [(name, value) for name, value in said if value]

    def link(self, at: str = "", **more: str) -> str:
        """Where a page of this walk is shown."""
        said = [*self.state(), *([("at", at)] if at else []), *((name, value) for name, value in more.items() if value)]
        return f"/pole?{urlencode(said)}"

    def tick(self, stop: Stop) -> str:
        """Where it goes on once a stop is done."""
        return self._with(tuple(dict.fromkeys((*self.ticked, stop.name))), self._without(self.otherwise, stop)).link()

    def untick(self, stop: Stop) -> str:
        """Where a stop is shown as not done."""
        less = self._with(self._without(self.ticked, stop), self._without(self.otherwise, stop))
        return less.link(stop.name)

    def done_otherwise(self, stop: Stop) -> str:
        """Where it goes on once a stop was done otherwise."""
        return self._with(self._without(self.ticked, stop), (*self._without(self.otherwise, stop), stop.name)).link()

    def carried_to(self, advice_id: str, *, checks_hold: bool) -> str:
        """Where a fresh advice is walked, with what was ticked here; checks are made anew where they may not hold."""
        kept = {stop.name for stop in self.stops if stop.name != START and (checks_hold or stop.kind != CHECK)}
        ticked = tuple(name for name in self.ticked if name in kept)
        otherwise = tuple(name for name in self.otherwise if name in kept)
        before = tuple(dict.fromkeys((*self.earlier, self.advice_id)))[-MOST_EARLIER:]
        earlier = tuple(one for one in before if one != advice_id)
        return Walk(advice_id, (), ticked, otherwise, unread=False, earlier=earlier).link()

    def _with(self, ticked: tuple[str, ...], otherwise: tuple[str, ...]) -> Walk:
        return replace(self, ticked=ticked, otherwise=otherwise)

    @staticmethod
    def _without(names: tuple[str, ...], stop: Stop) -> tuple[str, ...]:
        return tuple(name for name in names if name != stop.name)


def read_walk(advice_id: str, advice: Advice, given: Mapping[str, str]) -> Walk:
    """The walk through an advice as far as a link or a form says it has got."""
    stops = stops_of(advice)
    known = {"ticked": {stop.name for stop in stops}, "otherwise": {stop.name for stop in stops if stop.may_differ}}
    told = {name: [one for one in given.get(name, "").split(".") if one] for name in ("ticked", "otherwise")}
    read = {name: tuple(dict.fromkeys(one for one in some if one in known[name])) for name, some in told.items()}
    ids = [one for one in given.get("earlier", "").split(".") if one]
    earlier = tuple(dict.fromkeys(one for one in ids if _ID.fullmatch(one) and one != advice_id))[-MOST_EARLIER:]
    unread = any(not _NAME.fullmatch(one) for some in told.values() for one in some)
    unread = unread or any(not _ID.fullmatch(one) for one in ids)
    # What keeps people whole is done or not done: no link says that it was done otherwise.
    unread = unread or any(one in known["ticked"] and one not in known["otherwise"] for one in told["otherwise"])
    ticked = tuple(name for name in read["ticked"] if name not in read["otherwise"])
    return Walk(advice_id, stops, ticked, read["otherwise"], unread, earlier)


def stops_of(advice: Advice) -> tuple[Stop, ...]:
    """All that is read, made certain and done under an advice, in its order: each caution whole and by itself, before
    what it concerns. Steps that come first are done before anything is made certain: nobody walks up to a danger to
    look for it."""
    names: dict[str, None] = {START: None}
    found = [Stop(START, START, advice.say, 0)]
    for stop in _told(advice):
        name = _name_of(stop.kind, stop.text, stop.limit, names)
        names[name] = None
        found.append(replace(stop, name=name))
    return tuple(found)


def _told(advice: Advice) -> Iterator[Stop]:
    cautions = placed(advice)
    for text in cautions.first:
        yield Stop(CAUTION, "", text, 0)
    yield from _steps((step for step in advice.steps if step.first), cautions)
    for number, check in enumerate(advice.checks_on_arrival, start=1):
        for text in cautions.beside[check.screen]:
            yield Stop(CAUTION, "", text, number, before=CHECK)
        yield Stop(CHECK, "", check.not_before, number, screen=check.screen, protects=check.kind in PEOPLES_KINDS)
    yield from _steps((step for step in advice.steps if not step.first), cautions)


def _steps(steps: Iterable[Step], cautions: Placed) -> Iterator[Stop]:
    for step in steps:
        for text in cautions.before[step.number]:
            yield Stop(CAUTION, "", text, step.number, before=STEP)
        yield Stop(STEP, "", step.text, step.number, step.limit, protects=step.protects, joins=step.joins)


def _name_of(kind: str, text: str, limit: str, taken: Mapping[str, None]) -> str:
    """Six digits of a digest of what a stop says; where the same is said again, of the second time."""
    time = 0
    while True:
        said = "\0".join((kind, text, limit, str(time)))
        name = hashlib.sha256(said.encode()).hexdigest()[:6]
        if name not in taken:
            return name
        time += 1
