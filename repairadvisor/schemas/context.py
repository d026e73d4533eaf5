"""What may be said of a fault: one field for each fact, made from the table of facts.

Each field knows the same rule twice: as checks, for marshmallow, and as JSON Schema, for the OpenAPI file. What
needs two facts or the time of day (contradictions, a moment on the wrong side of now) no schema can say; the
server refuses it all the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields

from repairadvisor.facts.units import CONVERSIONS, accepted_units, convert
from repairadvisor.facts.vocabulary import FACTS, TIME_NAMES, YES_NO, Fact

MOST_REPORTS = 20
LONGEST_SOURCE = 200
#: Longest list of words that is looked at: no fact has more, and yes and no may stand as true and false too.
MOST_WORDS = max(4, *(len(fact.words) for fact in FACTS))

_SAYS = ("value", "between", "one_of", "not_applicable")
_MOMENT: dict[str, Any] = {"type": "string", "format": "date-time"}
_ASIDE: dict[str, dict[str, Any]] = {
    "source": {
        "type": "string",
        "maxLength": LONGEST_SOURCE,
        "pattern": r"^[^\u0000-\u001f\u007f-\u00a0\u00ad]*$",
        "description": "who or what said it",
    },
    "seen_at": {
        "type": ["string", "null"],
        "format": "date-time",
        "description": "when it was seen: minutes since or until something are those of that moment, and run on",
    },
    "valid_until": {"type": ["string", "null"], "format": "date-time", "description": "when it stops holding"},
}


class FactField(fields.Field[object]):
    """A fact as it may be given: a value, an object that says more, or a list of those from several sources.

    ``name`` is the name it is given under: the fact's own, or the one under which it is a moment.
    """

    def __init__(self, fact: Fact, name: str) -> None:
        self.fact = fact
        self.fact_name = name
        super().__init__(metadata=_published(fact, name))

    def _deserialize(self, value: object, *_: object, **__: object) -> object:
        reports = value if isinstance(value, list) else [value]
        if not 1 <= len(reports) <= MOST_REPORTS:
            raise ValidationError(f"1 to {MOST_REPORTS} reports")
        for report in reports:
            self._check_report(report if isinstance(report, dict) else {"value": report})
        return value

    def _check_report(self, report: Mapping[str, object]) -> None:
        said = [key for key in _SAYS if key in report]
        strange = [key for key in report if key not in (*_SAYS, *_ASIDE, "unit")]
        if strange or len(said) != 1:
            raise ValidationError(f"exactly one of {', '.join(_SAYS)}, and no other keys")
        _check_aside(report)
        if said == ["not_applicable"]:
            if report["not_applicable"] is not True:
                raise ValidationError("can only be true")
        elif self.fact.words:
            self._check_words(said[0], report)
        elif self.fact_name == self.fact.name:
            self._check_numbers(said[0], report)
        else:
            self._check_moments(said[0], report)

    def _check_words(self, said: str, report: Mapping[str, object]) -> None:
        words = _several(report["one_of"], 1, MOST_WORDS) if said == "one_of" else [report.get("value")]
        if said == "between" or report.get("unit", "") != "":
            raise ValidationError("is a fact in words")
        for word in words:
            if not (isinstance(word, bool) and self.fact.words == YES_NO) and word not in self.fact.words:
                raise ValidationError(f"one of {self.fact.allowed_text()}")

    def _check_numbers(self, said: str, report: Mapping[str, object]) -> None:
        if said == "one_of":
            raise ValidationError("is a number")
        numbers = _several(report["between"], 2, 2) if said == "between" else [report["value"]]
        inside = [self._in_own_unit(number, report.get("unit")) for number in numbers]
        if inside != sorted(inside):
            raise ValidationError("the first is above the second")

    def _in_own_unit(self, number: object, unit: object) -> float:
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            raise ValidationError("a number")
        own = float(number) if unit is None else convert(float(number), str(unit), self.fact.unit)
        if own is None:
            raise ValidationError(f"in {', '.join(accepted_units(self.fact.unit))}")
        if not self.fact.low <= own <= self.fact.high or (self.fact.whole and own != math.floor(own)):
            raise ValidationError(f"{self.fact.allowed_text()} {self.fact.unit}")
        return own

    def _check_moments(self, said: str, report: Mapping[str, object]) -> None:
        if said == "one_of" or report.get("unit") is not None:
            raise ValidationError("is a moment")
        moments = _several(report["between"], 2, 2) if said == "between" else [report["value"]]
        read = [_moment(moment) for moment in moments]
        if read != sorted(read):
            raise ValidationError("the first is after the second")


def _published(fact: Fact, name: str) -> dict[str, Any]:
    """The field as JSON Schema. The report's form is a component of its own; see :func:`report_schemas`."""
    report = _ref(report_name(name))
    several = {"type": "array", "items": report, "minItems": 1, "maxItems": MOST_REPORTS}
    return {"anyOf": [report, several], "description": _described(fact, name)}


def report_name(fact_name: str) -> str:
    """The name of the component that says how a fact may be given."""
    return f"fact_{fact_name}"


def _aside_name(key: str) -> str:
    return f"report_{key}"


def _ref(component: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{component}"}


def report_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema of one report of each fact, and of what any report may say besides, by component name."""
    aside = {_aside_name(key): schema for key, schema in _ASIDE.items()}
    own = aside | {report_name(fact.name): _report_of(fact, fact.name) for fact in FACTS}
    return own | {report_name(name): _report_of(fact, name) for name, fact in TIME_NAMES.items()}


def _report_of(fact: Fact, name: str) -> dict[str, Any]:
    lacks = _object({"not_applicable": {"const": True}, "unit": {}}, "not_applicable")
    if fact.words:
        word = {"enum": [*fact.words, *((True, False) if fact.words == YES_NO else ())]}
        words = {"type": "array", "items": word, "minItems": 1, "maxItems": MOST_WORDS}
        no_unit = {"unit": {"const": ""}}
        forms = [word, _object({"value": word, **no_unit}, "value"), _object({"one_of": words, **no_unit}, "one_of")]
    elif name != fact.name:
        no_unit = {"unit": {"type": "null"}}
        forms = [_MOMENT, *_value_or_between(_MOMENT, no_unit)]
    else:
        forms = [_number_schema(fact, 1.0, 0.0)]
        for units, factor, offset in _same_scale(fact.unit):
            unit = {"unit": {"enum": units}}
            forms += _value_or_between(_number_schema(fact, factor, offset), unit, needs_unit=None not in units)
    return {"anyOf": [*forms, lacks], "description": _described(fact, name)}


def _value_or_between(one: dict[str, Any], unit: dict[str, Any], *, needs_unit: bool = False) -> list[dict[str, Any]]:
    both = {"type": "array", "items": one, "minItems": 2, "maxItems": 2}
    needs = ("unit",) if needs_unit else ()
    return [_object({"value": one, **unit}, "value", *needs), _object({"between": both, **unit}, "between", *needs)]


def _object(properties: dict[str, Any], *required: str) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {**properties, **{key: _ref(_aside_name(key)) for key in _ASIDE}},
        "required": list(required),
        "additionalProperties": False,
    }


def _same_scale(unit: str) -> list[tuple[list[str | None], float, float]]:
    """Spellings of units that mean the same, with factor and offset; None stands for "not said"."""
    table = CONVERSIONS.get(unit, {unit: (1.0, 0.0)})
    scales: dict[tuple[float, float], list[str | None]] = {}
    for spelling, scale in table.items():
        scales.setdefault(scale, []).append(spelling)
    return [([*names, None] if scale == (1.0, 0.0) else names, *scale) for scale, names in scales.items()]


def _number_schema(fact: Fact, factor: float, offset: float) -> dict[str, Any]:
    low, high = ((end - offset) / factor for end in (fact.low, fact.high))
    kind = "integer" if fact.whole else "number"
    # Inwards by less than a millionth: what this schema accepts the server accepts.
    return {"type": kind, "minimum": _up(low), "maximum": -_up(-high)}


def _up(value: float) -> float:
    return value if value == math.floor(value) else math.ceil(value * 1e6 - 1e-3) / 1e6


def _several(value: object, least: int, most: int) -> list[Any]:
    if not isinstance(value, list) or not least <= len(value) <= most:
        raise ValidationError(f"a list of {least} to {most}")
    return value


def _check_aside(report: Mapping[str, object]) -> None:
    source = report.get("source", "")
    if not isinstance(source, str) or len(source) > LONGEST_SOURCE or not source.isprintable():
        raise ValidationError(f"source: printable text up to {LONGEST_SOURCE} characters")
    for key in ("seen_at", "valid_until"):
        if report.get(key) is not None:
            _moment(report[key])


def _moment(value: object) -> datetime:
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ValidationError("a time by ISO 8601, with its zone")
    return moment


def _described(fact: Fact, name: str) -> str:
    text = fact.meaning
    if name != fact.name:
        return f"{text}: given as the moment itself; the same fact as {fact.name}"
    if fact.unit:
        text += f" ({fact.unit}, {fact.allowed_text()})"
    for parent, words in fact.applies:
        text += f"; has a meaning only where {parent} is {' or '.join(words)}"
    return text


class _NothingElse(Schema):
    class Meta:
        unknown = RAISE


#: The facts of a fault, by name. A fact that is left out is unknown.
FactsSchema = _NothingElse.from_dict(
    {
        **{fact.name: FactField(fact, fact.name) for fact in FACTS},
        **{name: FactField(fact, name) for name, fact in TIME_NAMES.items()},
    },
    name="FactsSchema",
)
