"""Loops and bounces.

RFC 3834 is from memory, but for the keywords of Auto-Submitted, which are IANA's registry of them. The report's fields
are those of RFC 3464's own examples ("simple", "multi", "delayed") as another project's tests quote them, with hosts
and people replaced; the rest of RFC 3464 is from memory.
"""

from __future__ import annotations

from typing import Any

import pytest
from mail_host import MailHost
from mails import EXAMPLES, a_carrier, a_mail, a_source, an_event

from repairadvisor.plugin import EventUnreadableError, NoteChange, RawEvent, Ticket
from repairadvisor.testing import a_note

BOUNCE = (EXAMPLES / "bounce.eml").read_bytes()


def _read(raw: bytes, **settings: Any) -> Ticket | None:
    return a_source(**settings).read(an_event(raw))


@pytest.mark.parametrize(
    "headers",
    [
        {"Auto_Submitted": "auto-generated"},
        {"Auto_Submitted": "auto-replied (vacation)"},
        {"Auto_Submitted": "Auto-Notified; owner-email=a@b.example"},
        {"Auto_Submitted": "something-new"},
        {"Precedence": "bulk"},
        {"Precedence": "Junk"},
        {"Precedence": "list"},
        {"Return_Path": "<>"},
        {"Repairadvisor_Note": "0123456789ab-advice-1-1-1"},
        {"message_id": "<0123456789ab-advice-1-1-1@lanternfield.example>"},
    ],
)
def test_a_machine_s_mail_is_no_ticket(headers: dict[str, str]) -> None:
    """And no error: it rightly tells of none."""
    assert _read(a_mail(**headers)) is None


@pytest.mark.parametrize("headers", [{"Auto_Submitted": "no"}, {"Auto_Submitted": "No (really)"}, {"Precedence": "x"}])
def test_a_person_s_mail_is_one(headers: dict[str, str]) -> None:
    """ "no" is the same as no header: RFC 3834, section 5."""
    assert _read(a_mail(**headers)) is not None


def test_the_out_of_office_example_is_no_ticket() -> None:
    """Whatever it says."""
    assert _read((EXAMPLES / "out_of_office.eml").read_bytes()) is None


def test_the_ticket_system_itself_may_be_a_machine() -> None:
    """Where the operator names it: else a desk that only speaks mail could tell nothing. Its replies still say nothing,
    and it has to be shown to be the sender."""
    desk = {"automatic_from": ["Tickets@desk.example"]}
    for headers in ({"Auto_Submitted": "auto-generated"}, {"Precedence": "bulk"}, {"Return_Path": "<>"}):
        assert _read(a_mail(**headers), **desk) is not None
    assert _read(a_mail(Auto_Submitted="auto-replied"), **desk) is None
    assert _read(a_mail(sender="van4@crew.example", Auto_Submitted="auto-generated"), **desk) is None
    with pytest.raises(EventUnreadableError, match="does not say"):
        _read(a_mail(passed="", Auto_Submitted="auto-generated"), **desk)


class TestReturned:
    """A note of ours that came back."""

    def test_it_is_shown(self) -> None:
        """Which note, to whom and why."""
        with pytest.raises(EventUnreadableError) as shown:
            _read(BOUNCE)
        assert str(shown.value) == (
            "our note 0123456789ab-advice-1-1-1 bounced:"
            " to tickets@desk.example: failed 5.0.0 (permanent failure) smtp; 550 user unknown"
        )

    def test_by_its_message_id_alone(self) -> None:
        """Some servers return few headers: RFC 3462, text/rfc822-headers, from memory."""
        lines = BOUNCE.replace(b"Repairadvisor-Note: 0123456789ab-advice-1-1-1\n", b"")
        lines = lines.replace(b"Content-Type: message/rfc822", b"Content-Type: text/rfc822-headers")
        with pytest.raises(EventUnreadableError, match="our note 0123456789ab-advice-1-1-1 bounced"):
            _read(lines)

    def test_a_delay_is_shown(self) -> None:
        """A crew may be waiting for it."""
        fields = b"Action: delayed\nStatus: 4.0.0 (unknown temporary failure)"
        delayed = BOUNCE.replace(b"Action: failed\nStatus: 5.0.0 (permanent failure)", fields)
        with pytest.raises(EventUnreadableError, match=r"delayed 4\.0\.0"):
            _read(delayed)

    @pytest.mark.parametrize("action", [b"delivered", b"relayed", b"expanded"])
    def test_that_it_arrived_is_no_matter(self, action: bytes) -> None:
        """Nothing is to be done."""
        assert _read(BOUNCE.replace(b"Action: failed", b"Action: " + action)) is None

    def test_another_s_mail_is_no_matter(self) -> None:
        """Somebody wrote mails in our name."""
        other = BOUNCE.replace(b"Repairadvisor-Note: 0123456789ab-advice-1-1-1\n", b"").replace(
            b"Message-ID: <0123456789ab-advice-1-1-1@lanternfield.example>", b"Message-ID: <x@evil.example>"
        )
        assert _read(other) is None

    def test_a_report_that_does_not_say_about_what_is_shown(self) -> None:
        """It may be about a note."""
        cut = BOUNCE[: BOUNCE.index(b"--report\nContent-Type: message/rfc822")] + b"--report--\n"
        with pytest.raises(EventUnreadableError, match=r"our note \(not named\) bounced"):
            _read(cut)

    def test_a_form_of_their_own(self) -> None:
        """A server that knows no RFC 3464 sends back what it was sent."""
        raw = a_mail("Unknown.\r\n\r\nRepairadvisor-Note: 0123456789ab-advice-1-1-1\r\n", Return_Path="<>")
        with pytest.raises(EventUnreadableError, match="0123456789ab-advice-1-1-1 seems to have come back"):
            _read(raw)

    def test_hostile_fields_stay_one_line(self) -> None:
        """The reason is shown to the operator."""
        raw = BOUNCE.replace(b"550 user unknown", b"550 \x1b[2J" + b"x" * 900)
        with pytest.raises(EventUnreadableError) as shown:
            _read(raw)
        assert str(shown.value).isprintable()
        assert len(str(shown.value)) < 500


class TestOurOwn:
    """A note that comes back to us as a mail."""

    def test_a_copy_in_the_mailbox_makes_no_ticket(self, host: MailHost) -> None:
        """Also where copies and tickets come into one folder."""
        host.folders["copies@lanternfield.example"] = "INBOX"
        a_carrier(host.smtp_port, host.imap_port).change("T-1042", NoteChange(add=(a_note(),)))
        source = a_source(
            host.imap_port, senders=["@lanternfield.example"], authserv_id="", trust_senders_unauthenticated=True
        )
        fetched = source.fetch("")
        assert len(fetched.events) == 1
        assert [source.read(event) for _, event in fetched.events] == [None]

    def test_a_note_that_is_sent_on_makes_no_ticket(self) -> None:
        """A ticket system tells all who watch a ticket of each note in it."""
        assert _read(a_mail(f"New note:\r\n\r\n{a_note().text}\r\n")) is None

    def test_with_facts_beside_it_somebody_has_to_look(self) -> None:
        """A person may have written above it, in a form that is not known as a quotation."""
        with pytest.raises(EventUnreadableError, match="unquoted"):
            _read(a_mail(f"place: chamber\r\n\r\n{a_note().text}\r\n"))

    def test_a_reply_that_quotes_it_is_read(self) -> None:
        """The mark in the quotation is no matter."""
        quoted = "".join(f"> {line}\r\n" for line in a_note().text.splitlines())
        ticket = _read(a_mail(f"place: chamber\r\n\r\n{quoted}"))
        assert ticket is not None
        assert set(ticket.facts) == {"place"}


def test_a_mail_too_large_is_set_aside() -> None:
    """Before anything else is looked at."""
    event = RawEvent({"too-large": "9 bytes; allowed: 8"}, a_mail(Auto_Submitted="auto-replied"))
    with pytest.raises(EventUnreadableError, match="too large: 9 bytes"):
        a_source().read(event)
