"""All that the desk shows hangs on what stands in its link: the facts told, the moment, and what was told before.

================  ==========================================================================
name of a fact    as a person types it; counts before the same fact in ``held``
``told``          facts a line each, as they stand in the page's text field
``held``          what was told before, in one line; all of it still counts unless ``told`` is there, even empty
``now``           the moment for which advice is asked; without it, when the request arrives
``afresh``        ``yes``: as of when the request arrives, whatever ``now`` says
``put_aside``     a fact that was asked and that nobody could say; it stays unknown
``turning``       ``yes``: what would turn the answer is worked out too
================  ==========================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from werkzeug.datastructures import MultiDict

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import read_moment, shown
from repairadvisor.facts.vocabulary import BY_NAME, TIME_NAMES
from repairadvisor.schemas.pasted import LONGEST_TEXT, Spoken, facts_in, wrong_length
from repairadvisor.schemas.typed import typed_fact

_TEXTS = ("told", "held", "now", "afresh", "turning")
_MANY = "put_aside"
_ORDER = {name: place for place, name in enumerate((*BY_NAME, *TIME_NAMES))}


@dataclass(frozen=True, slots=True)
class Told:
    """What a link tells. ``facts`` as typed, in the table's order; ``fields`` are those of them that came one by one;
    ``before`` was told before; ``text`` is what stood in the text field, as it stood."""

    facts: Mapping[str, str]
    fields: Mapping[str, str]
    text: str
    now: str
    before: Mapping[str, str]
    put_aside: tuple[str, ...]
    turning: bool

    def request(self, facts: Mapping[str, str], now: datetime, *, record: bool = False) -> dict[str, object]:
        """What is asked of the service about ``facts``: those of this link or those of before."""
        typed = {name: typed_fact(name, text) for name, text in facts.items()}
        return {"facts": typed, "now": self.now or now.isoformat(), "record": record}

    def link(self, now: str) -> str:
        """Where all of this is shown again, as of a moment."""
        said = [("now", now), *self.facts.items(), *((_MANY, name) for name in self.put_aside)]
        if self.before:
            said += [("told", ""), ("held", held(self.before))]
        if self.turning:
            said.append(("turning", "yes"))
        return f"/?{urlencode(said)}"


def held(facts: Mapping[str, str]) -> str:
    """Facts in one line, in our own names."""
    return "; ".join(f"{name}={value}" for name, value in facts.items())


def read_told(given: MultiDict[str, str], spoken: Spoken) -> tuple[Told, list[Fault]]:
    """What a query or a form tells, and everything wrong with its shape; facts are not judged yet."""
    texts = {name: given.get(name, "") for name in _TEXTS}
    faults = [_twice(name, values) for name, values in given.lists() if name != _MANY and len(values) > 1]
    fields = {name: values[0].strip() for name, values in given.lists() if name not in (*_TEXTS, _MANY)}
    fields = {name: value for name, value in fields.items() if value}
    faults += [fault for name, value in fields.items() for fault in wrong_length(name, value)]
    fields = {name: value for name, value in fields.items() if not wrong_length(name, value)}
    fields = {
        name: spoken.with_unit(BY_NAME[name], value) if name in BY_NAME else value for name, value in fields.items()
    }
    now, more = _moment("" if texts["afresh"] == "yes" else texts["now"].strip())
    faults += more
    told, wrong = facts_in(texts["told"], spoken)
    kept, more = facts_in(texts["held"], spoken)
    faults += [*wrong, *more]
    faults += [_twice(name, (told[name], fields[name])) for name in told if fields.get(name, told[name]) != told[name]]
    facts = {**({} if "told" in given else kept), **told, **fields}
    aside = tuple(dict.fromkeys(name for name in given.getlist(_MANY) if name in BY_NAME and name not in facts))
    turning = texts["turning"] == "yes"
    return Told(_ordered(facts), fields, texts["told"][:LONGEST_TEXT], now, _ordered(kept), aside, turning), faults


def _moment(text: str) -> tuple[str, list[Fault]]:
    """A moment as it was given, or what is wrong with it."""
    if not text or read_moment(text) is not None:
        return text, []
    form = "ISO 8601 with its zone, as 2031-05-04T07:30:00Z"
    return "", [Fault("wrong-time", "now", shown(text), "not a time", form)]


def _twice(name: str, values: Iterable[str]) -> Fault:
    return Fault("name-twice", shown(name), shown(list(values)[-1]), "stands twice", "once")


def _ordered(facts: Mapping[str, str]) -> dict[str, str]:
    """In the table's order; names that are nobody's last."""
    return dict(sorted(facts.items(), key=lambda fact: _ORDER.get(fact[0], len(_ORDER))))
