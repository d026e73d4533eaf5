"""Results as rows of a table: one attempt a row, a column a field; and the same, one by one, as a person types them.

The file is ours: UTF-8, the first line names the columns, between them commas or, where the first line holds one,
semicolons. A reading has a column of its own for each wavelength and way. Decimals have a point.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import shown
from repairadvisor.outcome.reported import CARRIED_NM, EXACT
from repairadvisor.schemas.json_text import NotJsonError, read_object
from repairadvisor.schemas.outcome import (
    ATTEMPT_FIELDS,
    Closure,
    Entry,
    read_advice_id,
    read_closure,
    read_entry,
    read_plan_id,
    read_report,
)

#: Longest line that is looked at, characters.
LONGEST_LINE = 65_536
WAVELENGTHS = tuple(sorted(nm for carried in CARRIED_NM.values() for nm in carried))
WAYS = ("from_near", "from_far", "both_ways")
_READ = re.compile(rf"(?P<way>{'|'.join(WAYS)})_(?P<nm>[0-9]{{3,5}})_db")
#: How a fault names part of a reading; here that is a column.
_OF_READING = re.compile(r"readings\.([0-9]+)\.(from_near|from_far|both_ways|bound)_?")
_BOUND = re.compile(r"bound_(?P<nm>[0-9]{3,5})")
_OF_CLOSURE = ("evidence", "due_on", "responsible")
_PLAIN = tuple(name for name in ATTEMPT_FIELDS if name != "readings")
#: Every column there is, in the order in which a person would fill them in.
COLUMNS = (
    "advice",
    "plan",
    *_PLAIN,
    *(f"{way}_{nm}_db" for nm in WAVELENGTHS for way in WAYS),
    *(f"bound_{nm}" for nm in WAVELENGTHS),
    *_OF_CLOSURE,
)
_COLUMNS = frozenset(COLUMNS)
_WORDS = frozenset(
    {"fibre", "ribbon", "method", "made_at", "person", "machine", "cleaver", "pull_test", "inspection"}
    | {"reflectance_bound", "body_reopens"}
)
_NUMBER = re.compile(r"[-+]?[0-9]{1,15}(\.[0-9]{1,15})?", re.ASCII)
_UNITS = {"db": "dB", "dbm": "dBm", "m": "m", "ns": "ns"}


@dataclass(frozen=True, slots=True)
class Row:
    """What one row tells: the advice, the plan that was carried out ("": the one advised), the attempts, the rest.

    ``where`` is put before the names of its fields, ``between`` between where an attempt was told and its own.
    """

    line: int
    where: str
    between: str
    advice: str
    plan: str
    entries: tuple[Entry, ...]
    closure: Closure


def read_cells(cells: Mapping[str, str], where: str, line: int = 0) -> Row:
    """The row that these cells make; InputError with everything wrong with it. ``where`` comes before each column."""
    between = ": " if where else ""
    faults: list[Fault] = []
    told = {name: text.strip() for name, text in cells.items() if text.strip()}
    advice = read_advice_id(told.pop("advice", None), f"{where}advice", faults)
    plan = read_plan_id(told.pop("plan", ""), f"{where}plan", faults)
    of_closure = {name: told.pop(name, "") for name in _OF_CLOSURE}
    evidence = (of_closure["evidence"],) if of_closure["evidence"] else ()
    closure = read_closure(evidence, of_closure["due_on"], of_closure["responsible"], faults, where, where)
    plain = {name: text if name in _WORDS else _number(name, text, where, faults) for name, text in told.items()}
    entries: tuple[Entry, ...] = ()
    if not faults:
        entries = read_entry(_with_readings(plain, where, faults), advice, where.rstrip(": "), between, faults)
    if faults:
        raise InputError(replace(one, field=_OF_READING.sub(r"\2_\1_", one.field)) for one in faults)
    return Row(line, where, between, advice, plan, entries, closure)


def _number(name: str, text: str, where: str, faults: list[Fault]) -> object:
    if name not in _COLUMNS and not _READ.fullmatch(name) and not _BOUND.fullmatch(name):
        return text  # that there is no such column is told elsewhere
    if _BOUND.fullmatch(name):
        return text
    if not _NUMBER.fullmatch(text):
        unit = _UNITS.get(name.rpartition("_")[2], "")
        faults.append(
            Fault("not-a-number", where + name, shown(text), "is not a number", "digits with a decimal point", unit)
        )
        return None
    return float(text) if "." in text else int(text)


def _with_readings(plain: Mapping[str, Any], where: str, faults: list[Fault]) -> dict[str, object]:
    """The attempt's fields, readings put together by wavelength."""
    told: dict[str, object] = {}
    readings: dict[int, dict[str, object]] = {}
    bounds: dict[int, str] = {}
    for name, value in plain.items():
        read, bound = _READ.fullmatch(name), _BOUND.fullmatch(name)
        if read is not None:
            readings.setdefault(int(read["nm"]), {})[f"{read['way']}_db"] = value
        elif bound is not None:
            bounds[int(bound["nm"])] = value
        else:
            told[name] = value
    for nm, word in bounds.items():
        if nm in readings:
            readings[nm]["bound"] = word
        elif word != EXACT:
            faults.append(Fault("no-value", f"{where}bound_{nm}", shown(word), "bounds a reading that is not there"))
    told["readings"] = [{"nm": nm, **read} for nm, read in sorted(readings.items())]
    return told


def rows_of(lines: Iterable[str], shared: Mapping[str, str]) -> Iterator[Row | InputError]:
    """The rows of a file, one after the other, or what is wrong with one. ``shared`` are cells that every row has that
    does not tell them otherwise.

    Raises :class:`InputError` for a first line that names no columns: then nothing of the file can be read.
    """
    numbered = _whole_lines(lines)
    first = next(numbered, "")
    between = ";" if ";" in first else ","
    names = [name.strip() for name in next(csv.reader([first], delimiter=between), [])]
    _refuse_columns(names, shared)
    reader = csv.reader(numbered, delimiter=between, strict=True)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except (csv.Error, InputError) as error:
            yield _unreadable(reader.line_num + 1, error)
            return
        line = reader.line_num + 1
        if not any(cell.strip() for cell in cells):
            continue
        yield _row(dict(shared), names, cells, line)


def _row(shared: dict[str, str], names: Sequence[str], cells: Sequence[str], line: int) -> Row | InputError:
    if len(cells) != len(names):
        problem = "cells do not go with the columns of the first line"
        return InputError([Fault("wrong-count", f"line {line}", str(len(cells)), problem, f"{len(names)} cells")])
    told = {name: cell for name, cell in zip(names, cells, strict=True) if cell.strip()}
    try:
        return read_cells({**shared, **told}, f"line {line}: ", line)
    except InputError as error:
        return error


def _refuse_columns(names: Sequence[str], shared: Mapping[str, str]) -> None:
    faults = [
        Fault("unknown-field", f"line 1: {shown(name)}", "", "is no column of results", ", ".join(COLUMNS))
        for name in (*names, *shared)
        if name not in _COLUMNS
    ]
    faults += [
        Fault("given-twice", f"line 1: {name}", "", "stands twice", "each column once")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]
    if not names:
        faults = [Fault("missing", "line 1", "", "names no columns", ", ".join(COLUMNS))]
    if faults:
        raise InputError(faults)


def objects_of(lines: Iterable[str]) -> Iterator[Row | InputError]:
    """The same of a file of JSON that holds one report a line, as ``POST /v1/outcomes`` takes it."""
    numbered = enumerate(_whole_lines(lines), start=1)
    while True:
        try:
            line, text = next(numbered)
        except StopIteration:
            return
        except InputError as error:
            yield error
            return
        if text.strip():
            yield row_of_object(text.encode(), f"line {line}: ", line)


def row_of_object(content: bytes, where: str, line: int) -> Row | InputError:
    """What one report in JSON tells, or what is wrong with it."""
    try:
        told = read_report(read_object(content), where)
    except InputError as error:
        at = where if isinstance(error, NotJsonError) else ""
        return InputError([replace(one, field=f"{at}{one.field}") for one in error.faults])
    return Row(line, where, ".", told.advice, told.plan, told.entries, told.closure)


def refuse_names(names: Iterable[str]) -> None:
    """InputError where one of the names that somebody typed is no column of results."""
    faults = [
        Fault("unknown-field", shown(name), "", "is nothing that is told of a result", ", ".join(COLUMNS))
        for name in names
        if name not in _COLUMNS
    ]
    if faults:
        raise InputError(faults)


def _unreadable(line: int, error: Exception) -> InputError:
    """What cannot be taken apart: where the next row begins nobody can say, so nothing behind it is read."""
    if isinstance(error, InputError):
        return error
    return InputError([Fault("not-csv", f"line {line}", "", f"cannot be read: {error}", "cells, each in one line")])


def _whole_lines(lines: Iterable[str]) -> Iterator[str]:
    for number, line in enumerate(lines, start=1):
        if len(line) > LONGEST_LINE:
            allowed = f"up to {LONGEST_LINE} characters"
            raise InputError([Fault("too-long", f"line {number}", "", "is too long", allowed)])
        yield line
