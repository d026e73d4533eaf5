"""What is known, typed or pasted a line each: ``name = value``, in any order.

A name may be the table's or the policy's (``spare_near_m``, "spare cable on the exchange side"), and so may a word
(``pole_top``, "pole top"). ``:`` does for ``=``, and ``;`` for the end of a line; what begins with ``#`` is left out.
Nothing is guessed: a line that is none, or a name that stands twice with two values, is a fault.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import shown
from repairadvisor.facts.vocabulary import BY_NAME, TIME_NAMES, Fact
from repairadvisor.schemas.typed import typed_fact

#: More than every fact takes with its longest word.
LONGEST_TEXT = 12_000
#: No value is longer; a word that may be one of several is a list of them.
LONGEST_VALUE = 400

_LINE_ENDS = re.compile(r"[\r\n;]+")
_NUMBER_AND_UNIT = re.compile(r"([^A-Za-z°µ%]*[0-9.])\s*(\D.*)?")


@dataclass(frozen=True)
class Spoken:
    """The policy's names of facts and of their words, and its units, each with ours."""

    names: Mapping[str, str]
    words: Mapping[str, Mapping[str, str]]
    units: Mapping[str, str]
    #: Units as they stand beside a number, where a word of the policy's language stands in them.
    shown_units: Mapping[str, str] = field(default_factory=dict)
    #: What stands between two numbers of which nobody knows the one that is right.
    to: str = "to"
    #: Names that take a moment.
    times: Mapping[str, str] = field(default_factory=dict)
    #: What counts are called where there is one.
    one: Mapping[str, str] = field(default_factory=dict)
    #: In which unit a number that stands alone is typed on pages, where that is not the fact's own.
    typed_units: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, wording: Mapping[str, object], typed_units: Mapping[str, str] | None = None) -> Spoken:
        """From a policy's wording; what it lacks is said in our own names."""
        figures = _table(wording, "figures")
        between = str(_table(wording, "fact").get("between", "{low} to {high}"))
        return cls(
            _table(wording, "fact_name"),
            _table(wording, "word"),
            _table(wording, "unit_said"),
            _table(wording, "unit_shown"),
            between.replace("{low}", "").replace("{high}", "").strip(),
            _table(wording, "time_name"),
            {unit: str(one).replace("{n}", "").strip() for unit, one in _table(figures, "counted_one").items()},
            typed_units or {},
        )

    def name(self, fact: str) -> str:
        """What a fact is called; a name that takes a moment is called by itself."""
        if fact in self.names:
            return str(self.names[fact])
        return BY_NAME[fact].meaning if fact in BY_NAME else str(self.times.get(fact) or fact.replace("_", " "))

    def word(self, fact: str, word: str) -> str:
        """What a word of a fact is called."""
        return str(self.words.get(fact, {}).get(word) or word.replace("_", " "))

    def fact_called(self, name: str) -> str:
        """Ours for a name however it is written; itself where it is nobody's."""
        plain = name.strip().casefold()
        ours = "_".join(plain.split())
        if ours in BY_NAME or ours in TIME_NAMES:
            return ours
        named = (*self.names.items(), *self.times.items())
        return next((fact for fact, said in named if str(said).casefold() == plain), name.strip())

    def value_called(self, fact: Fact | None, value: str) -> str:
        """A value as :func:`repairadvisor.schemas.typed.typed_fact` reads it."""
        if fact is None:
            return value
        if fact.is_number:
            return self._number(fact, value)
        return "|".join(self._word_called(fact, part) for part in value.split("|"))

    def _word_called(self, fact: Fact, value: str) -> str:
        plain = value.strip().casefold()
        ours = "_".join(plain.split())
        if ours in fact.words:
            return ours
        said = self.words.get(fact.name, {})
        return next((word for word in fact.words if str(said.get(word, "")).casefold() == plain), value.strip())

    def _number(self, fact: Fact, value: str) -> str:
        between = re.fullmatch(rf"(\S+)\s+(?:to|{re.escape(self.to)})\s+(\S.*)", value)
        joined = f"{between[1]}..{between[2]}" if between else value
        number = _NUMBER_AND_UNIT.fullmatch(joined)
        shown = self.shown_units.get(fact.unit, fact.unit)
        units = (fact.unit, self.units.get(fact.unit), shown, _one_of(fact.unit), self.one.get(fact.unit))
        if number and number[2] and number[2] in units:
            own = number[1].strip()
            return f"{own} {fact.unit}" if fact.unit in self.typed_units else own
        return self.with_unit(fact, joined)

    def with_unit(self, fact: Fact, value: str) -> str:
        """A number as it is typed, with its unit where it would count in another one than pages name."""
        unit = self.typed_units.get(fact.unit)
        if unit is None:
            return value
        said = self.units.get(unit)
        if said and value.endswith(f" {said}"):
            return value.removesuffix(said) + unit
        typed = typed_fact(fact.name, value)
        is_bare = isinstance(typed, float) or (isinstance(typed, dict) and "between" in typed and "unit" not in typed)
        return f"{value} {unit}" if is_bare else value

    def unit(self, fact: Fact) -> str:
        """A number's unit as it stands beside it."""
        return str(self.shown_units.get(fact.unit) or fact.unit)


def facts_in(text: str, spoken: Spoken) -> tuple[dict[str, str], list[Fault]]:
    """The facts in a text, each as it would be typed alone, and everything wrong with its lines."""
    if len(text) > LONGEST_TEXT:
        return {}, [Fault("too-long", "told", shown(text), "is too long", f"up to {LONGEST_TEXT} characters")]
    found: dict[str, str] = {}
    faults = []
    for line in _LINE_ENDS.split(text):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        name, value = _parted(line)
        if not name or not value:
            faults.append(Fault("no-line", "told", shown(line.strip()), "is no line", "name = value"))
            continue
        fact = spoken.fact_called(name)
        value = spoken.value_called(BY_NAME.get(fact), value)
        faults += wrong_length(fact, value)
        if found.setdefault(fact, value) != value:
            faults.append(Fault("name-twice", shown(fact), shown(value), "stands twice, with two values", "once"))
    return {fact: value for fact, value in found.items() if not wrong_length(fact, value)}, faults


def wrong_length(name: str, value: str) -> list[Fault]:
    """What is longer than any name or value there is."""
    if len(name) > LONGEST_VALUE:
        return [Fault("unknown-fact", shown(name), "", "no fact has so long a name")]
    if len(value) > LONGEST_VALUE:
        return [Fault("too-long", shown(name), shown(value), "is too long", f"up to {LONGEST_VALUE} characters")]
    return []


def as_line(name: str, value: str, spoken: Spoken) -> str:
    """A fact as a line that :func:`facts_in` reads the same."""
    fact = BY_NAME.get(name)
    if fact is None or fact.is_number:
        unit = f" {_counted(fact, value, spoken)}" if fact is not None and _is_bare(value) else ""
        return f"{spoken.name(name)} = {value.replace('..', f' {spoken.to} ') if fact is not None else value}{unit}"
    said = [spoken.word(name, word) if word in fact.words else word for word in value.split("|")]
    return f"{spoken.name(name)} = {' | '.join(said)}"


def _parted(line: str) -> tuple[str, str]:
    """Name and value of a line: they part at its first ``=``, else at its first ``:``."""
    name, _, value = line.partition("=" if "=" in line else ":")
    return name.strip(), value.strip()


def _is_bare(value: str) -> bool:
    return bool(value) and not any(sign.isalpha() and sign not in "eE" for sign in value) and "%" not in value


def _table(wording: Mapping[str, object], name: str) -> Mapping[str, Any]:
    found = wording.get(name)
    return found if isinstance(found, Mapping) else {}


def _counted(fact: Fact, value: str, spoken: Spoken) -> str:
    """A number's unit beside it: 1 fibre, 2 fibres."""
    return spoken.one.get(fact.unit, spoken.unit(fact)) if value in ("1", "1.0") else spoken.unit(fact)


def _one_of(unit: str) -> str:
    return unit.removesuffix("s")
