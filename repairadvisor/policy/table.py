"""Strict reading of one table of a policy file: every key is taken or refused by name."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import ALWAYS, AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import HOW_KNOWN, Ends, Number
from repairadvisor.policy.plan import DIMENSIONS, PartialPlan

_NO_DEFAULT = object()
_LONGEST_TEXT = 2000


class Table:
    """One TOML table with the place where it stands; :meth:`done` refuses what nobody took."""

    def __init__(self, where: str, raw: object) -> None:
        if not isinstance(raw, Mapping):
            raise PolicyError(where, "is not a table")
        self.where = where
        self.raw: Mapping[str, Any] = raw
        self.taken: list[str] = []

    def take(self, key: str, kind: type | tuple[type, ...], default: Any = _NO_DEFAULT) -> Any:
        """The value of ``key``, of the right type; refused when missing without a default."""
        self.taken.append(key)
        if key not in self.raw:
            if default is _NO_DEFAULT:
                raise PolicyError(f"{self.where}: {key}", "is missing")
            return default
        value = self.raw[key]
        wrong_bool = isinstance(value, bool) and kind is not bool
        if not isinstance(value, kind) or wrong_bool:
            name = kind.__name__ if isinstance(kind, type) else " or ".join(one.__name__ for one in kind)
            raise PolicyError(f"{self.where}: {key}", f"is {value!r}, not of type {name}")
        if isinstance(value, str) and len(value) > _LONGEST_TEXT:
            raise PolicyError(f"{self.where}: {key}", f"is longer than {_LONGEST_TEXT} characters")
        return value

    def text(self, key: str, default: Any = _NO_DEFAULT) -> str:
        """A text."""
        return str(self.take(key, str, default))

    def number(self, key: str, default: Any = _NO_DEFAULT) -> float:
        """A plain number."""
        return float(self.take(key, (int, float), default))

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, empty where missing."""
        return tuple(str(one) for one in self.take(key, list, []))

    def one_of(self, key: str, allowed: tuple[str, ...], default: Any = _NO_DEFAULT) -> str:
        """A text that must be one of a few."""
        value = self.text(key, default)
        if value not in allowed:
            raise PolicyError(f"{self.where}: {key}", f"is {value!r}", ", ".join(allowed))
        return value

    def known(self) -> str:
        """How the row is known."""
        return self.one_of("known", HOW_KNOWN)

    def day(self, key: str, default: Any = _NO_DEFAULT) -> str:
        """A day as ISO 8601 text; a date of TOML or a text."""
        return read_day(f"{self.where}: {key}", self.take(key, object, default))

    def said_once(self) -> dict[str, object]:
        """Where numbers come from and since when they hold, said once for all rows that do not say it themselves."""
        return {key: value for key in ("source", "since") if (value := self.take(key, object, None)) is not None}

    def rows(self, key: str, above: Mapping[str, object] | None = None) -> Iterator[Table]:
        """The tables of a list, each naming itself by its id or number; ``above`` holds where a row says nothing."""
        for i, raw in enumerate(self.take(key, list, [])):
            name = raw.get("id", raw.get("tag", f"number {i + 1}")) if isinstance(raw, Mapping) else i + 1
            yield Table(f"{self.where}: {key} {name}", _below(above, raw))

    def tables(self, key: str, above: Mapping[str, object] | None = None) -> Iterator[tuple[str, Table]]:
        """The named tables of a table; ``above`` holds where one says nothing."""
        for name, raw in self.take(key, dict, {}).items():
            yield name, Table(f"{self.where}: {key}.{name}", _below(above, raw))

    def child(self, key: str) -> Table:
        """One table of this one, which must be there."""
        return Table(f"{self.where}: {key}", self.take(key, dict))

    def plans(self, key: str, words: Mapping[str, tuple[str, ...]]) -> PartialPlan:
        """Part of a plan; every dimension and word must exist."""
        found = {}
        for dimension, given in self.take(key, dict, {}).items():
            if dimension not in DIMENSIONS:
                raise unknown_name(f"{self.where}: {key}", dimension, DIMENSIONS)
            listed = [given] if isinstance(given, str) else list(given)
            for word in listed:
                if word not in words[dimension]:
                    raise unknown_name(f"{self.where}: {key}.{dimension}", word, words[dimension])
            found[dimension] = tuple(listed)
        return found

    def done(self) -> None:
        """Refuse what nobody took, with the nearest right name."""
        for key in self.raw:
            if key not in self.taken:
                raise unknown_name(self.where, key, tuple(dict.fromkeys(self.taken)))


def _below(above: Mapping[str, object] | None, raw: object) -> object:
    return {**above, **raw} if above and isinstance(raw, Mapping) else raw


def nearest(name: object, allowed: Sequence[str]) -> str:
    """ "; did you mean …?" with the nearest right name, where one is near."""
    near = difflib.get_close_matches(str(name), allowed, n=1)
    return f"; did you mean {near[0]}?" if near else ""


def unknown_name(where: str, name: object, allowed: tuple[str, ...]) -> PolicyError:
    """The refusal of a name that is none of those allowed."""
    return PolicyError(where, f"{name!r} is not known{nearest(name, allowed)}", ", ".join(allowed))


def read_day(where: str, given: object) -> str:
    """A day as ISO 8601 text. Raises PolicyError for anything else."""
    try:
        return date.fromisoformat(str(given)).isoformat()
    except ValueError:
        raise PolicyError(where, f"is {given!r}, no day", "a day as in 2031-05-04") from None


def read_range(where: str, raw: Mapping[str, Any]) -> Ends:
    """The two ends of a range."""
    table = Table(where, raw)
    low, high = table.number("low"), table.number("high")
    table.done()
    if low >= high:
        raise PolicyError(where, f"reaches from {low:g} to {high:g}", "low below high")
    return low, high


def read_number(name: str, table: Table, *, may_range: bool = False) -> Number:
    """One number that is never bare. Where it ``may_range``, it may have ``low`` and ``high`` instead of its value."""
    ends = None
    if may_range and ("low" in table.raw or "high" in table.raw):
        ends = read_range(table.where, {key: table.raw[key] for key in ("low", "high") if key in table.raw})
        table.taken += ["low", "high"]
    number = Number(
        name=name,
        value=table.number("value") if ends is None else 0.5 * (ends[0] + ends[1]),
        unit=table.text("unit"),
        source=table.text("source"),
        known=table.known(),
        since=table.day("since"),
        ends=ends,
    )
    table.done()
    return number


_OPERATORS = ("is", "is_one_of", "below", "at_least")


def read_condition(where: str, raw: object, limits: Mapping[str, Number], derived: tuple[str, ...]) -> Condition:
    """A condition of the closed language; names of facts, words and limits must exist."""
    if not isinstance(raw, Mapping):
        raise PolicyError(where, "is not a condition", "{ fact = …, is = … }, all, any, not")
    if set(raw) <= {"all", "any", "not"} and len(raw) == 1:
        key, inner = next(iter(raw.items()))
        if key == "not":
            return Not(read_condition(where, inner, limits, derived))
        if not isinstance(inner, list):
            raise PolicyError(where, f"{key} needs a list of conditions")
        parts = tuple(read_condition(where, one, limits, derived) for one in inner)
        return Every(parts) if key == "all" else Some(parts)
    operators = [key for key in raw if key != "fact"]
    if "fact" not in raw or len(operators) != 1 or operators[0] not in _OPERATORS:
        raise PolicyError(where, f"{dict(raw)!r} is not a condition", f"fact and one of {', '.join(_OPERATORS)}")
    return _comparison(where, str(raw["fact"]), operators[0], raw[operators[0]], limits, derived)


def _comparison(
    where: str,
    name: str,
    operator: str,
    given: object,
    limits: Mapping[str, Number],
    derived: tuple[str, ...],
) -> Condition:
    fact = BY_NAME.get(name)
    if fact is None and name not in derived:
        raise unknown_name(where, name, (*BY_NAME, *derived))
    if operator in ("is", "is_one_of"):
        if fact is None or fact.is_number:
            raise PolicyError(where, f"{name} is a number", "below, at_least")
        words = tuple(given) if isinstance(given, list) else (given,)
        for word in words:
            if word not in fact.words:
                raise unknown_name(f"{where}: {name}", word, fact.words)
        return IsOneOf(name, tuple(word for word in fact.words if word in words))
    if fact is not None and not fact.is_number:
        raise PolicyError(where, f"{name} is a fact in words", "is, is_one_of")
    if str(given) not in limits:
        raise unknown_name(f"{where}: {name}", given, tuple(limits))
    limit = limits[str(given)]
    return (Below if operator == "below" else AtLeast)(name, limit.name, limit.value)


def condition_at(table: Table, key: str, limits: Mapping[str, Number], derived: tuple[str, ...]) -> Condition:
    """The condition under ``key``, or "always" where there is none."""
    raw = table.take(key, dict, None)
    return ALWAYS if raw is None else read_condition(f"{table.where}: {key}", raw, limits, derived)
