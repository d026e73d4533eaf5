"""An overlay laid over a whole policy: what it names must be there, in the same unit, and fill in the same words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import SCREEN_FILES, WORDING_FILES
from repairadvisor.policy.overlay import ROWS, Overlay, Raw, merged, named, row_key
from repairadvisor.policy.table import nearest
from repairadvisor.policy.texts import fields, refuse_more_than_words

#: Named tables to which an overlay may add one.
_ADDABLE = ("limit", "derived")
#: Named tables whose names are all there are.
_CLOSED = ("rate", "after_work", "fact", "floor", "floor_check", "fibre", "least_by_place", "least_by_access")
#: What has to stand beside a number that changes, in the unit in which it stood.
_IN_UNITS = ("value", "low", "high", "cu", "p50", "p95")
ADD = "add"
CLAIMS = "claims.toml"


def lay_over(base: Mapping[str, Raw], overlay: Overlay) -> dict[str, Raw]:
    """The policy's parsed files with an overlay's laid over them. Raises PolicyError for what the policy does not have,
    with the nearest name that it has, for a number in another unit, and for a sentence with other fields; and for
    anything but words from an overlay that changes words only."""
    for name, raw in overlay.raw.items():
        if name in WORDING_FILES:
            _refuse_other_words(name, base[name], raw)
        else:
            _refuse_strangers(base, name, raw)
    if overlay.words_only:
        refuse_more_than_words(base, overlay.raw)
    _refuse_unused_texts(base, overlay)
    return {name: _said_once(raw) for name, raw in merged(base, overlay.raw).items()}


def _refuse_unused_texts(base: Mapping[str, Raw], overlay: Overlay) -> None:
    """A caution's text under a new tag is wanted by a row of the overlay, or its tag is misspelt."""
    rows = [row for kind in ("caution", "screen") for _, row in _all_rows(overlay.raw, kind)]
    tags = {tag for row in rows for tag in (row.get("tag"), *row.get("cautions", []))}
    known = base["cautions.toml"]["text"]
    for tag in overlay.raw.get("cautions.toml", {}).get("text", {}):
        if tag not in known and tag not in tags:
            raise PolicyError(
                f"cautions.toml: {tag}", _no_such("caution", tag, known), "a tag of the policy or of a new row"
            )


def _said_once(raw: Any) -> Any:
    """The tables without ``add``, which only concerns the laying."""
    if isinstance(raw, list):
        return [_said_once(one) for one in raw]
    if isinstance(raw, Mapping):
        return {key: _said_once(value) for key, value in raw.items() if key != ADD or value is not True}
    return raw


def _refuse_strangers(base: Mapping[str, Raw], file: str, raw: Raw) -> None:
    old = base.get(file, {})
    allowed = {*old, "limit"} | ({"screen"} if file.startswith(SCREEN_FILES) else set())
    for key, value in raw.items():
        if key not in allowed:
            raise PolicyError(
                f"{file}: {key}", f"is not known{nearest(key, sorted(allowed))}", ", ".join(sorted(allowed))
            )
        if key in ROWS:
            known = {row_key(key, key, row): (name, row) for name, row in _all_rows(base, key)}
            filled = _fields_of_steps(base) if key == "step" else set()
            for row in value:
                _refuse_row(known, filled, file, key, row)
        elif key in (*_ADDABLE, *_CLOSED):
            there = {name: (other, old) for other, table in _own(base) for name, old in table.get(key, {}).items()}
            for name, one in _tables(f"{file}: {key}", value):
                _refuse_named(there, file, key, name, one)


def _tables(where: str, raw: Any) -> Iterator[tuple[str, Any]]:
    if not isinstance(raw, Mapping):
        raise PolicyError(where, "is not a table")
    yield from raw.items()


def _own(base: Mapping[str, Raw]) -> Iterator[tuple[str, Raw]]:
    """Every file but those of words, whose tables are named as they please."""
    yield from ((name, raw) for name, raw in base.items() if name not in WORDING_FILES)


def _all_rows(base: Mapping[str, Raw], kind: str) -> Iterator[tuple[str, Raw]]:
    yield from ((name, row) for name, raw in _own(base) for row in raw.get(kind, []))


def _refuse_row(
    known: Mapping[tuple[object, ...], tuple[str, Raw]], filled: set[str], file: str, kind: str, row: Raw
) -> None:
    wanted = row_key(f"{file}: {kind}", kind, row)
    where = f"{file}: {named(wanted)}"
    if kind == "step":
        for key in ("text", "limit"):
            _refuse_fields(f"{where}: {key}", filled, str(row.get(key, "")))
    if row.get(ADD) is True:
        if wanted in known:
            raise PolicyError(where, f"stands in {known[wanted][0]} already, so it cannot be added", "another id")
        return
    if wanted not in known:
        names = {named(one): one for one in known}
        raise PolicyError(where, _no_such("row", named(wanted), names), "an id of the policy, or add = true")
    name, old = known[wanted]
    _refuse_claim(where, name, old, row)
    if name != file:
        raise PolicyError(where, f"stands in {name}", f"change it in a file {name} of the overlay")
    _refuse_units(where, old, row)


def _refuse_named(known: Mapping[str, tuple[str, Any]], file: str, key: str, name: str, one: Any) -> None:
    where = f"{file}: {name}"
    adds = key in _ADDABLE and isinstance(one, Mapping) and one.get(ADD) is True
    if name in known:
        other, old = known[name]
        _refuse_claim(where, other, old, one)
        if other != file:
            raise PolicyError(where, f"stands in {other}", f"change it in a file {other} of the overlay")
        if isinstance(one, Mapping) and one.get(ADD) is True:
            raise PolicyError(where, f"stands in {other} already, so it cannot be added", "another name")
        _refuse_units(where, old, one)
    elif not adds:
        allowed = f"a {key} of the policy" + (", or add = true" if key in _ADDABLE else "")
        raise PolicyError(where, _no_such(key.replace("_", " "), name, known), allowed)


def _refuse_claim(where: str, file: str, old: Raw, new: Raw) -> None:
    """Claims say what has to hold of whatever an overlay changes: it may add some, and change none."""
    if file == CLAIMS and any(old.get(key) != value for key, value in new.items()):
        problem = "is a claim of the policy, or a figure of one, and no overlay's to change"
        raise PolicyError(where, problem, "claims of its own, with add = true")


def _no_such(what: str, name: str, known: Mapping[str, object]) -> str:
    return f"no such {what}{nearest(name, list(known))}"


def _refuse_units(where: str, old: Any, new: Any) -> None:
    """A number that changes stands in the unit in which it stood, and says so."""
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return
    if "unit" in old and any(key in new for key in _IN_UNITS) and "unit" not in new:
        raise PolicyError(f"{where}: unit", "is missing beside a number that changes", repr(old["unit"]))
    if "unit" in old and "unit" in new and new["unit"] != old["unit"]:
        raise PolicyError(f"{where}: unit", f"is {new['unit']!r}", repr(old["unit"]))
    for key, value in new.items():
        if key in old and key not in _IN_UNITS:
            _refuse_units(f"{where}: {key}", old[key], value)


def _refuse_other_words(where: str, old: Any, new: Any) -> None:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key, value in new.items():
            if key not in old:
                raise PolicyError(f"{where}: {key}", _no_such("sentence or word", key, old), "one of the policy's")
            _refuse_other_words(f"{where}: {key}", old[key], value)
    elif type(old) is not type(new):
        raise PolicyError(where, f"is {new!r}, which is not of the kind that stands there")
    elif isinstance(old, str):
        _refuse_fields(where, fields(where, old), str(new))


def _refuse_fields(where: str, allowed: set[str], sentence: str) -> None:
    strange = sorted(fields(where, sentence) - allowed)
    if strange:
        near = nearest(strange[0], sorted(allowed))
        raise PolicyError(
            where, f"{{{strange[0]}}} is not filled in here{near}", ", ".join(sorted(allowed)) or "no field"
        )


def _fields_of_steps(base: Mapping[str, Raw]) -> set[str]:
    texts = [str(row[key]) for row in base["steps.toml"]["step"] for key in ("text", "limit") if key in row]
    return {field for text in texts for field in fields("steps.toml", text)}
