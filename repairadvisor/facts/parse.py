"""From a raw mapping to a :class:`~repairadvisor.facts.context.Context`; every fault is reported at once.

A fact is a value, ``{"value": …, "unit": …}``, ``{"between": [low, high], "unit": …}``, ``{"one_of": […]}``,
``{"not_applicable": true}``, or absent. Each object may say ``source``, ``seen_at`` and ``valid_until``. A list
holds what several sources said: where they disagree the fact is bounded by them, never averaged. Minutes that run on
(an age, an arrival) are those of the moment at which they were seen: they are held as they are now.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from datetime import datetime

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.running import since_seen
from repairadvisor.facts.units import accepted_units, convert
from repairadvisor.facts.value import Between, Known, NotApplicable, OneOf, State
from repairadvisor.facts.vocabulary import BY_NAME, TIME_NAMES, YES_NO, Fact

_REPORT_KEYS = ("value", "between", "one_of", "not_applicable", "unit", "source", "seen_at", "valid_until")
_SAYS = ("value", "between", "one_of", "not_applicable")
_LONGEST_SOURCE = 200
_MOST_REPORTS = 20
_LONGEST_NEAR, _MOST_NEAR = 80, 50


def parse_context(facts: Mapping[str, object], now: datetime) -> Context:
    """The context of ``facts`` at ``now`` (aware).

    Raises :class:`~repairadvisor.errors.InputError` with every fault: unknown field (and the nearest right
    name), wrong type, unit or range, a moment that lies on the wrong side of now, contradictions.
    """
    if now.tzinfo is None:
        raise InputError([Fault("no-time-zone", "now", now.isoformat(), "has no time zone", "a time with its zone")])
    reader = _Reader(now)
    for name, raw in facts.items():
        reader.read(str(name), raw)
    place = reader.held.get("place")
    named_place = place.state.value if place and isinstance(place.state, Known) else ""
    context, contradictions = make_context(now, reader.held, tuple(reader.expired))
    faults = [*reader.faults, *contradictions]
    if faults:
        raise InputError(faults, place=str(named_place))
    return context


class _Reader:
    """Reads facts one after the other and gathers what is wrong with them."""

    def __init__(self, now: datetime) -> None:
        self.now = now
        self.held: dict[str, Held] = {}
        self.expired: list[str] = []
        self.faults: list[Fault] = []

    def fault(self, slug: str, field: str, value: object, problem: str, allowed: str = "", unit: str = "") -> None:
        self.faults.append(Fault(slug, shown(field), shown(value), problem, allowed, unit))

    def read(self, name: str, raw: object) -> None:
        fact = BY_NAME.get(name) or TIME_NAMES.get(name)
        if fact is None:
            # Looking for what was meant takes time: for a name that could be one, and not for hundreds of them.
            may_be_meant = len(name) <= _LONGEST_NEAR and len(self.faults) < _MOST_NEAR
            near = difflib.get_close_matches(name, [*BY_NAME, *TIME_NAMES], n=1, cutoff=0.6) if may_be_meant else []
            hint = f"the nearest name is {near[0]}" if near else "see the table of facts"
            self.fault("unknown-field", name, raw, "no such fact", hint)
            return
        if not isinstance(raw, list | tuple | Mapping):
            self._hold(fact, name, raw, self._state(fact, name, "value", {"value": raw}))
            return
        before = len(self.faults)
        raw_reports = list(raw) if isinstance(raw, list | tuple) else [raw]
        if not 0 < len(raw_reports) <= _MOST_REPORTS:
            self.fault("wrong-count", name, f"{len(raw_reports)} reports", "wrong number of reports", "1 to 20")
            return
        reports = [self._report(fact, name, one) for one in raw_reports]
        fresh = [one for one in reports if one is not None and not self._ran_out(one)]
        if len(self.faults) > before:
            return
        if fact.name in self.held:
            self.fault("given-twice", name, raw, f"{fact.name} was already given under its other name", "one of them")
        elif fresh:
            self._keep(fact, name, fresh)
        else:
            self.expired.append(fact.name)

    def _hold(self, fact: Fact, name: str, raw: object, state: State | None) -> None:
        """Keep a plain value, said once and by nobody in particular."""
        if state is not None and fact.name in self.held:
            self.fault("given-twice", name, raw, f"{fact.name} was already given under its other name", "one of them")
        elif state is not None:
            self.held[fact.name] = Held(state)

    def _ran_out(self, held: Held) -> bool:
        return held.valid_until is not None and held.valid_until <= self.now

    def _keep(self, fact: Fact, name: str, reports: Sequence[Held]) -> None:
        state = merged([one.state for one in reports], fact)
        if state is None:
            self.fault("contradiction", name, "not applicable", "one source says it has no meaning, another gives it")
            return
        seen = [one.seen_at for one in reports if one.seen_at is not None]
        ends = [one.valid_until for one in reports if one.valid_until is not None]
        source = "; ".join(dict.fromkeys(one.source for one in reports if one.source))
        # The oldest sight and the earliest expiry count: a bounded fact is only as good as its worst source.
        self.held[fact.name] = Held(state, source, min(seen, default=None), min(ends, default=None))

    def _report(self, fact: Fact, name: str, raw: object) -> Held | None:
        if not isinstance(raw, Mapping):
            raw = {"value": raw}
        wrong = [key for key in raw if key not in _REPORT_KEYS]
        if wrong:
            self.fault("unknown-key", f"{name}.{wrong[0]}", raw[wrong[0]], "no such key", ", ".join(_REPORT_KEYS))
            return None
        says = [key for key in _SAYS if key in raw]
        if len(says) != 1:
            self.fault("no-value", name, dict(raw), "needs exactly one of the keys", ", ".join(_SAYS))
            return None
        state = self._state(fact, name, says[0], raw)
        source = self._source(name, raw.get("source", ""))
        seen_at = self._moment(f"{name}.seen_at", raw.get("seen_at"), before_now=True)
        valid_until = self._moment(f"{name}.valid_until", raw.get("valid_until"))
        if fact.time_runs and state is not None and seen_at is not None:
            # A moment says itself how long ago it is; a number of minutes was that many when it was seen.
            state = since_seen(fact, state, self._minutes_since(seen_at)) if name == fact.name else state
            seen_at = None
        return None if state is None else Held(state, source, seen_at, valid_until)

    def _minutes_since(self, seen_at: datetime) -> float:
        return max((self.now - seen_at).total_seconds() / 60.0, 0.0)

    def _source(self, name: str, raw: object) -> str:
        if not isinstance(raw, str) or len(raw) > _LONGEST_SOURCE or not raw.isprintable():
            self.fault("wrong-text", f"{name}.source", raw, "not a plain text", f"printable, up to {_LONGEST_SOURCE}")
            return ""
        return raw

    def _moment(self, field: str, raw: object, *, before_now: bool = False) -> datetime | None:
        if raw is None:
            return None
        moment = read_moment(raw)
        if moment is None:
            self.fault("wrong-time", field, raw, "not a time", "ISO 8601 with its zone, as 2031-05-04T07:30:00Z")
        elif before_now and moment > self.now:
            self.fault("wrong-time", field, raw, "lies after now", f"up to {self.now.isoformat()}")
        return moment

    def _state(self, fact: Fact, name: str, says: str, raw: Mapping[str, object]) -> State | None:
        if says == "not_applicable":
            if raw["not_applicable"] is not True:
                self.fault("wrong-type", f"{name}.not_applicable", raw["not_applicable"], "can only be true", "true")
                return None
            return NotApplicable()
        if fact.words:
            return self._word_state(fact, name, says, raw)
        return self._number_state(fact, name, says, raw)

    def _word_state(self, fact: Fact, name: str, says: str, raw: Mapping[str, object]) -> State | None:
        if says == "between" or raw.get("unit", "") != "":
            self.fault("wrong-type", name, dict(raw), "is a fact in words", fact.allowed_text())
            return None
        if says == "value":
            word = self._one_word(fact, name, raw["value"])
            return None if word is None else Known(word)
        given = raw["one_of"]
        if not isinstance(given, list | tuple) or not given:
            self.fault("wrong-type", f"{name}.one_of", given, "not a list of words", fact.allowed_text())
            return None
        words = [self._one_word(fact, name, one) for one in given]
        if None in words:
            return None
        kept = tuple(word for word in fact.words if word in words)
        return Known(kept[0]) if len(kept) == 1 else OneOf(kept)

    def _one_word(self, fact: Fact, name: str, raw: object) -> str | None:
        if isinstance(raw, bool) and fact.words == YES_NO:
            return "yes" if raw else "no"
        if isinstance(raw, str) and raw in fact.words:
            return raw
        may_be_meant = isinstance(raw, str) and len(raw) <= _LONGEST_NEAR and len(self.faults) < _MOST_NEAR
        near = difflib.get_close_matches(str(raw), fact.words, n=1, cutoff=0.6) if may_be_meant else []
        problem = f"no such word; did you mean {near[0]}?" if near else "no such word"
        self.fault("unknown-word", name, raw, problem, fact.allowed_text())
        return None

    def _number_state(self, fact: Fact, name: str, says: str, raw: Mapping[str, object]) -> State | None:
        if says == "one_of":
            self.fault(
                "wrong-type",
                name,
                dict(raw),
                "is a number; give a value or between",
                fact.allowed_text(),
                fact.unit,
            )
            return None
        unit = raw.get("unit")
        if says == "value":
            number = self._number(fact, name, raw["value"], unit)
            return None if number is None else Known(number)
        ends = raw["between"]
        if not isinstance(ends, list | tuple) or len(ends) != 2:
            self.fault("wrong-type", f"{name}.between", ends, "not two numbers", "[low, high]", fact.unit)
            return None
        numbers = [self._number(fact, name, one, unit) for one in ends]
        first, last = numbers
        if first is None or last is None:
            return None
        low, high = (first, last) if name == fact.name or fact.time_runs == "ahead" else (last, first)
        if low > high:
            self.fault(
                "wrong-order",
                f"{name}.between",
                list(ends),
                "the first is above the second",
                "[low, high]",
                fact.unit,
            )
            return None
        return Known(low) if low == high else Between(low, high)

    def _number(self, fact: Fact, name: str, raw: object, unit: object) -> float | None:
        if name != fact.name:
            return self._minutes(fact, name, raw, unit)
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            self.fault("not-a-number", name, raw, "is not a number", fact.allowed_text(), fact.unit)
            return None
        if not math.isfinite(raw):
            self.fault("not-a-number", name, raw, "is not a finite number", fact.allowed_text(), fact.unit)
            return None
        value = float(raw) if unit is None else convert(float(raw), str(unit), fact.unit)
        if value is None:
            self.fault("wrong-unit", name, f"{raw} {unit}", "unit does not fit", ", ".join(accepted_units(fact.unit)))
            return None
        return self._in_range(fact, name, value)

    def _in_range(self, fact: Fact, name: str, value: float) -> float | None:
        if not fact.low <= value <= fact.high:
            self.fault("out-of-range", name, value, "is out of range", fact.allowed_text(), fact.unit)
            return None
        if fact.whole and value != math.floor(value):
            self.fault("not-whole", name, value, "is not a whole number", fact.allowed_text(), fact.unit)
            return None
        return value

    def _minutes(self, fact: Fact, name: str, raw: object, unit: object) -> float | None:
        """A moment as minutes before or after now."""
        moment = read_moment(raw)
        if moment is None or unit is not None:
            self.fault("wrong-time", name, raw, "not a time", "ISO 8601 with its zone, as 2031-05-04T07:30:00Z")
            return None
        minutes = (moment - self.now).total_seconds() / 60
        if fact.time_runs == "ago":
            minutes = -minutes
        if minutes < 0:
            side = "after" if fact.time_runs == "ago" else "before"
            self.fault(
                "wrong-time",
                name,
                raw,
                f"lies {side} now ({self.now.isoformat()})",
                fact.allowed_text(),
                "min",
            )
            return None
        return self._in_range(fact, name, round(minutes, 6))


def read_moment(raw: object) -> datetime | None:
    """An ISO 8601 moment with its zone, or None."""
    if not isinstance(raw, str):
        return None
    try:
        moment = datetime.fromisoformat(raw)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None


def merged(states: Sequence[State], fact: Fact) -> State | None:
    """What several sources leave open: the same value, or everything between and of what they said."""
    apart = [state for state in states if isinstance(state, NotApplicable)]
    if apart:
        return apart[0] if len(apart) == len(states) else None
    if fact.words:
        said = [word for state in states for word in _words(state)]
        words = tuple(word for word in fact.words if word in said)
        return Known(words[0]) if len(words) == 1 else OneOf(words)
    ends = [end for state in states for end in _ends(state)]
    low, high = min(ends), max(ends)
    return Known(low) if low == high else Between(low, high)


def _words(state: State) -> tuple[str, ...]:
    return state.words if isinstance(state, OneOf) else (str(state.value),) if isinstance(state, Known) else ()


def _ends(state: State) -> tuple[float, float]:
    if isinstance(state, Between):
        return state.low, state.high
    assert isinstance(state, Known)
    return float(state.value), float(state.value)


def shown(value: object) -> str:
    """A value as it is repeated to whoever sent it: one short printable line."""
    text = value if isinstance(value, str) else repr(value)
    text = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)
    return text if len(text) <= 80 else text[:79] + "…"
