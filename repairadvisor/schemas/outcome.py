"""A report of work that was done, as it crosses the wire: the attempts at joints, and what goes with closing the work.

Hundreds of fibres are told by tube or ribbon: ``"fibre": "T1F1..T1F12"`` is each of them, and an attempt that names one
fibre by itself comes before a stretch that holds it. What every attempt shares is told once, under ``each``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import date, datetime
from typing import Any

import orjson

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment, shown
from repairadvisor.outcome.reported import Attempt, Reading, of_fibre
from repairadvisor.schemas.request import PLAN_FORM, PLAN_ID

#: Names of what is told of an attempt; the advice is told beside the attempts.
ATTEMPT_FIELDS = tuple(one.name for one in fields(Attempt) if one.name != "advice")
READING_FIELDS = tuple(one.name for one in fields(Reading))
#: What an attempt has to tell.
NEEDED = tuple(one.name for one in fields(Attempt) if one.default is MISSING and one.name != "advice")
#: More fibres than the largest cables hold.
MOST_FIBRES = 10_000
MOST_ENTRIES, MOST_EVIDENCE, LONGEST_EVIDENCE = 10_000, 100, 200
#: What is known by a pseudonym alone, and never stands among what was measured.
WHO = ("person", "machine", "cleaver")

_KEYS = ("advice", "plan", "attempts", "each", "evidence", "temporary")
_KEYS_OF_TEMPORARY = ("due_on", "responsible")
_ADVICE_ID = re.compile(r"[0-9a-f]{32}")
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_STRETCH = re.compile(r"(?P<name>.*?)(?P<first>[0-9]{1,6})\.\.(?P<again>.*?)(?P<last>[0-9]{1,6})")
_TIME_FORM = "ISO 8601 with its zone, as 2031-05-04T07:30:00Z"
_DAY_FORM = "a day, as 2031-05-20"
_ADVICE_FORM = "the id under which the advice is kept, 32 hexadecimal digits"


@dataclass(frozen=True, slots=True)
class Entry:
    """One attempt at one joint of one fibre, and where it was told. ``is_exact``: its fibre was named by itself."""

    attempt: Attempt
    where: str
    is_exact: bool = True


@dataclass(frozen=True, slots=True)
class Closure:
    """What goes with closing the work: ``evidence``, each a line of text; the day (ISO 8601) on which a temporary
    repair is due to be made for good, "" where none was told, and who is to see to it, an id or ""."""

    evidence: tuple[str, ...] = ()
    due_on: str = ""
    responsible: str = ""

    @property
    def says_something(self) -> bool:
        """Whether anything was told."""
        return bool(self.evidence or self.due_on or self.responsible)


@dataclass(frozen=True, slots=True)
class Report:
    """A report on the work of one advice; ``plan`` is the id of the plan that was carried out, "" where it was the one
    that was advised."""

    advice: str
    plan: str
    entries: tuple[Entry, ...]
    closure: Closure = field(default=Closure())


def read_report(body: Mapping[str, object], where: str = "") -> Report:
    """The report that ``body`` holds; InputError with everything that is wrong with it by itself.

    ``where`` is put before every field's name, as "line 7: ".
    """
    faults = [_unknown(where + key, body[key], _KEYS) for key in body if key not in _KEYS]
    each = _object(body, "each", where, faults)
    faults += [_unknown(f"{where}each.{key}", each[key], ATTEMPT_FIELDS) for key in each if key not in ATTEMPT_FIELDS]
    advice = read_advice_id(body.get("advice"), f"{where}advice", faults)
    entries: list[Entry] = []
    shared = {key: each[key] for key in each if key in ATTEMPT_FIELDS}
    for at, told in enumerate(_entries(body, where, faults)):
        entries += read_entry({**shared, **told}, advice or "0" * 32, f"{where}attempts[{at}]", ".", faults)
    if len(entries) > MOST_ENTRIES:
        faults.append(
            Fault("too-many", f"{where}attempts", str(len(entries)), "are too many at a time", f"up to {MOST_ENTRIES}")
        )
    plan = read_plan_id(body.get("plan", ""), f"{where}plan", faults)
    closure = _closure(body, where, faults)
    if faults:
        raise InputError(faults)
    return Report(advice, plan, chosen(entries), closure)


def chosen(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """What counts of the entries of a report: of one attempt at one joint of one fibre, what was told of that fibre by
    itself. InputError where two tell different things in the same way; what is told twice alike is told once."""
    kept: dict[tuple[str, str, int, int], Entry] = {}
    faults = []
    for one in entries:
        before = kept.get(one.attempt.key)
        if before is None or (one.is_exact and not before.is_exact):
            kept[one.attempt.key] = one
        elif before.is_exact == one.is_exact and before.attempt != one.attempt:
            faults.append(told_otherwise(one.where, before.where, one.attempt))
    if faults:
        raise InputError(faults)
    return tuple(kept.values())


def told_otherwise(where: str, before: str, attempt: Attempt) -> Fault:
    """That one attempt was told twice, and otherwise the second time."""
    named = f"fibre {attempt.fibre}, joint {attempt.joint}, attempt {attempt.attempt}"
    return Fault("given-twice", where, named, f"was told otherwise before, at {before}", "one of them")


def read_entry(
    told: Mapping[str, object], advice: str, where: str, between: str, faults: list[Fault]
) -> tuple[Entry, ...]:
    """The attempts that one entry tells of, one for each of its fibres; none where something is wrong with it, which
    is added to ``faults``. ``where`` and ``between`` come before the name of each field."""

    def at(name: str) -> str:
        return f"{where}{between}{name}"

    wrong = [_unknown(at(key), told[key], ATTEMPT_FIELDS) for key in told if key not in ATTEMPT_FIELDS]
    wrong += [
        Fault("missing", at(name), "", "is missing", _FORMS.get(name, "a text or a number"))
        for name in NEEDED
        if told.get(name) in (None, "")
    ]
    names, is_exact = fibres_named(told.get("fibre"), at("fibre"), wrong)
    values = {name: told[name] for name in ATTEMPT_FIELDS if name in told and told[name] is not None}
    values["readings"] = _readings(told.get("readings"), at, wrong)
    values["made_at"] = _moment(told.get("made_at"), at("made_at"), wrong)
    if wrong:
        faults += wrong
        return ()
    whole = {name: _whole(values[name]) for name in _COUNTS if name in values}
    try:
        first = Attempt(**{**values, **whole, "advice": advice, "fibre": names[0]})
        made = [first, *(of_fibre(first, name) for name in names[1:])]
    except InputError as error:
        faults += [replace(one, field=at(one.field)) for one in error.faults]
        return ()
    return tuple(Entry(one, where, is_exact) for one in made)


_COUNTS = ("joint", "attempt", "joints_read", "joint_bodies_left")
_FORMS = {
    "fibre": "the fibre's name, or a stretch of them as T1F1..T1F12",
    "joint": "a whole number, 1 for the one nearest to the equipment",
    "attempt": "a whole number, 1 for the first",
    "made_at": _TIME_FORM,
    "method": "how the joint was made, as in the plan",
}


def fibres_named(told: object, where: str, faults: list[Fault]) -> tuple[tuple[str, ...], bool]:
    """The fibres that a name or a stretch of names stands for, and whether it is one name."""
    if not isinstance(told, str) or not told:
        return ("",), True
    found = _STRETCH.fullmatch(told)
    if found is None:
        return (told,), True
    first, last = int(found["first"]), int(found["last"])
    if found["again"] not in ("", found["name"]) or not 0 <= last - first < MOST_FIBRES:
        problem = "is no stretch of fibres"
        faults.append(Fault("wrong-stretch", where, shown(told), problem, f"T1F1..T1F12, up to {MOST_FIBRES} of them"))
        return ("",), False
    width = len(found["first"]) if found["first"].startswith("0") else 1
    return tuple(f"{found['name']}{number:0{width}}" for number in range(first, last + 1)), False


def read_advice_id(told: object, where: str, faults: list[Fault]) -> str:
    """The id of the advice that the work was done under; "" where it is none, which is added to ``faults``."""
    if isinstance(told, str) and _ADVICE_ID.fullmatch(told):
        return told
    slug, problem = ("missing", "is missing") if told in (None, "") else ("wrong-value", "is no id of an advice")
    faults.append(Fault(slug, where, "" if told is None else shown(told), problem, _ADVICE_FORM))
    return ""


def read_plan_id(told: object, where: str, faults: list[Fault]) -> str:
    """The id of a plan, "" where none was told or it is none: that is added to ``faults``."""
    if told in (None, ""):
        return ""
    if isinstance(told, str) and PLAN_ID.fullmatch(told):
        return told
    faults.append(Fault("wrong-value", where, shown(told), "is no plan", PLAN_FORM))
    return ""


def measured(attempt: Attempt) -> bytes:
    """All that was told of an attempt besides what names it and who made it, as JSON."""
    told = {name: getattr(attempt, name) for name in ATTEMPT_FIELDS if name not in _NAMING}
    return orjson.dumps(told)


_NAMING = frozenset({"fibre", "joint", "attempt", "ribbon", "method", "made_at", *WHO})


def from_measured(content: bytes, **naming: Any) -> Attempt:
    """The attempt of which :func:`measured` wrote that; ``naming`` is what it left out, the advice with it."""
    told = orjson.loads(content)
    told["readings"] = tuple(Reading(**one) for one in told["readings"])
    return Attempt(**told, **naming)


# --- parts ----------------------------------------------------------------------------------------------------


def _unknown(where: str, value: object, allowed: Sequence[str]) -> Fault:
    return Fault("unknown-field", where, shown(value), "no such field", ", ".join(allowed))


def _object(body: Mapping[str, object], name: str, where: str, faults: list[Fault]) -> Mapping[str, object]:
    told = body.get(name)
    if told is None:
        return {}
    if isinstance(told, Mapping):
        return told
    faults.append(Fault("wrong-type", where + name, shown(told), "is not an object", "an object of fields by name"))
    return {}


def _entries(body: Mapping[str, object], where: str, faults: list[Fault]) -> list[Mapping[str, object]]:
    told = body.get("attempts", [])
    form = "a list of attempts, each an object"
    if not isinstance(told, list):
        faults.append(Fault("wrong-type", f"{where}attempts", shown(told), "is not a list", form))
        return []
    found = []
    for at, one in enumerate(told):
        if isinstance(one, Mapping):
            found.append(one)
        else:
            faults.append(Fault("wrong-type", f"{where}attempts[{at}]", shown(one), "is not an object", form))
    # What goes with the work may be told before a joint is made, as why something was done otherwise than advised.
    if not found and not faults and not body.get("evidence") and not body.get("temporary"):
        faults.append(Fault("missing", f"{where}attempts", "", "holds no attempt", form))
    return found


def _readings(told: object, at: Any, faults: list[Fault]) -> tuple[Reading, ...]:
    if told is None:
        return ()
    if not isinstance(told, list | tuple):
        faults.append(Fault("wrong-type", at("readings"), shown(told), "is not a list", "a list, one a wavelength"))
        return ()
    found = []
    for number, one in enumerate(told):
        where = at(f"readings[{number}]")
        if not isinstance(one, Mapping):
            faults.append(Fault("wrong-type", where, shown(one), "is not an object", ", ".join(READING_FIELDS)))
            continue
        faults += [_unknown(f"{where}.{key}", one[key], READING_FIELDS) for key in one if key not in READING_FIELDS]
        if _whole(one.get("nm")) is None or isinstance(one.get("nm"), bool):
            faults.append(Fault("missing", f"{where}.nm", shown(one.get("nm", "")), "is no wavelength", "", "nm"))
            continue
        values = {key: one[key] for key in READING_FIELDS if key in one and one[key] is not None}
        bad = _not_numbers(values, where)
        faults += bad
        if not bad:
            found.append(Reading(**{**values, "nm": _whole(values["nm"])}))
    return tuple(found)


def _not_numbers(values: Mapping[str, Any], where: str) -> list[Fault]:
    """A reading works with its numbers before anybody looks at them."""
    return [
        Fault("not-a-number", f"{where}.{name}", shown(value), "is not a number", "", "dB")
        for name, value in values.items()
        if name.endswith("_db") and (isinstance(value, bool) or not isinstance(value, int | float))
    ]


def _whole(value: Any) -> Any:
    """3.0 as JSON has it is 3; anything else stays what it is."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value if isinstance(value, int) else None if value is None else value


def _moment(told: object, where: str, faults: list[Fault]) -> datetime | None:
    if told in (None, ""):
        return None
    moment = told if isinstance(told, datetime) else read_moment(told)
    if moment is None or not 1970 <= moment.year < 9000:
        faults.append(Fault("wrong-time", where, shown(told), "not a time that can be used", _TIME_FORM))
        return None
    return moment


def _closure(body: Mapping[str, object], where: str, faults: list[Fault]) -> Closure:
    temporary = _object(body, "temporary", where, faults)
    faults += [
        _unknown(f"{where}temporary.{key}", temporary[key], _KEYS_OF_TEMPORARY)
        for key in temporary
        if key not in _KEYS_OF_TEMPORARY
    ]
    told = body.get("evidence")
    if told is not None and not isinstance(told, list):
        faults.append(Fault("wrong-type", f"{where}evidence", shown(told), "is not a list", "a list of lines of text"))
        told = None
    return read_closure(
        told or (), temporary.get("due_on"), temporary.get("responsible"), faults, where, f"{where}temporary."
    )


def read_closure(
    evidence: Sequence[object], due_on: object, responsible: object, faults: list[Fault], where: str, of_temporary: str
) -> Closure:
    """What goes with closing the work, each part as it was told; what is wrong is added to ``faults``."""
    if len(evidence) > MOST_EVIDENCE:
        faults.append(
            Fault("too-many", f"{where}evidence", str(len(evidence)), "lines are too many", f"up to {MOST_EVIDENCE}")
        )
    for one in evidence:
        if not isinstance(one, str) or not 1 <= len(one) <= LONGEST_EVIDENCE or not one.isprintable():
            allowed = f"1 to {LONGEST_EVIDENCE} printable characters"
            faults.append(Fault("wrong-text", f"{where}evidence", shown(one), "is no line of text", allowed))
    if due_on not in (None, "") and not _is_day(due_on):
        faults.append(Fault("wrong-time", f"{of_temporary}due_on", shown(due_on), "is no day", _DAY_FORM))
    if responsible not in (None, "") and not (isinstance(responsible, str) and _ID.fullmatch(responsible)):
        allowed = "1 to 64 letters, digits, dots, strokes: an id, never a person's name"
        faults.append(Fault("wrong-text", f"{of_temporary}responsible", shown(responsible), "is no id", allowed))
    return Closure(tuple(str(one) for one in evidence), str(due_on or ""), str(responsible or ""))


def _is_day(told: object) -> bool:
    if not isinstance(told, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", told):
        return False
    try:
        return 1970 <= date.fromisoformat(told).year < 9000
    except ValueError:
        return False
