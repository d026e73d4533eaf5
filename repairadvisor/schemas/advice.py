"""The advice document as it is published: the frozen dataclasses of the decision, field by field, in their order.

One place turns an advice into plain values, one into bytes. The marshmallow classes are made from the same
dataclasses, so a field cannot be in one and not in the other.
"""

from __future__ import annotations

import functools
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields as dataclass_fields
from dataclasses import is_dataclass
from operator import attrgetter
from typing import Any

import orjson
from marshmallow import RAISE, Schema, fields, validate

from repairadvisor.decision import advice as shape
from repairadvisor.decision.advice import ACTIONS, Advice, KitLine
from repairadvisor.decision.what_if import Comparison, Difference

#: Fields published under a name that Python cannot use.
PUBLISHED_NAMES: dict[tuple[type, str], str] = {(KitLine, "line_for"): "for"}


def document(advice: Advice) -> dict[str, Any]:
    """The advice as plain dicts, lists, texts and numbers, in the order in which it is published."""
    plain: dict[str, Any] = _PLAIN_ADVICE(advice)
    return plain


def document_bytes(advice: Advice) -> bytes:
    """The document as JSON in UTF-8. The same advice gives the same bytes.

    The encoder writes dataclasses by itself, field by field in their order, faster than anything we could hand it;
    only lines whose fields are published under other names are made plain before.
    """
    values = {field.name: getattr(advice, field.name) for field in _ADVICE_FIELDS}
    values["kit"] = _PLAIN_KIT(advice.kit)
    return orjson.dumps(values)


def comparison_bytes(comparison: Comparison) -> bytes:
    """Two answers side by side as JSON in UTF-8."""
    return orjson.dumps(_PLAIN_COMPARISON(comparison))


Plainer = Callable[[Any], Any]


def _plainer_of(kind: type) -> Plainer:
    """What turns a dataclass of this kind into a dict. Made once from its fields: asking them each time takes
    several times as long as the writing itself."""
    hints = typing.get_type_hints(kind)
    values = attrgetter(*(name for name, _ in _names(kind)))
    published = tuple(name for _, name in _names(kind))
    inner = tuple((said, made) for name, said in _names(kind) if (made := _plainer(hints[name])) is not None)

    def plain(value: Any) -> dict[str, Any]:
        made = dict(zip(published, values(value), strict=True))
        for name, plain_part in inner:
            made[name] = plain_part(made[name])
        return made

    return plain


def _plainer(hint: Any) -> Plainer | None:
    """What turns a value of this type into a plain one; None where it is one already."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        made = _plainer(next(part for part in inside if part is not types.NoneType))
        return None if made is None else _if_given(made)
    if origin is tuple:
        part = _plainer(inside[0])
        return list if part is None else _each(part)
    if origin is dict:
        part = _plainer(inside[1])
        return dict if part is None else _each_value(part)
    return _plainer_of(hint) if is_dataclass(hint) and isinstance(hint, type) else None


def _if_given(made: Plainer) -> Plainer:
    return lambda value: None if value is None else made(value)


def _each(part: Plainer) -> Plainer:
    return lambda values: [part(value) for value in values]


def _each_value(part: Plainer) -> Plainer:
    return lambda values: {key: part(value) for key, value in values.items()}


def _names(kind: type) -> tuple[tuple[str, str], ...]:
    """Names of the fields, each with the one it is published under."""
    return tuple((field.name, PUBLISHED_NAMES.get((kind, field.name), field.name)) for field in dataclass_fields(kind))


def read_document(document: bytes) -> Advice:
    """The advice that a document was written from.

    Raises :class:`ValueError` where it has other fields than this version's: it was written by another one.
    """
    try:
        advice: Advice = made_of(Advice, orjson.loads(document))
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"the document is of another version: {error!r}") from error
    return advice


def made_of(hint: Any, value: Any) -> Any:
    """A value of this type (a frozen dataclass, or what one is made of) from its plain form.

    Raises :class:`ValueError`, KeyError, TypeError or AttributeError where it is the plain form of another type.
    """
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if value is None:
        return None
    if origin in (types.UnionType, typing.Union):
        return made_of(next(part for part in inside if part is not types.NoneType), value)
    if origin is tuple:
        return tuple(made_of(inside[0], one) for one in value)
    if origin is dict:
        return {key: made_of(inside[1], one) for key, one in value.items()}
    if not (isinstance(hint, type) and is_dataclass(hint)):
        return value
    if len(value) != len(dataclass_fields(hint)):
        raise ValueError(f"the document is of another version: {hint.__name__} has other fields")
    return hint(**{name: made_of(part, value[said]) for name, said, part in _typed_names(hint)})


@functools.cache
def _typed_names(kind: type) -> tuple[tuple[str, str, Any], ...]:
    """Names of the fields, the ones they are published under, and their types."""
    hints = typing.get_type_hints(kind)
    return tuple((name, said, hints[name]) for name, said in _names(kind))


_PLAIN_ADVICE = _plainer_of(Advice)
_PLAIN_COMPARISON = _plainer_of(Comparison)
_PLAIN_KIT = _each(_plainer_of(KitLine))
_ADVICE_FIELDS = dataclass_fields(Advice)


_NO_WORDS: Mapping[str, Sequence[str]] = types.MappingProxyType({})

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
    (Advice, "loosened"): "rules the operator loosened that, as they were, would have barred a plan named here",
    (Advice, "ranges"): "ends of the policy's ranges at which the answer would be another one, each by itself",
    (Advice, "ranges_said"): "why no such end is named, where the policy has ranges",
    (Advice, "turning_points_said"): "why no turning point is named, where none is",
    (Advice, "issued_plan"): "the plan given before for this fault, as it was told; empty where none was",
    (Advice, "questions_said"): "that nothing has to be asked, where that is so",
    (KitLine, "line_for"): "what it is carried for",
}


def schema_of(kind: type, words: Mapping[str, Sequence[str]] = _NO_WORDS) -> type[Schema]:
    """The schema of a frozen dataclass; those of the dataclasses in it have to be in :data:`SCHEMAS` before.

    ``words``: of which words a field is one, by its name.
    """
    hints = typing.get_type_hints(kind)
    made: dict[str, Any] = {}
    for name, published in _names(kind):
        field = field_of(hints[name])
        field.required = True
        if (kind, name) in _DESCRIBED:
            field.metadata = {"description": _DESCRIBED[kind, name]}
        made[published] = field
    for name, allowed in words.items():
        made[name].validators = [validate.OneOf(allowed)]
    meta = type("Meta", (), {"unknown": RAISE})
    return type(f"{kind.__name__}Schema", (Schema,), {**made, "Meta": meta, "__doc__": kind.__doc__})


def field_of(hint: Any) -> fields.Field[Any]:
    """The field of a type that a dataclass of ours is made of."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        field = field_of(next(part for part in inside if part is not types.NoneType))
        field.allow_none = True
        return field
    if origin is tuple:
        return fields.List(field_of(inside[0]))
    if origin is dict:
        return fields.Dict(keys=fields.String(), values=field_of(inside[1]))
    if isinstance(hint, type) and is_dataclass(hint):
        return fields.Nested(SCHEMAS[hint.__name__])
    simple: dict[Any, fields.Field[Any]] = {
        str: fields.String(),
        int: fields.Integer(strict=True),
        float: fields.Float(allow_nan=False),
        bool: fields.Boolean(),
    }
    return simple[hint]


#: Name of the dataclass -> its schema, in an order in which parts stand before what holds them.
SCHEMAS: dict[str, type[Schema]] = {}
for _kind in (*vars(shape).copy().values(), Difference, Comparison):
    if isinstance(_kind, type) and is_dataclass(_kind):
        SCHEMAS[_kind.__name__] = schema_of(_kind, {"action": ACTIONS} if _kind is Advice else _NO_WORDS)

AdviceSchema = SCHEMAS["Advice"]
