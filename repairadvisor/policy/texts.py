"""Which fields of a policy are texts, and what an overlay may change that changes words alone."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from typing import Any

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import SCREEN_FILES, WORDING_FILES
from repairadvisor.policy.overlay import ROWS

Path = tuple[str, ...]

_ANY = "*"
_ROW_TEXTS = ("because", "not_before", "lifted_by what", "lifted_by who", "call")
#: The one table of what is text. A file (or the beginning of its name), then the way to the text; * is any one name.
#: Where a figure comes from is text too, since people read it; how it is known and since when are not.
TEXTS: Mapping[str, tuple[Path, ...]] = {
    "cautions.toml": (("text", _ANY),),
    "steps.toml": (("step", _ANY, "text"), ("step", _ANY, "limit")),
    SCREEN_FILES: tuple(("screen", _ANY, *text.split()) for text in _ROW_TEXTS),
    "kit.toml": (("item", _ANY, "name"), ("item", _ANY, "for")),
    "facts.toml": (("fact", _ANY, "question"), ("source",)),
    "slots.toml": (("slot", _ANY, "until"), ("slot", _ANY, "meanwhile")),
    "derived.toml": (("derived", _ANY, "meaning"),),
    "prices.toml": (("floor_check", _ANY, "because"),),
    "after_work.toml": (("do", _ANY, "text"),),
}
_SOURCE = "source"
#: Claims are what the rules are held against, so no overlay touches one.
_NO_SOURCE_IN = ("claims.toml",)


def is_text(file: str, path: Path) -> bool:
    """Whether what stands at a path of a policy's file is a text, and no number, condition or name."""
    if file in WORDING_FILES:
        return True
    if path[-1] == _SOURCE and len(path) > 1 and file not in _NO_SOURCE_IN:
        return True
    ways = TEXTS.get(SCREEN_FILES if file.startswith(SCREEN_FILES) else file, ())
    return any(_fits(way, path) for way in ways)


def _fits(way: Path, path: Path) -> bool:
    return len(way) == len(path) and all(one in (_ANY, here) for one, here in zip(way, path, strict=True))


def leaves(raw: Any, at: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Everything that stands in parsed tables, each with its path; a list of plain values is one thing."""
    if isinstance(raw, Mapping):
        for key, value in raw.items():
            yield from leaves(value, (*at, str(key)))
    elif isinstance(raw, list) and raw and all(isinstance(one, Mapping) for one in raw):
        for i, one in enumerate(raw):
            yield from leaves(one, (*at, _called(at[-1], one, i)))
    else:
        yield at, raw


def _called(kind: str, row: Mapping[str, Any], i: int) -> str:
    """What a row is known by, or, where it has no name, where it stands."""
    keys = ROWS.get(kind, ())
    return " ".join(str(row[key]) for key in keys) if keys and all(key in row for key in keys) else str(i)


def texts_in(file: str, raw: Mapping[str, Any]) -> dict[Path, str | list[str]]:
    """The texts of a parsed file, by path. One that says nothing counts as none."""
    return {path: value for path, value in leaves(raw) if is_text(file, path) and _is_said(value)}


def _is_said(value: object) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(one, str) for one in value)
    return isinstance(value, str) and bool(value.strip())


def refuse_more_than_words(base: Mapping[str, Any], change: Mapping[str, Any]) -> None:
    """Refuse what changes anything but a text, leaves a text empty, or fills in other words than the text it replaces.

    Raises PolicyError with file and key.
    """
    for file, raw in change.items():
        there = dict(leaves(base.get(file, {})))
        for path, value in leaves(raw):
            where = f"{file}: {'.'.join(path)}"
            if path not in there:
                raise PolicyError(where, "is new, and this overlay changes words alone", "a text of the policy")
            _refuse_change(where, there[path], value, text=is_text(file, path) and _is_said(there[path]))


def _refuse_change(where: str, old: Any, new: Any, *, text: bool) -> None:
    if old == new and type(old) is type(new):
        return
    if not text:
        raise PolicyError(where, "is no text, and this overlay changes words alone", f"{old!r}, or nothing")
    if type(old) is not type(new) or not _is_said(new):
        raise PolicyError(where, f"is {new!r}, where a text stands that says something", "a text")
    olds, news = (old, new) if isinstance(old, list) else ([old], [new])
    if len(olds) != len(news):
        raise PolicyError(where, f"holds {len(news)} texts", f"{len(olds)} texts")
    for one, other in zip(olds, news, strict=True):
        if not other.strip():
            raise PolicyError(where, "holds a text that says nothing", f"{len(olds)} texts")
        if fields(where, one) != fields(where, other):
            raise PolicyError(where, "has other words filled in", ", ".join(sorted(fields(where, one))) or "no field")


def fields(where: str, sentence: str) -> set[str]:
    """The fields in braces that a sentence has filled in.

    Raises PolicyError where a brace is open, and where a field is more than a name: a width, a conversion or a part of
    a value could make a sentence longer than memory, or fail when it is said.
    """
    try:
        parsed = list(string.Formatter().parse(sentence))
    except ValueError as error:
        raise PolicyError(where, f"has a brace that opens or closes nothing: {error}") from error
    for _, field, form, conversion in parsed:
        if field is not None and (form or conversion or not field.isidentifier()):
            written = field + (f"!{conversion}" if conversion else "") + (f":{form}" if form else "")
            raise PolicyError(where, f"has {{{written}}}, which is more than a name", "a name alone in braces")
    return {field for _, field, _, _ in parsed if field is not None}
