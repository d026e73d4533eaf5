"""Facts as fields of a form: what each is called, what can be chosen, who can tell it, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import shown
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, TIME_NAMES, Fact
from repairadvisor.schemas.pasted import Spoken

#: Who can tell a fact, by the first way in which it can be learnt.
WHO_TELLS = {
    "by_phone": "The caller can tell",
    "from_control_room": "The control room knows",
    "from_records": "The records hold",
    "with_instrument": "An instrument tells",
    "on_arrival": "Seen on arrival",
}


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
    name: str, spoken: Spoken, value: str = "", faults: Iterable[Fault] = (), *, explained: bool = True
) -> Field:
    """A fact, or a name that takes a moment, as a field; ``explained``: its hint says what it means."""
    wrong = tuple(fault for fault in faults if fault.field.partition(".")[0] == name)
    if name in TIME_NAMES:
        hint = "a moment with its zone, as 2031-05-04T07:30:00Z"
        return Field(name, spoken.name(name), hint, (), value, wrong, below_zero=True)
    fact = BY_NAME[name]
    if fact.is_number:
        unit = spoken.units.get(fact.unit) or fact.unit
        said = f"{spoken.name(name)}, in {unit}" if unit else spoken.name(name)
        meaning = f"{fact.meaning}; " if explained else ""
        hint = f"{meaning}{fact.allowed_text()} {fact.unit}".rstrip()
        return Field(name, said, hint, (), value, wrong, below_zero=fact.low < 0)
    return Field(name, spoken.name(name), "", _choices(fact, spoken, value), value, wrong, below_zero=False)


def _choices(fact: Fact, spoken: Spoken, value: str) -> tuple[Choice, ...]:
    """Its words; and what was told, where that is not one of them."""
    choices = tuple(Choice(word, spoken.word(fact.name, word)) for word in fact.words)
    if not value or value in fact.words:
        return choices
    parts = [spoken.word(fact.name, word) if word in fact.words else shown(word) for word in value.split("|")]
    return (*choices, Choice(value, " or ".join(parts)))


def can_have_meaning(fact: Fact, told: Mapping[str, str]) -> bool:
    """Whether a fact may have a meaning beside what is told in so many words."""
    said = ((name, words) for name, words in fact.applies if told.get(name) in BY_NAME[name].words)
    return all(told[name] in words for name, words in said)


def groups(told: Mapping[str, str], spoken: Spoken) -> list[tuple[str, Sequence[Field]]]:
    """Every fact that may have a meaning beside what is told, by who can tell it; what is told always."""
    under_time = {TIME_NAMES[name].name: name for name in told if name in TIME_NAMES}
    found: dict[str, list[Field]] = {way: [] for way in WHO_TELLS}
    for fact in FACTS:
        name = under_time.get(fact.name, fact.name)
        if name in told or can_have_meaning(fact, told):
            found[fact.learnt[0]].append(field_of(name, spoken, told.get(name, ""), explained=False))
    return [(WHO_TELLS[way], fields) for way, fields in found.items() if fields]
