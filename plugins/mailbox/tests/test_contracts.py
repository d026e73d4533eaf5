"""What every plugin must keep."""

from __future__ import annotations

import base64
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from mail_host import MailHost
from mails import EXAMPLES, a_carrier, a_mail, a_source, an_event
from repairadvisor_mailbox import MailboxCarrier, MailboxSource

from repairadvisor.plugin import EventRefusedError, RawEvent
from repairadvisor.testing import (
    HOSTILE_TEXTS,
    NoteCarrierContract,
    PolledSourceContract,
    TicketSourceContract,
    installed_plugin,
)


def _with_text(text: str) -> RawEvent:
    """A mail that has a text wherever people write freely: subject, quotation, signature, HTML, and an attachment."""
    word = base64.b64encode(text.encode()).decode()
    pieces = [word[i : i + 400] for i in range(0, len(word), 400)]  # 400 is a multiple of 4: each piece decodes alone
    subject = "[T-1042]" + "".join(f"\r\n =?utf-8?b?{piece}?=" for piece in pieces)
    plain = f"place: pole_top\r\nplug_family: unknown\r\n-- \r\n{text}\r\n> {text}\r\n"
    parts = [
        ("text/plain; charset=utf-8", plain),
        ("text/html; charset=utf-8", f"<p>{text}</p>\r\n<pre>\r\nplace: chamber\r\n</pre>\r\n"),
        ("text/plain; charset=utf-8\r\nContent-Disposition: attachment; filename=more.txt", f"{text}\r\n"),
    ]
    body = "".join(f"--b\r\nContent-Type: {kind}\r\n\r\n{content}\r\n" for kind, content in parts) + "--b--\r\n"
    return an_event(a_mail(body, subject=subject, content="multipart/mixed; boundary=b"))


class TestSource(TicketSourceContract):
    """The source reads what it should and guesses nothing."""

    @pytest.fixture
    def source(self) -> MailboxSource:
        return a_source()

    @pytest.fixture
    def event(self) -> RawEvent:
        return an_event((EXAMPLES / "ticket.eml").read_bytes())

    @pytest.fixture
    def nonsense(self) -> list[RawEvent]:
        return [
            an_event(raw)
            for raw in (b"", b"\xff\xfe\x00", b"no header at all", a_mail(subject="no reference"), a_mail(sender=""))
        ]

    @pytest.fixture
    def event_with_text(self) -> dict[str, RawEvent]:
        return {text: _with_text(text) for text in ("", *HOSTILE_TEXTS)}


class TestPolled(PolledSourceContract):
    """The folder is read from a cursor on; what is settled gets marked as seen."""

    @pytest.fixture
    def source(self, host: MailHost) -> MailboxSource:
        for number in (1, 2, 3):
            host.put(a_mail(message_id=f"<{number}@desk.example>"))
        return a_source(host.imap_port)


class TestPolledAndMoved(PolledSourceContract):
    """And where it is moved instead."""

    @pytest.fixture
    def source(self, host: MailHost) -> MailboxSource:
        for number in (1, 2, 3):
            host.put(a_mail(message_id=f"<{number}@desk.example>"))
        return a_source(host.imap_port, settle_by="move", done_folder="Done")


class TestCarrier(NoteCarrierContract):
    """A carrier that keeps copies."""

    @pytest.fixture
    def carrier(self, host: MailHost) -> MailboxCarrier:
        return a_carrier(host.smtp_port, host.imap_port)

    @pytest.fixture
    def reference(self) -> str:
        return "T-1042"

    @pytest.fixture
    def written(self, host: MailHost) -> Callable[[], list[str]]:
        return host.texts_sent_away


class TestCarrierWithoutCopies(NoteCarrierContract):
    """A carrier that cannot look."""

    @pytest.fixture
    def carrier(self, host: MailHost) -> MailboxCarrier:
        return a_carrier(host.smtp_port)

    @pytest.fixture
    def reference(self) -> str:
        return "T-1042"

    @pytest.fixture
    def written(self, host: MailHost) -> Callable[[], list[str]]:
        return host.texts_sent_away


def test_it_is_installed_under_its_name() -> None:
    """Both entry points of the distribution."""
    assert installed_plugin("sources", "mailbox").made_by is MailboxSource
    assert installed_plugin("carriers", "mailbox").made_by is MailboxCarrier


def test_it_takes_no_events_over_http() -> None:
    """Whoever posts something to its address is refused."""
    with pytest.raises(EventRefusedError):
        a_source().authenticate(RawEvent({}, a_mail()), datetime(2031, 5, 4, tzinfo=UTC))
