"""CloudEvents 1.0 over HTTP: what came in, and what goes out.

Sources: CloudEvents 1.0.2, "JSON Event Format" and "HTTP Protocol Binding". What comes in is read here and not by the
``cloudevents`` library (2.2.0), which takes names that stand twice, makes up an id, a time and a version where they are
missing, refuses attributes that are null, goes by the ``ce-`` headers instead of by the content type, and puts up with
wrong percent-encoding; and what it writes always holds a moment, its own where none is given, so the same event is not
the same bytes twice. It checks this module in the tests.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import unquote_to_bytes

from repairadvisor.plugin import EventUnreadableError, RawEvent
from repairadvisor_webhook.strict_json import NotStrictJsonError, read_json, shown

STRUCTURED = "application/cloudevents+json"
_FAMILY = "application/cloudevents"
_BATCH = "application/cloudevents-batch"
_PREFIX = "ce-"

_NAME = re.compile(r"[a-z0-9]+")
_MOST_INTEGER = 2**31
_JSON_TYPE = re.compile(r"[^/]+/(?:[^/]+\+)?json")
_BAD_PERCENT = re.compile(r"%(?![0-9A-Fa-f]{2})")
_ESCAPED = re.compile(r"\\(.)")
_TIME = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(?P<fraction>\.\d+)?(?P<zone>[Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
# Controls, surrogates and noncharacters: CloudEvents 1.0.2, section "Type System".
_NOT_IN_TEXT = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")

_DATA = ("data", "data_base64")
_REQUIRED = ("specversion", "id", "source", "type")
_TEXTS = (*_REQUIRED, "datacontenttype", "dataschema", "subject", "time")


@dataclass(frozen=True, slots=True)
class CloudEvent:
    """An event that came in: ``attributes`` as they were given, those of the specification checked; ``data`` still as
    it stands in JSON, or as the bytes of the body. ``signed_attributes``: they stand in the body, which is signed."""

    attributes: Mapping[str, str | int | bool]
    data: object
    signed_attributes: bool

    @property
    def type(self) -> str:
        """What kind of event it is."""
        return str(self.attributes["type"])


def received(event: RawEvent, *, binary_mode: bool) -> CloudEvent:
    """The CloudEvent in ``event``; in binary mode only if it is allowed. Raises :class:`EventUnreadableError`."""
    content_type = event.headers.get("content-type", "")
    kind = _media_type(content_type)
    if kind == STRUCTURED:
        return _structured(event.body)
    if kind.startswith(_BATCH):
        raise EventUnreadableError(f"content-type = {shown(kind)}: one event a request is taken, no batch")
    if kind.startswith(_FAMILY):
        raise EventUnreadableError(f"content-type = {shown(kind)}: not a format that is known; allowed: {STRUCTURED}")
    if not any(name.startswith(_PREFIX) for name in event.headers):
        raise EventUnreadableError(f"content-type = {shown(kind)}, and no ce- headers: no CloudEvent")
    if not binary_mode:
        raise EventUnreadableError("a CloudEvent in binary mode is taken only where binary_mode = true is set")
    return _binary(event, content_type)


def _media_type(content_type: str) -> str:
    kind, *parameters = (part.strip().lower() for part in content_type.split(";"))
    charsets = [part.partition("=")[2].strip('"') for part in parameters if part.startswith("charset=")]
    if any(charset != "utf-8" for charset in charsets):
        raise EventUnreadableError(f"content-type = {shown(content_type)}: allowed: charset=utf-8, or none")
    return kind


def _structured(body: bytes) -> CloudEvent:
    envelope = _json(body, "the body")
    if not isinstance(envelope, dict):
        raise EventUnreadableError("the body is JSON but not an object; allowed: one CloudEvent")
    if "data" in envelope and "data_base64" in envelope:
        raise EventUnreadableError("data and data_base64 both stand in the event; allowed: one of them")
    # An attribute that is null is one that is not there: JSON Event Format, section 2.2.
    given = {name: value for name, value in envelope.items() if value is not None and name not in _DATA}
    data = _decoded(envelope["data_base64"]) if "data_base64" in envelope else envelope.get("data")
    return CloudEvent(_attributes(given), data, signed_attributes=True)


def _decoded(encoded: object) -> bytes:
    try:
        return base64.b64decode(encoded if isinstance(encoded, str) else "=", validate=True)
    except (binascii.Error, ValueError):  # ValueError: characters beyond ASCII
        raise EventUnreadableError("data_base64 is not base64") from None


def _binary(event: RawEvent, content_type: str) -> CloudEvent:
    given: dict[str, object] = {
        name.removeprefix(_PREFIX): _header_value(name, value)
        for name, value in event.headers.items()
        if name.startswith(_PREFIX)
    }
    if "datacontenttype" in given:
        raise EventUnreadableError("ce-datacontenttype stands among the headers; allowed: content-type alone")
    if content_type:
        given["datacontenttype"] = content_type
    return CloudEvent(_attributes(given), event.body, signed_attributes=False)


def _header_value(name: str, value: str) -> str:
    """Quotes taken off, then percent-decoded once: HTTP Protocol Binding, section 3.1.3.2."""
    if not (value.isascii() and value.isprintable()):
        raise EventUnreadableError(f"{name} is not printable ASCII")
    if len(value) > 1 and value[0] == value[-1] == '"':
        value = _ESCAPED.sub(r"\1", value[1:-1])
    if _BAD_PERCENT.search(value):
        raise EventUnreadableError(f"{name} = {shown(value)}: % stands without two hexadecimal digits")
    try:
        return unquote_to_bytes(value).decode()
    except UnicodeDecodeError:
        raise EventUnreadableError(f"{name} = {shown(value)}: percent-encoded bytes that are not UTF-8") from None


def _attributes(given: Mapping[str, object]) -> dict[str, str | int | bool]:
    """``given``, each of a type that an attribute may have. Raises :class:`EventUnreadableError` for the first that is
    not, and where a required one is missing."""
    for name in _REQUIRED:
        if name not in given:
            raise EventUnreadableError(f"{name} is missing: no CloudEvent")
    checked = {name: _attribute(name, value) for name, value in given.items()}
    if checked["specversion"] != "1.0":
        raise EventUnreadableError(f"specversion = {shown(given['specversion'])}: allowed: 1.0")
    if "time" in checked:
        moment(str(checked["time"]))
    return checked


def _attribute(name: str, value: object) -> str | int | bool:
    if not _NAME.fullmatch(name):
        raise EventUnreadableError(f"{shown(name)} is no name of an attribute; allowed: small letters and digits")
    if isinstance(value, str):
        if not value and name in _TEXTS:
            raise EventUnreadableError(f"{name} is empty; allowed: a text")
        if _NOT_IN_TEXT.search(value) or any(ord(sign) & 0xFFFE == 0xFFFE for sign in value):
            raise EventUnreadableError(f"{name} = {shown(value)}: holds characters that no attribute may hold")
        return value
    if name in _TEXTS:
        raise EventUnreadableError(f"{name} = {shown(value)}: allowed: a text")
    if isinstance(value, bool) or (isinstance(value, int) and -_MOST_INTEGER <= value < _MOST_INTEGER):
        return value
    raise EventUnreadableError(f"{name} = {shown(value)}: allowed: a text, a whole number of 32 bits, true or false")


def moment(text: str) -> datetime:
    """The moment of an RFC 3339 ``time`` (from memory), with its zone. Raises :class:`EventUnreadableError`; also for
    finer than microseconds, which would have to be cut, and for leap seconds, which cannot be held."""
    found = _TIME.fullmatch(text)
    wrong = EventUnreadableError(f"time = {shown(text)}: allowed: RFC 3339, as 2031-05-04T07:30:00.000001Z")
    if found is None or len((found["fraction"] or ".0").rstrip("0")) > 7:
        raise wrong
    try:
        return datetime.fromisoformat(text.upper())
    except ValueError:
        raise wrong from None


def json_data(event: CloudEvent) -> object:
    """The JSON value in the data of ``event``. Raises :class:`EventUnreadableError` where it is something else."""
    declared = str(event.attributes.get("datacontenttype", "application/json"))
    if not _JSON_TYPE.fullmatch(_media_type(declared)):
        raise EventUnreadableError(f"datacontenttype = {shown(declared)}: allowed: application/json")
    return _json(event.data, "data") if isinstance(event.data, bytes) else event.data


def _json(raw: bytes, what: str) -> object:
    try:
        return read_json(raw)
    except NotStrictJsonError as error:
        raise EventUnreadableError(f"{what}: {error}") from None


def structured(event_id: str, source: str, event_type: str, subject: str, data: Mapping[str, object]) -> bytes:
    """A CloudEvent in structured mode, content type ``STRUCTURED``. The same arguments give the same bytes: a receiver
    can tell that it has had them before, so no clock goes in."""
    envelope = {
        "specversion": "1.0",
        "id": event_id,
        "source": source,
        "type": event_type,
        "subject": subject,
        "datacontenttype": "application/json",
        "data": dict(data),
    }
    return json.dumps(envelope, ensure_ascii=False, separators=(",", ":")).encode()
