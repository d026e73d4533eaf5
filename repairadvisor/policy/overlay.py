"""An operator's overlay: files named like those of a policy that name only what they change. Pure merging.

Tables merge key by key; rows that have an id are matched by it; every other list replaces the one that was there, and
so does what only means something as a whole: a condition, part of a plan, a prior, the amounts of a row whose ``by``
changes. ``add = true`` makes a row or number new, so that a misspelt id never adds one; ``remove = true`` takes a row
out. A number that changes says where it comes from: in its own row, or once for all in ``overlay.toml``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import FILES, SCREEN_FILES, WORDING_FILES, parsed
from repairadvisor.policy.model import HOW_KNOWN
from repairadvisor.policy.table import Table, nearest

Raw = Mapping[str, Any]
#: The file that says what an overlay is called, on which other it lies, and of which files it is made.
HEAD = "overlay.toml"
#: The overlays that ship beside the policy: each is named by its bare name, and stands in a folder of that name.
SHIPPED_OVERLAYS = ("lanternfield", "spanish")
#: What plans there are is no operator's to change: rules that name plans would say nothing of others.
OVERLAY_FILES = tuple(name for name in FILES if name != "plan_words.toml")
#: Lists of rows, and by which of its keys a row is known.
ROWS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("screen", "step", "item", "price", "minutes", "slot", "control", "caution", "adjust", "claim", "do"),
        ("id",),
    ),
    "joint": ("method", "mode"),
}
#: Keys whose table is one thing and no collection.
_WHOLE = (
    "bars_when",
    "when",
    "hazard",
    "plans",
    "prior",
    "then",
    "where",
    "after_min",
    "bars",
    "clears",
    "leaves_open",
)
#: A table, or a number; a table with low and high is a number too.
_AMOUNTS = ("cu", "p50", "p95")
#: Who names one of these means all of them.
_VALUE = ("value", "low", "high")
#: Keys that mean nothing any more once another one changes.
_RESETS: Mapping[str, tuple[str, ...]] = {"parent": ("prior", "prior_by"), "by": _AMOUNTS}
_NUMBERS = (*_VALUE, *_AMOUNTS, "prior", "prior_by", "price_min", "lasts_min", "factor")
_WHENCE = ("source", "known", "since")


@dataclass(frozen=True, slots=True)
class Overlay:
    """An overlay, read: ``raw`` holds its tables by file, ``parent`` the folder it lies on ("" is the default).

    One that is ``words_only`` may change texts and nothing else.
    """

    name: str
    parent: str
    raw: Mapping[str, Raw]
    words_only: bool = False


@dataclass(frozen=True, slots=True)
class Head:
    """What ``overlay.toml`` says. ``whence``: source, how known and since when, for numbers that say none."""

    name: str
    parent: str
    files: tuple[str, ...]
    whence: Mapping[str, object]
    words_only: bool = False


def read_head(text: str) -> Head:
    """What ``overlay.toml`` says. Raises PolicyError."""
    table = Table(HEAD, parsed(HEAD, text))
    files = table.take("files", list)
    for name in files:
        refuse_file(HEAD, name)
    if len(set(files)) != len(files):
        raise PolicyError(f"{HEAD}: files", "names a file twice")
    whence = {key: table.raw[key] for key in _WHENCE if key in table.raw}
    if "source" in whence:
        table.text("source")
    if "known" in whence:
        table.one_of("known", HOW_KNOWN)
    if "since" in whence:
        table.day("since")
    words_only = table.take("words_only", bool, False)
    head = Head(table.text("name"), table.text("parent", ""), tuple(files), whence, words_only)
    table.done()
    if not head.name.strip():
        raise PolicyError(f"{HEAD}: name", "is empty")
    return head


def refuse_file(where: str, name: object) -> None:
    """Refuse a name that is none of an overlay's files."""
    screens = isinstance(name, str) and name.startswith(SCREEN_FILES) and name.endswith(".toml") and "/" not in name
    if name not in OVERLAY_FILES and not screens:
        allowed = (*OVERLAY_FILES, f"{SCREEN_FILES}….toml")
        raise PolicyError(where, f"{name!r} is no file of an overlay{nearest(name, OVERLAY_FILES)}", ", ".join(allowed))


def read_overlay(texts: Mapping[str, str]) -> Overlay:
    """The overlay that files, given as name and text, hold. Raises PolicyError with file and key."""
    if HEAD not in texts:
        raise PolicyError(HEAD, "is missing")
    head = read_head(texts[HEAD])
    for name in head.files:
        if name not in texts:
            raise PolicyError(f"{HEAD}: files", f"names {name}, which is not there")
    for name in texts:
        if name != HEAD and name not in head.files:
            refuse_file(name, name)
            raise PolicyError(f"{HEAD}: files", f"does not name {name}, which is there")
    raw = {}
    for name in sorted(head.files):
        read = parsed(name, texts[name])
        if name in WORDING_FILES:  # its tables are named as they please: [step] is no list of steps
            raw[name] = read
            continue
        _refuse_doubles(name, read)
        raw[name] = _whence_said(name, read, head.whence)
    return Overlay(head.name, head.parent, raw, head.words_only)


def _refuse_doubles(file: str, raw: Raw) -> None:
    for kind in ROWS:
        seen: set[tuple[object, ...]] = set()
        for row in _rows(f"{file}: {kind}", kind, raw.get(kind, [])):
            if row in seen:
                raise PolicyError(f"{file}: {kind} {named(row)}", "is named twice")
            seen.add(row)


def named(row: tuple[object, ...]) -> str:
    """How a row is called in a message."""
    return " ".join(str(part) for part in row)


def _rows(where: str, kind: str, raw: object) -> Iterator[tuple[object, ...]]:
    """What the rows of a list are known by, one by one."""
    if not isinstance(raw, list) or not all(isinstance(row, Mapping) for row in raw):
        raise PolicyError(where, "is no list of rows", f"[[{kind}]]")
    return (row_key(where, kind, row) for row in raw)


def row_key(where: str, kind: str, row: Raw) -> tuple[object, ...]:
    """What a row is known by."""
    for key in ROWS[kind]:
        if not isinstance(row.get(key), str):
            raise PolicyError(f"{where}: {key}", "is missing, or no text: rows are matched by it")
    return tuple(row[key] for key in ROWS[kind])


def _whence_said(where: str, raw: Any, whence: Mapping[str, object]) -> Any:
    """The tables with source, how known and since when filled in where a number changes and does not say."""
    if isinstance(raw, list):
        return [_whence_said(f"{where} {_called(one)}", one, whence) for one in raw]
    if not isinstance(raw, Mapping):
        return raw
    found = {
        key: value if key in (*_WHOLE, *_AMOUNTS, "prior_by") else _whence_said(f"{where}: {key}", value, whence)
        for key, value in raw.items()
    }
    if any(key in found for key in _NUMBERS):
        found = {**whence, **found}
        missing = [key for key in _WHENCE if key not in found]
        if missing:
            raise PolicyError(where, f"changes a number and lacks {', '.join(missing)}", f"there, or once in {HEAD}")
    return found


def _called(row: object) -> str:
    return str(row.get("id", row.get("method", "?"))) if isinstance(row, Mapping) else ""


# --- merging -----------------------------------------------------------------------------------------------------


def merged(base: Mapping[str, Raw], change: Mapping[str, Raw]) -> dict[str, Raw]:
    """Files of tables, the second laid over the first. Neither is changed. Raises PolicyError where a table stands for
    something else, or something else for a table."""
    found = dict(base)
    for name, raw in change.items():
        found[name] = _table(name, base.get(name, {}), raw, whole=() if name in WORDING_FILES else _WHOLE)
    return found


def _table(where: str, old: Raw, new: Raw, whole: tuple[str, ...]) -> dict[str, Any]:
    found = dict(old)
    for key, others in _RESETS.items():
        if key in new and whole:
            found = {name: value for name, value in found.items() if name not in others}
    if whole and any(key in new for key in _VALUE):
        found = {name: value for name, value in found.items() if name not in _VALUE}
    for key, value in new.items():
        found[key] = _value(f"{where}: {key}", key, found[key], value, whole) if key in found else value
    return found


def _value(where: str, key: str, old: Any, new: Any, whole: tuple[str, ...]) -> Any:
    if key in whole:
        return new
    if whole and key in _AMOUNTS:
        return _amounts(where, old, new)
    if whole and key in ROWS and isinstance(old, list):
        return _matched(where, key, old, new, whole)
    if isinstance(old, Mapping) != isinstance(new, Mapping):
        raise PolicyError(where, "is a table there, and not here" if isinstance(old, Mapping) else "is no table there")
    if not isinstance(old, Mapping):
        return new
    return {**old, **new} if whole and key == "prior_by" else _table(where, old, new, whole)


def _amounts(where: str, old: Any, new: Any) -> Any:
    if not _by_word(new):
        return new
    if not _by_word(old):
        raise PolicyError(where, "is one number there: a table of words needs its `by` beside it")
    return {**old, **new}


def _by_word(value: Any) -> bool:
    return isinstance(value, Mapping) and not {"low", "high"} & set(value)


def _matched(where: str, kind: str, old: list[Raw], new: Any, whole: tuple[str, ...]) -> list[Raw]:
    keys = list(_rows(where, kind, new))
    found = {row_key(where, kind, row): row for row in old}
    for key, row in zip(keys, new, strict=True):
        found[key] = _table(f"{where} {named(key)}", found[key], row, whole) if key in found else row
    return list(found.values())
