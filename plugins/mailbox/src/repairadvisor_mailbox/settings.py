"""The operator's settings, and the two mail servers they name."""

from __future__ import annotations

import ipaddress
import re
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from marshmallow import Schema, ValidationError, fields, post_load, validate, validates_schema

from repairadvisor.plugin import LEAST_LONGEST_NOTE

#: A reference in square brackets that holds a digit: a tag that a mail gateway puts before a subject holds none.
REFERENCE_PATTERN = r"\[((?=[^\]]*[0-9])[A-Za-z0-9][A-Za-z0-9._/-]{0,60})\]"
ADDRESS = re.compile(
    r"[A-Za-z0-9!#$%&'*+/=?^_{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_{|}~-]+)*@[A-Za-z0-9-]+(?:\.[A-Za-z0-9-]+)*"
)
LONGEST_ADDRESS = 180

_DOMAIN = r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*"
_LINE = r"[^\x00-\x1f\x7f]*"
_PORTS = {"imap": {"tls": 993, "starttls": 143, "none": 143}, "smtp": {"tls": 465, "starttls": 587, "none": 25}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """A mail server: where it is, how the line to it is kept secret, and as whom to log in ("": not at all)."""

    host: str
    port: int
    security: str
    user: str
    password: str = field(repr=False)
    timeout_s: float
    ca_file: str
    folder: str = ""

    def context(self) -> ssl.SSLContext:
        """TLS that checks the server's name and certificate. Raises :class:`OSError` for a file that cannot be read."""
        return ssl.create_default_context(cafile=self.ca_file or None)

    def without_secret(self, text: str) -> str:
        """Something the server or a library said, as one printable line that does not hold the password."""
        if self.password:
            text = text.replace(self.password, "***")
        return shown(text)


def shown(text: str, longest: int = 200) -> str:
    """What others wrote, as one short printable line."""
    line = "".join(char if char.isprintable() else " " for char in text).strip()
    return line if len(line) <= longest else line[: longest - 1] + "…"


def _line(longest: int, least: int = 1) -> list[Any]:
    return [validate.Length(least, longest), validate.Regexp(rf"{_LINE}\Z", error="holds a control character")]


def is_address(text: str) -> None:
    """A marshmallow validator: one plain mail address, without name or brackets."""
    if len(text) > LONGEST_ADDRESS or not ADDRESS.fullmatch(text):
        raise ValidationError(f"is no mail address; allowed: name@domain, ASCII, up to {LONGEST_ADDRESS} characters")


def _is_sender(text: str) -> None:
    if "*" in text:  # an address may hold it, but who writes it here means something else
        raise ValidationError("holds a *; for all of a domain write @domain")
    is_address(f"x{text}" if text.startswith("@") else text)


def _is_domain() -> list[Any]:
    return [validate.Length(1, 100), validate.Regexp(rf"{_DOMAIN}\Z", error="is no domain")]


class _ServerSettings(Schema):
    kind = ""

    host = fields.String(required=True, validate=[validate.Length(1, 255), validate.Regexp(r"[A-Za-z0-9.:-]+\Z")])
    port = fields.Integer(load_default=None, strict=True, validate=validate.Range(1, 65535))
    security = fields.String(load_default="tls", validate=validate.OneOf(["tls", "starttls", "none"]))
    timeout_s = fields.Float(load_default=20.0, validate=validate.Range(1, 120))
    ca_file = fields.String(load_default="", validate=_line(4096, 0))

    @validates_schema
    def _plain_only_at_home(self, data: Mapping[str, Any], **_: Any) -> None:
        """Without TLS, password and mail can be read and changed by anybody on the way."""
        if data.get("security") == "none" and not _is_loopback(data["host"]):
            raise ValidationError("none: allowed only for the loopback interface; use tls or starttls", "security")

    @post_load
    def _made(self, data: dict[str, Any], **_: Any) -> Server:
        port = data.pop("port") or _PORTS[self.kind][data["security"]]
        return Server(port=port, **data)


class ImapSettings(_ServerSettings):
    """An IMAP server and a folder on it."""

    kind = "imap"
    user = fields.String(required=True, validate=_line(200))
    password = fields.String(required=True, load_only=True, validate=_line(500))
    folder = fields.String(load_default="INBOX", validate=_line(200))


class SmtpSettings(_ServerSettings):
    """An SMTP server that takes our mail."""

    kind = "smtp"
    user = fields.String(load_default="", validate=_line(200, 0))
    password = fields.String(load_default="", load_only=True, validate=_line(500, 0))


class SourceSettings(Schema):
    """The settings of :class:`~repairadvisor_mailbox.MailboxSource`."""

    imap = fields.Nested(ImapSettings, required=True)
    domain = fields.String(required=True, validate=_is_domain())
    senders = fields.List(fields.String(validate=_is_sender), required=True, validate=validate.Length(1, 500))
    authserv_id = fields.String(load_default="", validate=[validate.Length(0, 200), validate.Regexp(r"[!-~]*\Z")])
    trust_senders_unauthenticated = fields.Boolean(load_default=False, truthy={True}, falsy={False})
    automatic_from = fields.List(fields.String(validate=is_address), load_default=list, validate=validate.Length(0, 50))
    reference_pattern = fields.String(load_default=REFERENCE_PATTERN, validate=_line(300))
    settle_by = fields.String(load_default="seen", validate=validate.OneOf(["seen", "move", "leave"]))
    done_folder = fields.String(load_default="", validate=_line(200, 0))
    poll_every_s = fields.Float(load_default=30.0, validate=validate.Range(5, 3600))
    most_per_fetch = fields.Integer(load_default=50, strict=True, validate=validate.Range(1, 500))
    largest_mail_bytes = fields.Integer(
        load_default=5_000_000, strict=True, validate=validate.Range(10_000, 25_000_000)
    )


class CarrierSettings(Schema):
    """The settings of :class:`~repairadvisor_mailbox.MailboxCarrier`."""

    smtp = fields.Nested(SmtpSettings, required=True)
    domain = fields.String(required=True, validate=_is_domain())
    from_address = fields.String(required=True, validate=is_address)
    to = fields.String(required=True, validate=is_address)
    copies_to = fields.String(load_default="", validate=lambda text: is_address(text) if text else None)
    imap = fields.Nested(ImapSettings, load_default=None)
    seal = fields.String(load_default="", load_only=True, validate=_line(500, 0))
    longest_note = fields.Integer(
        load_default=20_000, strict=True, validate=validate.Range(LEAST_LONGEST_NOTE, 100_000)
    )


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
