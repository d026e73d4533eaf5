"""A request for advice: the facts, and what goes with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from marshmallow import RAISE, Schema, ValidationError, fields, validates

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import read_moment, shown
from repairadvisor.facts.vocabulary import FACTS, TIME_NAMES
from repairadvisor.schemas.context import MOST_REPORTS, MOST_WORDS, FactsSchema

#: More names than there are can only hold wrong ones.
MOST_FACTS = len(FACTS) + len(TIME_NAMES)
#: Moments between which arithmetic with days and weeks stays within the calendar.
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9000, 1, 1, tzinfo=UTC)

_KEYS = ("now", "facts", "record")
_TIME_FORM = "ISO 8601 with its zone, 1970 to 8999, as 2031-05-04T07:30:00Z"


@dataclass(frozen=True, slots=True)
class AdviceRequest:
    """What was asked. ``now`` is None where the asker left it to us; ``facts`` are not read yet."""

    facts: Mapping[str, object]
    now: datetime | None
    record: bool


class _TrueOrFalse(fields.Boolean):
    """Only what JSON calls so: marshmallow's own field also takes 1, "yes" and the like."""

    def _deserialize(self, value: object, *_: object, **__: object) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("true or false")
        return value


class AdviceRequestSchema(Schema):
    """A request for advice."""

    class Meta:
        unknown = RAISE

    facts = fields.Nested(FactsSchema, required=True)
    now = fields.String(
        metadata={
            "format": "date-time",
            "description": "the moment for which advice is asked; without it, when the request arrives",
        }
    )
    record = _TrueOrFalse(
        load_default=True,
        metadata={"description": "whether facts, policy and advice are kept, so that the advice has an id"},
    )

    @validates("now")
    def _check_now(self, value: str, data_key: str) -> None:  # noqa: ARG002 - marshmallow gives it
        if _read_now(value) is None:
            raise ValidationError(_TIME_FORM)


def read_request(body: Mapping[str, object]) -> tuple[AdviceRequest, list[Fault]]:
    """The request in ``body`` and everything wrong around its facts. Where there are faults, what they speak of
    is as if it had not been said."""
    faults = [
        Fault("unknown-field", key, shown(body[key]), "no such field", ", ".join(_KEYS))
        for key in body
        if key not in _KEYS
    ]
    facts = _facts(body, faults)
    now = None
    if "now" in body:
        now = _read_now(body["now"])
        if now is None:
            faults.append(Fault("wrong-time", "now", shown(body["now"]), "not a time that can be used", _TIME_FORM))
    record = body.get("record", True)
    if not isinstance(record, bool):
        faults.append(Fault("wrong-type", "record", shown(record), "is neither true nor false", "true, false"))
        record = False
    return AdviceRequest(facts, now, record), faults


def _facts(body: Mapping[str, object], faults: list[Fault]) -> Mapping[str, object]:
    facts = body.get("facts")
    if not isinstance(facts, Mapping):
        if "facts" in body:
            fault = Fault("wrong-type", "facts", shown(facts), "is not an object", "an object of facts by name")
        else:
            fault = Fault("missing", "facts", "", "is missing", "an object of facts by name; may be empty")
        faults.append(fault)
        return {}
    if len(facts) > MOST_FACTS:
        count = f"{len(facts)} names"
        faults.append(Fault("too-many", "facts", count, "more names than there are", f"up to {MOST_FACTS}"))
        return {}
    too_many = {name for name, raw in facts.items() if _longest_list(raw) > MOST_WORDS}
    for name in facts:
        if name in too_many:
            count = f"{_longest_list(facts[name])} words"
            allowed = f"up to {MOST_WORDS}"
            faults.append(Fault("too-many", f"{name}.one_of", count, "more words than any fact has", allowed))
    return {name: raw for name, raw in facts.items() if name not in too_many}


def _longest_list(raw: object) -> int:
    """Length of the longest list of words in what is said of one fact; each wrong word costs time and a fault."""
    reports = raw[:MOST_REPORTS] if isinstance(raw, list) else [raw]
    lists = [report.get("one_of") for report in reports if isinstance(report, Mapping)]
    return max((len(words) for words in lists if isinstance(words, list)), default=0)


def _read_now(raw: object) -> datetime | None:
    moment = read_moment(raw)
    return moment if moment is not None and EARLIEST <= moment < LATEST else None
