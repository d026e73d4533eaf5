"""Notes as mails, on a real SMTP server; and their copies, on a real IMAP server."""

from __future__ import annotations

import email
import email.policy
import re
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mail_host import PASSWORD, USER, MailHost
from mails import DOMAIN, a_carrier, a_mail, a_source, an_event, an_imap, an_smtp
from repairadvisor_mailbox.message_ids import root_id
from repairadvisor_mailbox.note_mail import Envelope, as_mail, as_note, new_note, rewritten_note

from repairadvisor.plugin import HeldNote, Note, NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import a_note

SEAL = "a seal of sixteen characters"
ENVELOPE = Envelope("T-1042", "advice@lanternfield.example", "tickets@desk.example", DOMAIN, SEAL)


def _mail(raw: bytes) -> EmailMessage:
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(message, EmailMessage)
    return message


def _sent(host: MailHost) -> list[EmailMessage]:
    return [_mail(raw) for raw in host.sent_away]


class TestForm:
    """What such a mail looks like."""

    def test_its_headers(self, host: MailHost) -> None:
        """It threads, is known as ours, and no machine answers it (RFC 3834, section 5)."""
        a_carrier(host.smtp_port, host.imap_port).change("T-1042", NoteChange(add=(a_note(1, 2, 3),)))
        (mail,) = _sent(host)
        root = root_id("T-1042", DOMAIN)
        assert dict(mail.items()) | {"Date": "", "Repairadvisor-Seal": ""} == {
            "From": "advice@lanternfield.example",
            "To": "tickets@desk.example",
            "Subject": "[T-1042] STAND OFF. Ring the owner.",
            "Date": "",
            "Message-ID": "<0123456789ab-advice-1-2-3-fedcba9876543210@lanternfield.example>",
            "In-Reply-To": root,
            "References": root,
            "Auto-Submitted": "auto-generated",
            "Repairadvisor-Note": "0123456789ab-advice-1-2-3-fedcba9876543210",
            "Repairadvisor-Ticket": mail["Repairadvisor-Ticket"],
            "Repairadvisor-Seal": "",
            "MIME-Version": "1.0",
            "Content-Type": 'text/plain; charset="utf-8"',
            "Content-Transfer-Encoding": "quoted-printable",
        }
        assert re.fullmatch("[0-9a-f]{32}", str(mail["Repairadvisor-Ticket"]))
        assert SEAL not in host.sent_away[0].decode()
        assert host.envelopes == [
            ("advice@lanternfield.example", ["tickets@desk.example", "copies@lanternfield.example"])
        ]

    def test_no_line_is_longer_than_it_may(self) -> None:
        """RFC 5322, section 2.1.1: 998; RFC 2045, section 6.7: 76 in quoted-printable. From memory."""
        note = new_note("k", "µ" * 5_000 + "\n" + "word " * 900, "d" * 100)
        raw = as_mail(note, Envelope("R" * 200, "a@b.example", "c@d.example", "d" * 100, SEAL))
        head, _, body = raw.partition(b"\r\n\r\n")
        assert max(len(line) for line in head.split(b"\r\n")) <= 998
        assert max(len(line) for line in body.split(b"\r\n")) <= 76
        assert b"\n" not in raw.replace(b"\r\n", b"")
        assert raw.isascii()

    @given(
        st.text(
            alphabet=st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp", "Zs", "Cf", "Cn", "Co"]),
            min_size=1,
            max_size=60,
        ),
        st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=300),
    )
    def test_whatever_is_written_arrives(self, reference: str, words: str) -> None:
        """Text, subject and Message-ID, as another reader of mail has them."""
        if not reference.isprintable():
            return
        envelope = Envelope(reference, "a@b.example", "c@d.example", DOMAIN, SEAL)
        note = new_note("0123456789ab-advice-1-1-1", words, DOMAIN)
        raw = as_mail(note, envelope)
        mail = _mail(raw)
        assert mail.get_content().replace("\r\n", "\n").rstrip("\n") == note.text
        assert str(mail["Subject"]).startswith(f"[{reference}]")
        assert str(mail["Message-ID"]) == note.message_id
        assert as_note(raw, reference, SEAL) == note
        changed = rewritten_note("0123456789ab-advice-1-1-1", 2, words, DOMAIN)
        assert as_note(as_mail(changed, envelope), reference, SEAL) == changed

    @pytest.mark.parametrize("reference", ["T-1\r\nBcc: x@evil.example", "T-1\n", "", "x" * 201, "a\u2028b", "\x00"])
    def test_a_reference_cannot_become_a_header(self, host: MailHost, reference: str) -> None:
        """Nothing is sent."""
        with pytest.raises(RemoteRefusedError, match="reference"):
            a_carrier(host.smtp_port).change(reference, NoteChange(add=(a_note(),)))
        assert host.envelopes == []

    def test_nor_can_a_key_or_a_first_line(self, host: MailHost) -> None:
        """Keys are of letters and digits; a first line is made one line."""
        carrier = a_carrier(host.smtp_port)
        for key in ("a\r\nBcc: x@evil.example", "a b", "", "a@b"):
            with pytest.raises(RemoteRefusedError, match="key"):
                carrier.change("T-1", NoteChange(add=(Note(key, "text"),)))
        carrier.change("T-1", NoteChange(add=(Note("k", "one\rBcc: x@evil.example\x0b\x85two"),)))
        (mail,) = _sent(host)
        assert mail["Bcc"] is None
        assert mail["Subject"] == "[T-1] one"

    def test_a_reply_to_it_is_read_as_of_its_ticket(self) -> None:
        """What goes out comes back: by subject, and by thread where the subject was lost."""
        mail = _mail(as_mail(new_note("k", "Fuse it.", DOMAIN), ENVELOPE))
        for subject in (f"Re: {mail['Subject']}", "your note"):
            reply = a_mail(subject=subject, In_Reply_To=str(mail["Message-ID"]), References=str(mail["References"]))
            ticket = a_source().read(an_event(reply))
            assert ticket is not None
            assert ticket.reference == "T-1042"


class TestLook:
    """Notes as their copies have them."""

    def test_only_those_of_the_ticket(self, host: MailHost) -> None:
        """By another process too."""
        a_carrier(host.smtp_port, host.imap_port).change("T-1", NoteChange(add=(a_note(1),)))
        a_carrier(host.smtp_port, host.imap_port).change("T-2", NoteChange(add=(a_note(2),)))
        held = a_carrier(host.smtp_port, host.imap_port).look("T-1")
        assert held == [HeldNote("<0123456789ab-advice-1-1-1-fedcba9876543210@lanternfield.example>", a_note(1).text)]

    def test_after_a_crash_nothing_is_sent_again(self, host: MailHost) -> None:
        """Another process knows it by its copy."""
        for _ in range(2):
            a_carrier(host.smtp_port, host.imap_port).change("T-1", NoteChange(add=(a_note(1), a_note(2))))
        assert len(host.sent_away) == 2

    def test_while_the_copy_is_on_the_way(self, host: MailHost) -> None:
        """The same process knows what it has sent."""
        host.folders["copies@lanternfield.example"] = "Done"
        carrier = a_carrier(host.smtp_port, host.imap_port)
        for _ in range(2):
            carrier.change("T-1", NoteChange(add=(a_note(),)))
        assert [one.text for one in carrier.look("T-1") or ()] == [a_note().text]
        assert len(host.sent_away) == 1

    def test_before_the_copy_arrives_another_process_sends_the_same_mail(self, host: MailHost) -> None:
        """The window that SMTP leaves open: the receiver gets one Message-ID twice."""
        host.folders["copies@lanternfield.example"] = "Done"
        for _ in range(2):
            a_carrier(host.smtp_port, host.imap_port).change("T-1", NoteChange(add=(a_note(),)))
        first, second = _sent(host)
        assert first["Message-ID"] == second["Message-ID"]

    def test_a_forged_copy_keeps_no_note_from_being_sent(self, host: MailHost) -> None:
        """Neither one that somebody made up, nor a true one that was changed, nor one of another ticket."""
        true = as_mail(new_note(a_note().key, a_note().text, DOMAIN), ENVELOPE)
        forged = [
            as_mail(
                new_note(a_note().key, a_note().text, DOMAIN),
                Envelope("T-1042", "a@b.example", "c@d.example", DOMAIN, "x" * 16),
            ),
            true.replace(b"STAND OFF", b"REPAIR"),
            re.sub(b"Repairadvisor-Seal: [0-9a-f]+\r\n", b"", true),
            re.sub(b"Repairadvisor-Seal: [0-9a-f]+", "Repairadvisor-Seal: é".encode(), true),
            as_mail(
                new_note(a_note().key, a_note().text, DOMAIN),
                Envelope("T-7", "a@b.example", "c@d.example", DOMAIN, SEAL),
            ).replace(
                b"Repairadvisor-Ticket: ", b"Repairadvisor-Ticket: " + str(_mail(true)["Repairadvisor-Ticket"]).encode()
            ),
            b"Repairadvisor-Ticket: " + str(_mail(true)["Repairadvisor-Ticket"]).encode() + b"\r\n\r\nx",
        ]
        for raw in forged:
            host.put(raw, "Copies")
        carrier = a_carrier(host.smtp_port, host.imap_port)
        assert carrier.look("T-1042") == []
        host.put(true, "Copies")
        assert [one.text for one in carrier.look("T-1042") or ()] == [a_note().text]

    def test_it_sees_nothing_as_read(self, host: MailHost) -> None:
        """The copies stay as they are."""
        carrier = a_carrier(host.smtp_port, host.imap_port)
        carrier.change("T-1", NoteChange(add=(a_note(),)))
        carrier.look("T-1")
        assert host.flags("Copies") == [frozenset()]

    def test_where_it_cannot_be_looked_nothing_is_sent(self, host: MailHost) -> None:
        """It is tried again later."""
        carrier = a_carrier(host.smtp_port, 9)
        with pytest.raises(RemoteUnavailableError, match="IMAP"):
            carrier.change("T-1", NoteChange(add=(a_note(),)))
        assert host.envelopes == []


class TestRewritten:
    """A mail cannot be taken back: what a note says now is sent as another."""

    def test_the_copy_tells_what_it_says_now(self, host: MailHost) -> None:
        """Under the handle of the first; and told twice, it is sent once."""
        carrier = a_carrier(host.smtp_port, host.imap_port)
        carrier.change("T-1", NoteChange(add=(a_note(),)))
        (held,) = carrier.look("T-1") or ()
        said = f"SUPERSEDED.\n{held.text}"
        for one in (carrier, carrier, a_carrier(host.smtp_port, host.imap_port)):
            one.change("T-1", NoteChange(rewrite=((held, said),)))
            assert one.look("T-1") == [HeldNote(held.handle, said)]
        first, changed = _sent(host)
        assert changed["Subject"] == "[T-1] Changed: SUPERSEDED."
        assert (
            changed.get_content()
            .replace("\r\n", "\n")
            .startswith(f"In place of the note {a_note().key}:\nSUPERSEDED.\n")
        )
        assert changed["Message-ID"] != first["Message-ID"]

    def test_back_to_what_it_said(self, host: MailHost) -> None:
        """Each time a mail of its own."""
        carrier = a_carrier(host.smtp_port, host.imap_port)
        carrier.change("T-1", NoteChange(add=(a_note(),)))
        other = f"SUPERSEDED.\n{a_note().text}"
        for said in (other, a_note().text, other):
            (held,) = carrier.look("T-1") or ()
            carrier.change("T-1", NoteChange(rewrite=((held, said),)))
            assert [one.text for one in carrier.look("T-1") or ()] == [said]
        assert len({mail["Message-ID"] for mail in _sent(host)}) == 4

    def test_the_new_note_comes_last(self, host: MailHost) -> None:
        """Whoever reads the ticket from below reads what holds."""
        carrier = a_carrier(host.smtp_port)
        old = HeldNote("x", a_note(1).text)
        carrier.change("T-1", NoteChange(add=(a_note(2),), rewrite=((old, f"SUPERSEDED.\n{old.text}"),)))
        assert [str(mail["Subject"]) for mail in _sent(host)] == [
            "[T-1] Changed: SUPERSEDED.",
            "[T-1] STAND OFF. Ring the owner.",
        ]

    def test_another_s_note_is_not_touched(self, host: MailHost) -> None:
        """It has no mark of ours."""
        with pytest.raises(RemoteRefusedError, match="no note of ours"):
            a_carrier(host.smtp_port).change("T-1", NoteChange(rewrite=((HeldNote("<x@y>", "Hello"), "Bye"),)))


class TestAnswers:
    """What an SMTP server says: RFC 5321, section 4.2.1, from memory."""

    @pytest.mark.parametrize("at", ["MAIL", "tickets@desk.example", "DATA"])
    @pytest.mark.parametrize(
        ("answer", "error"),
        [("451 4.7.1 come back later", RemoteUnavailableError), ("550 5.1.1 no such user", RemoteRefusedError)],
    )
    def test_a_refusal(self, host: MailHost, at: str, answer: str, error: type[Exception]) -> None:
        """For now or for good; nothing was delivered, and the next attempt sends it."""
        carrier = a_carrier(host.smtp_port, host.imap_port)
        host.answers[at] = answer
        with pytest.raises(error, match=answer[4:]):
            carrier.change("T-1", NoteChange(add=(a_note(),)))
        assert (host.sent_away, carrier.look("T-1")) == ([], [])
        carrier.change("T-1", NoteChange(add=(a_note(),)))
        assert len(host.sent_away) == 1

    @pytest.mark.parametrize("answer", ["451 later", "550 no such user"])
    def test_without_its_copy_a_note_is_not_sent(self, host: MailHost, answer: str) -> None:
        """Else it would be sent again and again. The operator can mend it, so it is tried again."""
        host.answers["copies@lanternfield.example"] = answer
        with pytest.raises(RemoteUnavailableError, match="copies_to"):
            a_carrier(host.smtp_port, host.imap_port).change("T-1", NoteChange(add=(a_note(),)))
        assert host.sent_away == []

    def test_of_several_what_was_sent_is_not_sent_again(self, host: MailHost) -> None:
        """The second of three is refused for now."""
        carrier = a_carrier(host.smtp_port)
        notes = tuple(a_note(part=part, parts=3) for part in (1, 2, 3))
        carrier.change("T-1", NoteChange(add=notes[:1]))
        host.answers["DATA"] = "451 later"
        with pytest.raises(RemoteUnavailableError):
            carrier.change("T-1", NoteChange(add=notes))
        carrier.change("T-1", NoteChange(add=notes))
        assert [str(mail["Repairadvisor-Note"]) for mail in _sent(host)] == [note.key for note in notes]

    def test_whether_it_arrived_is_not_known(self, host: MailHost) -> None:
        """The server took it and said otherwise: the next attempt finds the copy."""
        host.answers["AFTER"] = "451 lost my mind"
        carrier = a_carrier(host.smtp_port, host.imap_port)
        with pytest.raises(RemoteUnavailableError):
            carrier.change("T-1", NoteChange(add=(a_note(),)))
        carrier.change("T-1", NoteChange(add=(a_note(),)))
        assert len(host.sent_away) == 1

    def test_login(self, host: MailHost) -> None:
        """A wrong password is not told, and is tried again later."""
        right = an_smtp(host.smtp_port, user=USER, password=PASSWORD)
        a_carrier(smtp=right).change("T-1", NoteChange(add=(a_note(),)))
        assert len(host.sent_away) == 1
        with pytest.raises(RemoteUnavailableError, match="login of desk was refused") as error:
            a_carrier(smtp=right | {"password": "not this one"}).change("T-1", NoteChange(add=(a_note(),)))
        assert "not this one" not in str(error.value)
        assert error.value.retry_after_s == 300

    def test_nobody_listens(self) -> None:
        """Port 9 of the loopback interface."""
        with pytest.raises(RemoteUnavailableError, match=r"SMTP 127\.0\.0\.1:9"):
            a_carrier().change("T-1", NoteChange(add=(a_note(),)))


def test_secrets_are_in_no_repr() -> None:
    """A traceback may show it."""
    source, carrier = a_source(), a_carrier(9, 9, imap=an_imap(9, password="kept to itself"))
    for thing in (source._folder._server, carrier._imap, carrier._smtp):
        assert "kept to itself" not in repr(thing)
        assert PASSWORD not in repr(thing)
