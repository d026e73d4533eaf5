"""What a joint is held against after the work, and what is said beside a verdict, read as strictly as every rule."""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.errors import PolicyError
from repairadvisor.policy.after_work import DO_FIRST, REASONS, VERDICTS, ToDo
from repairadvisor.policy.model import Number
from repairadvisor.policy.table import Table, read_number, unknown_name

AFTER_WORK_FILE = "after_work.toml"

#: Every number there is, with its unit and the range in which it means anything.
NUMBERS: Mapping[str, tuple[str, float, float]] = {
    "reading_both_ways_sigma_db": ("dB", 0.0, 0.5),
    "reading_one_way_sigma_db": ("dB", 0.0, 0.5),
    "mode_field_tolerance_um": ("µm", 0.0, 2.0),
    "limit_confidence": ("1", 0.5, 0.999),
    "one_way_confidence": ("1", 0.5, 0.999),
    "dead_zone_pulses": ("1", 1.0, 20.0),
    "bend_excess_db": ("dB", 0.0, 2.0),
    "link_unexplained_db": ("dB", 0.0, 10.0),
    "reflectance_to_spare_db": ("dB", 0.0, 60.0),
    "reverse_trace_owed_h": ("h", 1.0, 2000.0),
    "longer_wavelength_owed_h": ("h", 1.0, 2000.0),
    "link_level_owed_h": ("h", 1.0, 2000.0),
}


def read_after_work(table: Table) -> dict[str, Number]:
    """The numbers by name. Raises PolicyError for one that is missing, strange, in another unit or out of range."""
    found = {}
    for name, row in table.tables("after_work"):
        if name not in NUMBERS:
            raise unknown_name(f"{table.where}: after_work", name, tuple(NUMBERS))
        unit, low, high = NUMBERS[name]
        number = read_number(name, row)
        if number.unit != unit or not low <= number.value <= high:
            raise PolicyError(row.where, f"is {number.value:g} {number.unit}", f"{low:g} to {high:g} {unit}")
        found[name] = number
    for name in NUMBERS:
        if name not in found:
            raise PolicyError(f"{table.where}: after_work.{name}", "is missing")
    return found


def read_to_do(table: Table, methods: tuple[str, ...], tags: tuple[str, ...]) -> tuple[ToDo, ...]:
    """What is said beside verdicts, in the order of the file. Raises PolicyError; the file is then read whole."""
    rows = []
    for row in table.rows("do"):
        rows.append(
            ToDo(
                id=row.text("id"),
                verdicts=_among(row, "verdicts", VERDICTS),
                reasons=_among(row, "reasons", REASONS),
                methods=_among(row, "methods", methods),
                do_first=_among(row, "do_first", DO_FIRST),
                text=row.text("text"),
                cautions=_among(row, "cautions", tags),
                source=row.text("source"),
                known=row.known(),
            )
        )
        row.done()
    table.done()
    return tuple(rows)


def _among(row: Table, key: str, allowed: tuple[str, ...]) -> tuple[str, ...]:
    words = row.texts(key)
    for word in words:
        if word not in allowed:
            raise unknown_name(f"{row.where}: {key}", word, allowed)
    return words
