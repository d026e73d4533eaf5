"""The operator's settings, and what they are checked for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from repairadvisor_weather.told import PRECIPITATION

_COLLECTION = re.compile(r"\A[A-Za-z0-9._~:-]{1,80}\Z")
_STATION = re.compile(r"\A[A-Z][A-Z0-9]{3}\Z")
_HEIGHT = re.compile(r"\A[0-9A-Za-z./+-]{1,20}\Z")
_HEIGHT_ALLOWED = "allowed: letters, digits and . / + -, up to 20"
_HEADER = re.compile(r"[A-Za-z0-9-]{1,60}")
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_MOST_STATIONS = 500


@dataclass(frozen=True, slots=True)
class Limits:
    """How far and how old a report may be, and how near one must be to say that nothing falls (None: none is)."""

    max_distance_km: float
    max_age: timedelta
    dry_within_km: float | None


@dataclass(frozen=True, slots=True)
class Ahead:
    """From when to when a forecast is told, minutes from now."""

    from_min: int
    to_min: int


def ahead(from_min: int | None, to_min: int | None) -> Ahead | None:
    """The stretch of the forecast; None where the operator wants none."""
    return None if from_min is None or to_min is None else Ahead(from_min, to_min)


def _number(low: float, high: float, unit: str, **more: Any) -> fields.Float:
    error = f"{{input}} is out of range; allowed: {low:g} to {high:g} {unit}"
    return fields.Float(validate=validate.Range(low, high, error=error), **more)


def _whole(low: int, high: int, unit: str, **more: Any) -> fields.Integer:
    error = f"{{input}} is out of range; allowed: {low} to {high} {unit}"
    return fields.Integer(strict=True, validate=validate.Range(low, high, error=error), **more)


def _url(text: str) -> None:
    """An address may hold a key, so what is wrong is said without repeating it."""
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        raise ValidationError("is no address; allowed: https://…") from error
    if not host or not (parts.scheme == "https" or (parts.scheme == "http" and host in _LOOPBACK)):
        raise ValidationError("is no address to be asked; allowed: https://…, and http:// on this machine only")
    if parts.username is not None or not text.isprintable() or " " in text or parts.fragment:
        raise ValidationError("holds a name, a fragment or a space; allowed: https://host/path")


def _proxy(text: str) -> None:
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValidationError("is no proxy; allowed: http://host:port or https://host:port")


def _header_name(text: str) -> None:
    if not _HEADER.fullmatch(text):
        raise ValidationError("is no name of a header; allowed: letters, digits and -, up to 60")


def _header_value(text: str) -> None:
    if not text or not text.isascii() or not text.isprintable() or text != text.strip():
        raise ValidationError("is no value of a header; allowed: printable ASCII without a space at either end")


class _SourceSettings(Schema):
    """What both sources take."""

    max_distance_km = _number(0.1, 100, "km", load_default=25.0)
    max_age_min = _number(1, 180, "min", load_default=60.0)
    dry_within_km = _number(0, 25, "km", load_default=None, allow_none=True)
    forecast_from_min = _whole(10, 720, "min", load_default=None, allow_none=True)
    forecast_to_min = _whole(60, 1440, "min", load_default=None, allow_none=True)
    timeout_s = _number(0.1, 10, "s", load_default=2.0)
    keep_s = _number(0, 600, "s", load_default=120.0)
    headers = fields.Dict(
        keys=fields.String(validate=_header_name), values=fields.String(validate=_header_value), load_default=dict
    )
    proxy = fields.String(load_default=None, allow_none=True, validate=_proxy)

    @validates_schema
    def _forecast_is_a_stretch(self, data: dict[str, Any], **_: Any) -> None:
        first, last = data.get("forecast_from_min"), data.get("forecast_to_min")
        if (first is None) != (last is None):
            raise ValidationError(
                "is given only with the other of forecast_from_min and forecast_to_min", "forecast_from_min"
            )
        if first is not None and last is not None and last < first + 60:
            raise ValidationError(f"is {last}; allowed: at least forecast_from_min + 60 (min)", "forecast_to_min")


class ParametersSchema(Schema):
    """What the collection calls each thing that is read from it."""

    mean_wind = fields.String(validate=validate.Length(1, 200))
    gust = fields.String(validate=validate.Length(1, 200))
    temperature = fields.String(validate=validate.Length(1, 200))
    precipitation_rate = fields.String(validate=validate.Length(1, 200))
    precipitation_type = fields.String(validate=validate.Length(1, 200))
    thunder = fields.String(validate=validate.Length(1, 200))

    @validates_schema
    def _some(self, data: dict[str, Any], **_: Any) -> None:
        if not data:
            raise ValidationError(f"names no parameter; allowed: one or more of {', '.join(self.fields)}")
        if any("," in name or not name.isprintable() for name in data.values()):
            raise ValidationError("a parameter's name is printable and has no comma")


class EdrSettings(_SourceSettings):
    """The settings of ``weather_edr``."""

    url = fields.String(required=True, validate=_url)
    collection = fields.String(
        required=True, validate=validate.Regexp(_COLLECTION, error="allowed: letters, digits and . _ ~ : -, up to 80")
    )
    parameters = fields.Nested(ParametersSchema, required=True)
    z = fields.String(load_default=None, allow_none=True, validate=validate.Regexp(_HEIGHT, error=_HEIGHT_ALLOWED))
    precipitation_words = fields.Dict(
        keys=fields.String(validate=validate.Length(1, 200)),
        values=fields.List(
            fields.String(validate=validate.OneOf(PRECIPITATION, error="allowed: " + ", ".join(PRECIPITATION))),
            validate=validate.Length(1, len(PRECIPITATION)),
        ),
        load_default=dict,
    )
    thunder_at_least = _number(0.000001, 1000000, "in thunder_unit", load_default=None, allow_none=True)
    thunder_unit = fields.String(load_default="%", validate=validate.Length(1, 40))

    @validates_schema
    def _fit_together(self, data: dict[str, Any], **_: Any) -> None:
        parameters = data.get("parameters", {})
        if ("thunder" in parameters) != (data.get("thunder_at_least") is not None):
            raise ValidationError("goes with parameters.thunder, and is needed with it", "thunder_at_least")
        if ("precipitation_type" in parameters) != bool(data.get("precipitation_words")):
            raise ValidationError(
                "goes with parameters.precipitation_type, and is needed with it", "precipitation_words"
            )


class StationSchema(Schema):
    """A station whose reports are read."""

    id = fields.String(
        required=True,
        validate=validate.Regexp(
            _STATION, error="{input} is no location indicator; allowed: four of A to Z and 0 to 9"
        ),
    )
    latitude_deg = _number(-90, 90, "degrees", required=True)
    longitude_deg = _number(-180, 180, "degrees", required=True)


def _template(text: str) -> None:
    if text.count("{station}") != 1 or "{" in text.replace("{station}", "") or "}" in text.replace("{station}", ""):
        raise ValidationError("has to hold {station} once, and no other brace")
    _url(text.replace("{station}", "AAAA"))
    if "{station}" in urlsplit(text).netloc:
        raise ValidationError("has {station} in its host; allowed: in path or query")


class ReportsSettings(_SourceSettings):
    """The settings of ``weather_reports``."""

    metar_url = fields.String(required=True, validate=_template)
    taf_url = fields.String(load_default=None, allow_none=True, validate=_template)
    json_key = fields.String(load_default=None, allow_none=True, validate=validate.Length(1, 100))
    most_stations = _whole(1, 5, "stations", load_default=3)
    stations = fields.List(
        fields.Nested(StationSchema),
        required=True,
        validate=validate.Length(1, _MOST_STATIONS, error=f"allowed: 1 to {_MOST_STATIONS} stations"),
    )

    @validates_schema
    def _stations_differ(self, data: dict[str, Any], **_: Any) -> None:
        ids = [one["id"] for one in data.get("stations", [])]
        twice = [one for one in ids if ids.count(one) > 1]
        if twice:
            raise ValidationError(f"{twice[0]} stands twice", "stations")
        if data.get("taf_url") is not None and data.get("forecast_from_min") is None:
            raise ValidationError("needs forecast_from_min and forecast_to_min", "taf_url")
        if data.get("taf_url") is None and data.get("forecast_from_min") is not None:
            raise ValidationError("needs taf_url", "forecast_from_min")
