"""Facts as fields of a form: what each is called, what can be chosen, who can tell it, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import shown
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, TIME_NAMES, Fact
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.pasted import Spoken

#: Who can tell a fact, by the first way in which it can be learnt.
WHO_TELLS = ("by_phone", "from_control_room", "from_records", "with_instrument", "on_arrival")


@dataclass(frozen=True, slots=True)
class Choice:
    """A word that can be chosen: ours, and as it is said."""

    word: str
    said: str


@dataclass(frozen=True, slots=True)
class Field:
    """One fact to be filled in. ``choices`` are empty where a number or a moment is typed; ``below_zero`` says that it
    may be less than nothing, for which the number pad of a telephone has no key."""

    name: str
    said: str
    hint: str
    choices: tuple[Choice, ...]
    value: str
    faults: tuple[Fault, ...]
    below_zero: bool


def field_of(
    name: str, spoken: Spoken, voice: Voice, value: str = "", faults: Iterable[Fault] = (), *, explained: bool = False
) -> Field:
    """A fact, or a name that takes a moment, as a field; ``explained``: its hint says what it means, where the policy
    has words for that."""
    wrong = tuple(said_fault(fault, value, spoken, voice) for fault in faults if fault.field.partition(".")[0] == name)
    if name in TIME_NAMES:
        hint = voice.say("facts", "moment")
        return Field(name, spoken.name(name), hint, (), value, wrong, below_zero=True)
    fact = BY_NAME[name]
    if fact.is_number:
        typed = spoken.typed_units.get(fact.unit, fact.unit)
        unit = "" if _is_count(fact, voice) else spoken.units.get(typed) or typed
        said = voice.say("facts", "in_unit", name=spoken.name(name), unit=unit) if unit else spoken.name(name)
        hint = _range(fact, voice)
        if explained and name in _meanings(voice):
            hint = voice.say("facts", "meant", meaning=voice.say("facts", "meaning", name), range=hint)
        return Field(name, said, hint, (), value, wrong, below_zero=fact.low < 0)
    return Field(name, spoken.name(name), "", _choices(fact, spoken, voice, value), value, wrong, below_zero=False)


def _meanings(voice: Voice) -> Mapping[str, object]:
    return voice.words.table("facts", "meaning")


def said_fault(fault: Fault, typed: str, spoken: Spoken, voice: Voice) -> Fault:
    """What is wrong with a fact, as pages say it: its name, what was typed, and what is allowed in the units typed."""
    name = fault.field.partition(".")[0]
    said = replace(fault, field=spoken.name(name)) if name in BY_NAME or name in TIME_NAMES else fault
    fact = BY_NAME.get(name)
    if fact is None or name in TIME_NAMES:
        return replace(said, allowed=f"{fault.allowed} {fault.unit}".strip(), unit="")
    if fault.allowed == fact.allowed_text():
        words = voice.say("fact", "or").join(spoken.word(name, word) for word in fact.words)
        return replace(said, value=shown(typed) or fault.value, allowed=words or _range(fact, voice), unit="")
    return replace(said, allowed=f"{fault.allowed} {fault.unit}".strip(), unit="")


def fault_line(fault: Fault, voice: Voice) -> str:
    """That in one line: "air temperature: 190 is out of range; allowed: -60 to 60 °C"."""
    said = {"name": fault.field, "problem": fault.problem}
    if fault.value and fault.allowed:
        return voice.say("facts", "line_value_allowed", value=fault.value, allowed=fault.allowed, **said)
    if fault.value:
        return voice.say("facts", "line_value", value=fault.value, **said)
    if fault.allowed:
        return voice.say("facts", "line_allowed", allowed=fault.allowed, **said)
    return voice.say("facts", "line", **said)


def _range(fact: Fact, voice: Voice) -> str:
    """From what to what a number may be, in the unit in which it is typed."""
    ends = {"low": f"{fact.low:g}", "high": f"{fact.high:.0f}" if fact.high == int(fact.high) else f"{fact.high:g}"}
    if fact.whole:
        return voice.say("facts", "range_whole", **ends)
    if not fact.unit:
        return prose(voice, voice.say("facts", "range_bare", **ends))
    return prose(voice, voice.say("facts", "range", unit=voice.words.unit(fact.unit), **ends))


def _is_count(fact: Fact, voice: Voice) -> bool:
    """Whether it counts what its name names: "fibres down, in fibres" would say it twice."""
    return fact.unit in voice.words.table("figures", "counted")


def _choices(fact: Fact, spoken: Spoken, voice: Voice, value: str) -> tuple[Choice, ...]:
    """Its words; and what was told, where that is not one of them."""
    choices = tuple(Choice(word, spoken.word(fact.name, word)) for word in fact.words)
    if not value or value in fact.words:
        return choices
    parts = [spoken.word(fact.name, word) if word in fact.words else shown(word) for word in value.split("|")]
    return (*choices, Choice(value, voice.say("fact", "or").join(parts)))


def can_have_meaning(fact: Fact, told: Mapping[str, str]) -> bool:
    """Whether a fact may have a meaning beside what is told in so many words."""
    said = ((name, words) for name, words in fact.applies if told.get(name) in BY_NAME[name].words)
    return all(told[name] in words for name, words in said)


def groups(told: Mapping[str, str], spoken: Spoken, voice: Voice) -> list[tuple[str, Sequence[Field]]]:
    """Every fact that may have a meaning beside what is told, by who can tell it; what is told always."""
    under_time = {TIME_NAMES[name].name: name for name in told if name in TIME_NAMES}
    found: dict[str, list[Field]] = {way: [] for way in WHO_TELLS}
    for fact in FACTS:
        name = under_time.get(fact.name, fact.name)
        if name in told or can_have_meaning(fact, told):
            found[fact.learnt[0]].append(field_of(name, spoken, voice, told.get(name, "")))
    return [(voice.say("facts", "who_tells", way), fields) for way, fields in found.items() if fields]
