"""An advice made again: what was told, read once more, and where the document differs from the one that was given.

A difference is never hidden by a failure: what this version cannot read any more of what was told is left out and
named, and the rest is compared.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context

_NOTHING = object()
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Changed:
    """One place in which two documents differ: its path as a JSON Pointer (RFC 6901), and what stands there in each,
    as JSON text; "" is nothing."""

    path: str
    then: str
    now: str


@dataclass(frozen=True, slots=True)
class Replay:
    """A recorded advice made again under the policy that gave it. ``equal``: byte for byte.

    ``not_read`` is what was told and cannot be read any more, why: it was left out.
    """

    advice: str
    policy: str
    equal: bool
    method_then: str
    method_now: str
    vocabulary_then: str
    vocabulary_now: str
    not_read: tuple[str, ...]
    differences: tuple[Changed, ...]


def context_again(facts: Mapping[str, object], now: datetime) -> tuple[Context, tuple[Fault, ...]]:
    """The context of facts that could be read once, without those that cannot be read now; why each cannot."""
    left, unread = dict(facts), list[Fault]()
    while left:
        try:
            return parse_context(left, now), tuple(unread)
        except InputError as error:
            unread.extend(error.faults)
            named = [_NAME.match(fault.field) for fault in error.faults]
            wrong = {one[0] for one in named if one is not None} & left.keys()
            for name in wrong or set(left):
                del left[name]
    return parse_context({}, now), tuple(unread)


def differences(then: bytes, now: bytes) -> tuple[Changed, ...]:
    """Every place in which two documents differ; nothing where they are the same bytes."""
    if then == now:
        return ()
    try:
        before: object = json.loads(then)
    except ValueError:
        before = then.decode(errors="replace")
    found = tuple(_changes("", before, json.loads(now)))
    return found or (Changed("", then.decode(errors="replace"), now.decode()),)


def _changes(path: str, then: object, now: object) -> Iterator[Changed]:
    if isinstance(then, dict) and isinstance(now, dict):
        for key in dict.fromkeys((*then, *now)):
            part = f"{path}/{key.replace('~', '~0').replace('/', '~1')}"
            yield from _changes(part, then.get(key, _NOTHING), now.get(key, _NOTHING))
    elif isinstance(then, list) and isinstance(now, list):
        for i, (before, after) in enumerate(zip_longest(then, now, fillvalue=_NOTHING)):
            yield from _changes(f"{path}/{i}", before, after)
    elif _text(then) != _text(now):
        yield Changed(path, _text(then), _text(now))


def _text(value: object) -> str:
    return "" if value is _NOTHING else json.dumps(value, ensure_ascii=False, separators=(",", ":"))
