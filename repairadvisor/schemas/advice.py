"""The advice document as it is published: the frozen dataclasses of the decision, field by field, in their order.

One place turns an advice into plain values, one into bytes. The marshmallow classes are made from the same
dataclasses, so a field cannot be in one and not in the other.
"""

from __future__ import annotations

import types
import typing
from dataclasses import fields as dataclass_fields
from dataclasses import is_dataclass
from typing import Any

import orjson
from marshmallow import RAISE, Schema, fields, validate

from repairadvisor.decision import advice as shape
from repairadvisor.decision.advice import ACTIONS, Advice, KitLine

#: Fields published under a name that Python cannot use.
PUBLISHED_NAMES: dict[tuple[type, str], str] = {(KitLine, "line_for"): "for"}


def document(advice: Advice) -> dict[str, Any]:
    """The advice as plain dicts, lists, texts and numbers, in the order in which it is published."""
    plain: dict[str, Any] = _plain(advice)
    return plain


def document_bytes(advice: Advice) -> bytes:
    """The document as JSON in UTF-8. The same advice gives the same bytes."""
    return orjson.dumps(document(advice))


def _plain(value: Any) -> Any:
    kind = type(value)
    if kind is str or kind is float or kind is int or value is None or kind is bool:
        return value
    if kind is tuple or kind is list:
        return [_plain(part) for part in value]
    if kind is dict:
        return {key: _plain(part) for key, part in value.items()}
    return {published: _plain(getattr(value, name)) for name, published in _names(kind)}


def _names(kind: type) -> tuple[tuple[str, str], ...]:
    known = _NAMES.get(kind)
    if known is None:
        known = tuple(
            (field.name, PUBLISHED_NAMES.get((kind, field.name), field.name)) for field in dataclass_fields(kind)
        )
        _NAMES[kind] = known
    return known


_NAMES: dict[type, tuple[tuple[str, str], ...]] = {}


_DESCRIBED: dict[tuple[type, str], str] = {
    (Advice, "action"): "what to do, in one word",
    (Advice, "say"): "the whole advice in one sentence that can be said aloud",
    (Advice, "because"): "the reason in one sentence",
    (Advice, "plan"): "the plan that is advised; null where nothing may be done now",
    (Advice, "continuity_only"): "set where the plan restores light but misses the budget: who may decide to use it",
    (Advice, "loss_withheld"): "why no loss is promised, where none is",
    (Advice, "work_min"): "minutes of work",
    (Advice, "call"): "whom to call",
    (Advice, "valid_until"): "when the first fact it rests on runs out",
    (Advice, "policy"): "SHA-256 of the policy it was made under",
    (Advice, "facts_used"): "the facts that decided something, as they were understood",
    (Advice, "unknown_that_matter"): "facts not known that could change something",
    (Advice, "not_yet_computed"): "parts that this version does not work out",
    (Advice, "defers_to"): "who and what comes before this advice",
    (KitLine, "line_for"): "what it is carried for",
}


def _schema_of(kind: type) -> type[Schema]:
    hints = typing.get_type_hints(kind)
    made: dict[str, Any] = {}
    for name, published in _names(kind):
        field = _field_of(hints[name])
        field.required = True
        if (kind, name) in _DESCRIBED:
            field.metadata = {"description": _DESCRIBED[kind, name]}
        made[published] = field
    if kind is Advice:
        made["action"].validators = [validate.OneOf(ACTIONS)]
    meta = type("Meta", (), {"unknown": RAISE})
    return type(f"{kind.__name__}Schema", (Schema,), {**made, "Meta": meta, "__doc__": kind.__doc__})


def _field_of(hint: Any) -> fields.Field[Any]:
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        field = _field_of(next(part for part in inside if part is not types.NoneType))
        field.allow_none = True
        return field
    if origin is tuple:
        return fields.List(_field_of(inside[0]))
    if origin is dict:
        return fields.Dict(keys=fields.String(), values=_field_of(inside[1]))
    if isinstance(hint, type) and is_dataclass(hint):
        return fields.Nested(SCHEMAS[hint.__name__])
    simple: dict[Any, fields.Field[Any]] = {
        str: fields.String(),
        int: fields.Integer(strict=True),
        float: fields.Float(allow_nan=False),
    }
    return simple[hint]


#: Name of the dataclass -> its schema, in an order in which parts stand before what holds them.
SCHEMAS: dict[str, type[Schema]] = {}
for _kind in vars(shape).copy().values():
    if isinstance(_kind, type) and is_dataclass(_kind):
        SCHEMAS[_kind.__name__] = _schema_of(_kind)

AdviceSchema = SCHEMAS["Advice"]
