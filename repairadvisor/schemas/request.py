"""A request for advice, or for the tree of questions: the facts, and what goes with them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from marshmallow import RAISE, Schema, ValidationError, fields, validate, validates

from repairadvisor.decision.fault_tree import DEEPEST
from repairadvisor.errors import Fault
from repairadvisor.facts.parse import read_moment, shown
from repairadvisor.facts.vocabulary import FACTS, TIME_NAMES
from repairadvisor.schemas.context import MOST_REPORTS, MOST_WORDS, FactsSchema

#: More names than there are can only hold wrong ones.
MOST_FACTS = len(FACTS) + len(TIME_NAMES)
#: Moments between which arithmetic with days and weeks stays within the calendar.
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9000, 1, 1, tzinfo=UTC)

_KEYS = ("now", "facts", "record", "issued_plan", "turning_points", "compare_with")
_KEYS_OF_A_TREE = ("now", "facts", "depth")
#: A plan's six words with a stroke between them.
PLAN_ID = re.compile(r"[a-z_]+(/[a-z_]+){5}")
PLAN_FORM = "a plan as method/layout/position/access/shelter/stage"
_TIME_FORM = "ISO 8601 with its zone, 1970 to 8999, as 2031-05-04T07:30:00Z"


@dataclass(frozen=True, slots=True)
class AdviceRequest:
    """What was asked. ``now`` is None where the asker left it to us; ``facts`` are not read yet. ``compare_with`` are
    facts told otherwise for the sake of comparison (None there: not told), or None where nothing is compared."""

    facts: Mapping[str, object]
    now: datetime | None
    record: bool
    issued_plan: str = ""
    turning_points: bool = False
    compare_with: Mapping[str, object] | None = None


@dataclass(frozen=True, slots=True)
class TreeRequest:
    """What was asked of a tree: as for advice, and how many questions may come one after the other."""

    facts: Mapping[str, object]
    now: datetime | None
    depth: int


class _TrueOrFalse(fields.Boolean):
    """Only what JSON calls so: marshmallow's own field also takes 1, "yes" and the like."""

    def _deserialize(self, value: object, *_: object, **__: object) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("true or false")
        return value


class _WholeNumber(fields.Integer):
    """Only what JSON calls so: marshmallow's own field also takes "3" and true."""

    def _deserialize(self, value: object, *_: object, **__: object) -> int:
        whole = _whole(value)
        if whole is None:
            raise ValidationError("a whole number")
        return whole


class _FactsAndNow(Schema):
    """The facts, and the moment that they are for."""

    class Meta:
        unknown = RAISE

    facts = fields.Nested(FactsSchema, required=True)
    now = fields.String(
        metadata={
            "format": "date-time",
            "description": "the moment for which advice is asked; without it, when the request arrives",
        }
    )

    @validates("now")
    def _check_now(self, value: str, data_key: str) -> None:  # noqa: ARG002 - marshmallow gives it
        if _read_now(value) is None:
            raise ValidationError(_TIME_FORM)


class AdviceRequestSchema(_FactsAndNow):
    """A request for advice."""

    record = _TrueOrFalse(
        load_default=True,
        metadata={"description": "whether facts, policy and advice are kept, so that the advice has an id"},
    )

    issued_plan = fields.String(
        load_default="",
        validate=validate.Regexp(f"^({PLAN_ID.pattern})?$"),
        metadata={"description": "the plan given before for this fault: it is kept while it is among the best"},
    )
    turning_points = _TrueOrFalse(
        load_default=False,
        metadata={"description": "whether to work out at which values of the facts the answer would be another one"},
    )
    compare_with = fields.Nested(
        FactsSchema,
        allow_none=True,
        metadata={"description": "facts told otherwise: the answer is then a comparison of both, and nothing is kept"},
    )


class TreeRequestSchema(_FactsAndNow):
    """A request for the tree of questions. Nothing of it is kept."""

    depth = _WholeNumber(
        load_default=DEEPEST,
        validate=validate.Range(0, DEEPEST),
        metadata={"description": "how many questions may come one after the other at most"},
    )


def read_request(body: Mapping[str, object]) -> tuple[AdviceRequest, list[Fault]]:
    """The request in ``body`` and everything wrong around its facts. Where there are faults, what they speak of
    is as if it had not been said."""
    facts, now, faults = _facts_and_now(body, _KEYS)
    record = _flag(body, "record", faults, usual=True)
    turning = _flag(body, "turning_points", faults, usual=False)
    issued = body.get("issued_plan", "")
    if not isinstance(issued, str) or (issued and not PLAN_ID.fullmatch(issued)):
        faults.append(Fault("wrong-value", "issued_plan", shown(issued), "is no plan", PLAN_FORM))
        issued = ""
    other = None
    if body.get("compare_with") is not None:
        other = _facts({"facts": body["compare_with"]}, faults, "compare_with")
        record = False
    return AdviceRequest(facts, now, record, issued, turning, other), faults


def read_tree_request(body: Mapping[str, object]) -> tuple[TreeRequest, list[Fault]]:
    """The same for the tree of questions."""
    facts, now, faults = _facts_and_now(body, _KEYS_OF_A_TREE)
    raw = body.get("depth", DEEPEST)
    depth = _whole(raw)
    if depth is None or not 0 <= depth <= DEEPEST:
        problem = "is no whole number" if depth is None else "is out of range"
        slug = "not-whole" if depth is None else "out-of-range"
        faults.append(Fault(slug, "depth", shown(raw), problem, f"0 to {DEEPEST}", "questions one after the other"))
        depth = 0
    return TreeRequest(facts, now, depth), faults


def _whole(raw: object) -> int | None:
    """A whole number as JSON has it, where 3.0 is 3; None for anything else."""
    if isinstance(raw, bool) or not isinstance(raw, int | float) or raw != raw // 1:
        return None
    return int(raw)


def _facts_and_now(
    body: Mapping[str, object], keys: tuple[str, ...]
) -> tuple[Mapping[str, object], datetime | None, list[Fault]]:
    """What every request holds, and what is wrong with it and with the names of the others."""
    faults = [
        Fault("unknown-field", key, shown(body[key]), "no such field", ", ".join(keys))
        for key in body
        if key not in keys
    ]
    facts = _facts(body, faults)
    now = None
    if "now" in body:
        now = _read_now(body["now"])
        if now is None:
            faults.append(Fault("wrong-time", "now", shown(body["now"]), "not a time that can be used", _TIME_FORM))
    return facts, now, faults


def _flag(body: Mapping[str, object], name: str, faults: list[Fault], *, usual: bool) -> bool:
    flag = body.get(name, usual)
    if isinstance(flag, bool):
        return flag
    faults.append(Fault("wrong-type", name, shown(flag), "is neither true nor false", "true, false"))
    return False


def _facts(body: Mapping[str, object], faults: list[Fault], said: str = "facts") -> Mapping[str, object]:
    facts = body.get("facts")
    if not isinstance(facts, Mapping):
        if "facts" in body:
            fault = Fault("wrong-type", said, shown(facts), "is not an object", "an object of facts by name")
        else:
            fault = Fault("missing", said, "", "is missing", "an object of facts by name; may be empty")
        faults.append(fault)
        return {}
    if len(facts) > MOST_FACTS:
        count = f"{len(facts)} names"
        faults.append(Fault("too-many", said, count, "more names than there are", f"up to {MOST_FACTS}"))
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
