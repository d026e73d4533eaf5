"""CoverageJSON (OGC 21-069r2) as time series at points: as much of it as a position query of EDR answers with.

Validated by ``covjson-pydantic``. What is no such series (tiled or linked ranges, several places or heights in one
range, projected coordinates, calendars other than the Gregorian) is left out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from covjson_pydantic.coverage import Coverage, CoverageCollection
from covjson_pydantic.domain import CompactAxis, Domain
from covjson_pydantic.ndarray import NdArrayFloat, NdArrayInt, NdArrayStr
from covjson_pydantic.parameter import Parameter, Parameters
from covjson_pydantic.reference_system import ReferenceSystemConnectionObject

from repairadvisor.plugin import Site

Value = float | int | str

#: Geographic systems whose coordinates are WGS 84 or differ from it by less than anybody measures weather to.
_GEOGRAPHIC = frozenset(
    {
        "http://www.opengis.net/def/crs/OGC/1.3/CRS84",
        "http://www.opengis.net/def/crs/OGC/0/CRS84",
        "http://www.opengis.net/def/crs/OGC/0/CRS84h",
        "http://www.opengis.net/def/crs/EPSG/0/4326",
        "http://www.opengis.net/def/crs/EPSG/0/4979",
        "http://www.opengis.net/def/crs/EPSG/0/4258",
    }
)
_GREGORIAN = ("Gregorian", "http://www.opengis.net/def/uom/ISO-8601/0/Gregorian")
_UCUM = "http://www.opengis.net/def/uom/ucum"


@dataclass(frozen=True, slots=True)
class Series:
    """What one parameter is at one place, step by step, in the order of time; steps without a value are left out.

    ``unit`` is the symbol that the parameter's unit has, "" where it has none that is known to be a symbol of UCUM or a
    plain one. ``categories`` maps whole numbers to the categories they stand for.
    """

    site: Site
    unit: str
    steps: tuple[tuple[datetime, Value], ...]
    categories: Mapping[int, str]


class UnreadableError(Exception):
    """A document that is no CoverageJSON."""


def read(text: str, names: Iterable[str]) -> dict[str, list[Series]]:
    """The series of each of the parameters ``names`` that the document has. Raises :class:`UnreadableError`."""
    try:
        document = json.loads(text, parse_constant=_no_number)
        coverages, shared, referencing = _coverages(document)
        found: dict[str, list[Series]] = {name: [] for name in names}
        for coverage in coverages:
            for name, kept in found.items():
                kept.extend(_series(coverage, name, shared, referencing))
    except (ValueError, TypeError, AttributeError, KeyError, OverflowError, RecursionError):
        # Not chained: what the validator says holds much of the document.
        raise UnreadableError("no CoverageJSON that can be read") from None
    return found


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


_Systems = list[ReferenceSystemConnectionObject]


def _coverages(document: Any) -> tuple[list[Coverage], Parameters | None, _Systems]:
    if not isinstance(document, dict) or not _times_are_text(document):
        raise ValueError
    if document.get("type") == "CoverageCollection":
        collection = CoverageCollection.model_validate(document)
        return collection.coverages, collection.parameters, collection.referencing or []
    if document.get("type") == "Coverage":
        return [Coverage.model_validate(document)], None, []
    raise ValueError


def _times_are_text(document: dict[str, Any]) -> bool:
    """The validator would take a bare number for seconds since 1970; the standard has only text for a moment."""
    coverages = document.get("coverages", [document])
    for coverage in coverages:
        times = coverage["domain"]["axes"].get("t", {})
        if not all(isinstance(one, str) for one in times.get("values", [])):
            return False
    return True


def _series(coverage: Coverage, name: str, shared: Parameters | None, referencing: _Systems) -> Iterator[Series]:
    values = coverage.ranges.get(name)
    parameter = _parameter(coverage, name, shared)
    if parameter is None or not isinstance(values, NdArrayFloat | NdArrayInt | NdArrayStr):
        return
    domain = coverage.domain
    if not _is_geographic([*(domain.referencing or []), *referencing]):
        return
    site, times = _site(domain), domain.axes.t
    if site is None or times is None or not _only_time_runs(values, len(times.values)):
        return
    told: list[Value | None] = list(values.values)
    steps = [
        (at, value) for at, value in zip(times.values, told, strict=True) if value is not None and _is_finite(value)
    ]
    steps.sort(key=lambda step: step[0])
    yield Series(site, _unit(parameter), tuple(steps), _categories(parameter))


def _parameter(coverage: Coverage, name: str, shared: Parameters | None) -> Parameter | None:
    for parameters in (coverage.parameters, shared):
        if parameters is not None and name in parameters.root:
            return parameters.root[name]
    return None


def _is_geographic(systems: _Systems) -> bool:
    for connection in systems:
        system = connection.system
        if system.type == "ProjectedCRS":
            return False
        if system.type == "GeographicCRS" and system.id is not None and system.id not in _GEOGRAPHIC:
            return False
        if system.type == "TemporalRS" and str(system.calendar) not in _GREGORIAN:
            return False
    return True


def _site(domain: Domain) -> Site | None:
    """Where the one point of a domain is: ``x`` is longitude and ``y`` latitude in every domain type."""
    x, y = _only(domain.axes.x), _only(domain.axes.y)
    if x is None or y is None:
        return None
    try:
        return Site(y, x)
    except ValueError:
        return None


def _only(axis: Any) -> float | None:
    values = [axis.start] if isinstance(axis, CompactAxis) and axis.num == 1 else getattr(axis, "values", [])
    return float(values[0]) if len(values) == 1 and isinstance(values[0], int | float) else None


def _only_time_runs(values: NdArrayFloat | NdArrayInt | NdArrayStr, times: int) -> bool:
    """Whether the range has one value for each moment, and is of one place and one height."""
    shape = dict(zip(values.axisNames or [], values.shape or [], strict=True))
    if len(values.values) != times or math.prod(shape.values()) != times:
        return False
    return shape.get("t", times if times == 1 else 0) == times


def _is_finite(value: Value) -> bool:
    return isinstance(value, str) or math.isfinite(value)


def _unit(parameter: Parameter) -> str:
    symbol = parameter.unit.symbol if parameter.unit is not None else None
    if symbol is None or isinstance(symbol, str):
        return symbol or ""
    # A symbol of another scheme may look alike and mean something else.
    return symbol.value if symbol.type.rstrip("/").lower() == _UCUM else ""


def _categories(parameter: Parameter) -> dict[int, str]:
    encoding = parameter.categoryEncoding or {}
    return {
        number: category
        for category, numbers in encoding.items()
        for number in (numbers if isinstance(numbers, list) else [numbers])
    }
