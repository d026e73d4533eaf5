"""Mails for the tests. The firm Lanternfield Fibre keeps advice@lanternfield.example; its desk is at desk.example."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from repairadvisor_mailbox import MailboxCarrier, MailboxSource

from repairadvisor.plugin import RawEvent

EXAMPLES = Path(__file__).parent.parent / "examples"
DOMAIN = "lanternfield.example"
PASSED = "mx.lanternfield.example; dkim=pass header.d=desk.example"
AT = "2031-05-04T07:00:00+00:00"


def a_mail(
    body: str | bytes = "place: pole_top\r\n",
    *,
    subject: str = "[T-1042] No light at Pipit Court",
    sender: str = "Desk <tickets@desk.example>",
    passed: str = PASSED,
    content: str = "text/plain; charset=utf-8",
    message_id: str = "<1@desk.example>",
    **headers: str,
) -> bytes:
    """A mail as it lies in the folder. Further headers by name, with _ for -."""
    lines = [
        "Received: from desk.example by mx.lanternfield.example; Sun, 4 May 2031 06:59:59 +0000",
        f"Authentication-Results: {passed}" if passed else "",
        f"From: {sender}" if sender else "",
        "To: advice@lanternfield.example",
        f"Subject: {subject}",
        "Date: Sun, 4 May 2031 06:59:00 +0000",
        f"Message-ID: {message_id}" if message_id else "",
        "MIME-Version: 1.0",
        f"Content-Type: {content}",
        *(f"{name.replace('_', '-')}: {value}" for name, value in headers.items()),
    ]
    head = "\r\n".join(line for line in lines if line).encode("utf-8")
    return head + b"\r\n\r\n" + (body.encode("utf-8") if isinstance(body, str) else body)


def an_event(raw: bytes, at: str = AT, uid: str = "7") -> RawEvent:
    """That mail as it is fetched."""
    return RawEvent({"received-at": at, "uid": uid}, raw)


def an_imap(port: int = 9, **changed: Any) -> dict[str, Any]:
    """Settings of an IMAP server on the loopback interface."""
    return {
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "user": "desk",
        "password": "correct horse",
    } | changed


def an_smtp(port: int = 9, **changed: Any) -> dict[str, Any]:
    """Settings of an SMTP server on the loopback interface."""
    return {"host": "127.0.0.1", "port": port, "security": "none", "timeout_s": 5} | changed


def a_source(port: int = 9, **changed: Any) -> MailboxSource:
    """A source made as the operator's settings make it."""
    settings: dict[str, Any] = {
        "imap": an_imap(port),
        "domain": DOMAIN,
        "senders": ["tickets@desk.example", "@crew.example"],
        "authserv_id": "mx.lanternfield.example",
    }
    return MailboxSource(**MailboxSource.settings().load(settings | changed))


def a_carrier(smtp_port: int = 9, imap_port: int | None = None, **changed: Any) -> MailboxCarrier:
    """A carrier made likewise; with ``imap_port`` it keeps copies."""
    settings: dict[str, Any] = {
        "smtp": an_smtp(smtp_port),
        "domain": DOMAIN,
        "from_address": "advice@lanternfield.example",
        "to": "tickets@desk.example",
    }
    if imap_port is not None:
        settings |= {
            "copies_to": "copies@lanternfield.example",
            "imap": an_imap(imap_port, folder="Copies"),
            "seal": "a seal of sixteen characters",
        }
    return MailboxCarrier(**MailboxCarrier.settings().load(settings | changed))
