"""What a mail says of a ticket, and what it does not."""

from __future__ import annotations

import base64
import quopri
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mails import AT, DOMAIN, EXAMPLES, a_mail, a_source, an_event
from repairadvisor_mailbox.fact_lines import own_words, told
from repairadvisor_mailbox.message_ids import reference_of_root, root_id

from repairadvisor.plugin import FACT_NAMES, EventUnreadableError, RawEvent, Site, Ticket


def _read(body: str | bytes = "place: pole_top\r\n", **changed: Any) -> Ticket | None:
    return a_source().read(an_event(a_mail(body, **changed)))


def _ticket(body: str | bytes = "place: pole_top\r\n", **changed: Any) -> Ticket:
    ticket = _read(body, **changed)
    assert ticket is not None
    return ticket


def _facts(body: str | bytes, **changed: Any) -> dict[str, object]:
    """Facts without source and time."""
    found: dict[str, object] = {}
    for name, report in _ticket(body, **changed).facts.items():
        each = report if isinstance(report, list) else [report]
        plain = [{key: value for key, value in one.items() if key not in ("source", "seen_at")} for one in each]
        found[name] = plain if isinstance(report, list) else plain[0]
    return found


def test_the_example_is_read_whole() -> None:
    """Each fact in the form of a request, with who told it and when it came in."""
    ticket = a_source().read(RawEvent({"received-at": AT, "uid": "7"}, (EXAMPLES / "ticket.eml").read_bytes()))
    assert ticket is not None
    assert ticket.reference == "T-1042"
    assert ticket.sequence == int(datetime(2031, 5, 4, 7, tzinfo=UTC).timestamp()) * 1_000_000 + 7
    assert ticket.site == Site(51.5, -0.1)
    assert not ticket.ended
    told_by = {"source": "mail of tickets@desk.example", "seen_at": AT}
    assert ticket.facts == {
        "place": {"value": "pole_top"} | told_by,
        "wind_gust_mps": {"between": [9.0, 12.0], "unit": "m/s"} | told_by,
        "fibre_type_near": {"one_of": ["g652d", "g657a1"]} | told_by,
        "fibres_down_count": {"value": 12.0} | told_by,
        "fault_located": {"value": "yes"} | told_by,
    }


def test_a_reply_ends_the_ticket() -> None:
    """And what it quotes is not read, our mark in it included."""
    ticket = a_source().read(an_event((EXAMPLES / "ended.eml").read_bytes()))
    assert ticket is not None
    assert (ticket.reference, ticket.ended, dict(ticket.facts)) == ("T-1042", True, {})


@pytest.mark.parametrize(
    "line",
    [
        "Place: pole_top",  # another name
        " place: pole_top",  # not at the start of a line
        "place : ",  # nothing said
        "place:",
        "- place: pole_top",
        "the place: pole_top",
        "place pole_top",
        "place= pole_top",
        "note: call me",  # a name that is no fact
        "pole_colour: brown",
    ],
)
def test_what_looks_nearly_so_is_free_text(line: str) -> None:
    """It is left out, and no error either."""
    assert _facts(f"{line}\r\n") == {}


@pytest.mark.parametrize(
    "end",
    [
        "> quoted",
        "-- ",
        "--",
        "-----Original Message-----",
        "________________________________",
        "From: somebody",
        "##- Please type your reply above this line -##",
        "Reply above this line.",
    ],
)
def test_nothing_is_read_below_a_quotation_or_a_signature(end: str) -> None:
    """Common practice of mail programs, no source; the signature is RFC 3676, section 4.3, from memory."""
    assert _facts(f"place: pole_top\r\n{end}\r\ndepth_m: 3\r\n") == {"place": {"value": "pole_top"}}


def test_a_fact_given_twice_is_two_reports() -> None:
    """The core bounds what they say; the same text twice is one."""
    assert _facts("depth_m: 2\r\ndepth_m: 3 m\r\nplace: chamber\r\nplace: chamber\r\n") == {
        "depth_m": [{"value": 2.0}, {"value": 3.0, "unit": "m"}],
        "place": {"value": "chamber"},
    }


def test_moments_and_no_meaning() -> None:
    """As a person types them at a shell."""
    assert _facts("deadline_at: 2031-05-04T12:00:00Z\r\ndepth_m: n/a\r\n") == {
        "deadline_at": {"value": "2031-05-04T12:00:00Z"},
        "depth_m": {"not_applicable": True},
    }


@pytest.mark.parametrize(
    ("lines", "named"),
    [
        ("ticket-ended: perhaps", "ticket-ended = perhaps"),
        ("ticket-ended: yes\r\nticket-ended: no", "ticket-ended is given as yes and as no"),
        ("parent: the one of yesterday", "parent = the one"),
        ("latitude: 51.5", "longitude is not given"),
        ("latitude: 91\r\nlongitude: 0", "latitude = 91: allowed: -90 to 90 (degrees)"),
        ("latitude: 51,5\r\nlongitude: 0", "latitude = 51,5"),
        ("latitude: nan\r\nlongitude: 0", "latitude = nan"),
        (f"place: {'a' * 201}", "place is 201 characters long; allowed: 1 to 200"),
    ],
)
def test_a_wrong_line_about_the_ticket_is_named(lines: str, named: str) -> None:
    """Field, value and what is allowed."""
    with pytest.raises(EventUnreadableError) as refused:
        _read(lines)
    assert named in str(refused.value)


def test_parent_and_place_of_the_fault() -> None:
    """The other lines that are no facts."""
    ticket = _ticket("parent: T-7\r\nlatitude: -33.25\r\nlongitude: +151\r\nticket-ended: no\r\n")
    assert (ticket.parent, ticket.site, ticket.ended) == ("T-7", Site(-33.25, 151.0), False)


class TestReference:
    """Which ticket a mail is about."""

    @pytest.mark.parametrize(
        ("subject", "reference"),
        [
            ("[T-1042] No light", "T-1042"),
            ("Re: AW: [T-1042] No light", "T-1042"),
            ("[EXTERNAL] [T-1042] No light", "T-1042"),  # a gateway's tag holds no digit
            ("=?utf-8?q?=5BT-1042=5D?= No light", "T-1042"),
            ("[T-1042] No light [T-1042]", "T-1042"),
        ],
    )
    def test_in_the_subject(self, subject: str, reference: str) -> None:
        """In brackets, wherever."""
        assert _ticket(subject=subject).reference == reference

    @pytest.mark.parametrize("subject", ["No light", "[EXTERNAL] No light", "[T-1] as [T-2]", "[T 1042]", "[]", ""])
    def test_none_or_several_is_set_aside(self, subject: str) -> None:
        """None is chosen."""
        with pytest.raises(EventUnreadableError, match="ticket"):
            _read(subject=subject)

    def test_by_the_mail_it_replies_to(self) -> None:
        """Where somebody took the reference out of the subject."""
        thread = f"<other@desk.example> {root_id('T-1042', DOMAIN)}"
        assert _ticket(subject="No light", References=thread).reference == "T-1042"
        assert _ticket(subject="[T-7] No light", References=thread).reference == "T-7"

    def test_another_pattern(self) -> None:
        """The operator's own."""
        source = a_source(reference_pattern=r"Ticket#([0-9]+)")
        ticket = source.read(an_event(a_mail(subject="Ticket#4711 [T-1] No light")))
        assert ticket is not None
        assert ticket.reference == "4711"

    @given(st.text(min_size=1, max_size=200))
    def test_a_reference_comes_back_from_its_thread_or_not_at_all(self, reference: str) -> None:
        """Never another one."""
        try:
            size = len(reference.encode())
        except UnicodeEncodeError:
            return
        assert reference_of_root(root_id(reference, DOMAIN), DOMAIN) == (reference if size <= 50 else None)

    @given(st.text(alphabet="abcxyz234567=<>@.", max_size=40))
    def test_a_made_up_thread_names_nothing_that_we_would_not_write(self, local: str) -> None:
        """Base32 has several writings of one text; only ours counts."""
        made_up = f"<ticket.{local}@{DOMAIN}>"
        reference = reference_of_root(made_up, DOMAIN)
        assert reference is None or root_id(reference, DOMAIN) == made_up


class TestTime:
    """Which mail was said later."""

    def test_what_the_mailbox_says_counts_first(self) -> None:
        """Then the topmost Received, then Date."""
        raw = a_mail()
        at = {
            AT: RawEvent({"received-at": AT}, raw),
            "2031-05-04T06:59:59+00:00": RawEvent({}, raw),
            "2031-05-04T06:59:00+00:00": RawEvent({}, raw.replace(b"Received:", b"X-Other:")),
        }
        for moment, event in at.items():
            ticket = a_source().read(event)
            assert ticket is not None
            assert ticket.sequence == int(datetime.fromisoformat(moment).timestamp()) * 1_000_000

    def test_within_a_second_the_order_of_arrival_counts(self) -> None:
        """IMAP tells whole seconds."""
        first, second = (a_source().read(an_event(a_mail(), uid=uid)) for uid in ("7", "8"))
        assert first is not None
        assert second is not None
        assert first.sequence < second.sequence

    @pytest.mark.parametrize("at", ["1931-05-04T07:00:00+00:00", "0001-01-01T00:00:00+14:00"])
    def test_before_1970_is_set_aside(self, at: str) -> None:
        """A sequence has no sign."""
        raw = a_mail().replace(b"Received:", b"X-Other:").replace(b"Date:", b"X-Date:")
        with pytest.raises(EventUnreadableError):
            a_source().read(an_event(raw, at=at))


class TestForms:
    """How a text may be wrapped: RFC 2045 and RFC 3676, from memory."""

    def test_transfer_encodings_and_character_sets(self) -> None:
        """All say the same."""
        text = "Straße gesperrt\r\nplace: pole_top\r\n"
        latin = text.encode("iso-8859-1")
        forms = [
            a_mail(
                base64.encodebytes(latin), content="text/plain; charset=iso-8859-1", Content_Transfer_Encoding="base64"
            ),
            a_mail(
                quopri.encodestring(latin),
                content="text/plain; charset=iso-8859-1",
                Content_Transfer_Encoding="quoted-printable",
            ),
            a_mail(text.encode("utf-8"), Content_Transfer_Encoding="8bit"),
            a_mail(text.encode("utf-16"), content="text/plain; charset=utf-16"),
        ]
        for raw in forms[:3]:
            ticket = a_source().read(an_event(raw))
            assert ticket is not None
            assert set(ticket.facts) == {"place"}
        with pytest.raises(EventUnreadableError):  # bytes of UTF-16 are no lines: it comes damaged, or in base64
            a_source().read(an_event(forms[3][:-1]))

    def test_a_line_that_was_broken_is_whole_again(self) -> None:
        """format=flowed: half of a value would be another value."""
        flowed = "text/plain; charset=utf-8; format=flowed"
        body = "place: pole_top| \r\naerial_span\r\n cause: fire\r\n"
        assert _facts(body, content=flowed)["place"] == {"one_of": ["pole_top", "aerial_span"]}
        assert _facts(body, content=flowed)["cause"] == {"value": "fire"}  # stuffed with a space
        joined = _facts("place: pole_ \r\ntop\r\n", content=f"{flowed}; delsp=yes")
        assert joined["place"] == {"value": "pole_top"}

    def test_a_quotation_in_flowed_text_ends_it(self) -> None:
        """Also right after a line that was to go on."""
        assert own_words("said \n> place: chamber\n", flowed=True) == "said "

    def test_the_plain_text_beside_html_is_read(self) -> None:
        """And the HTML is not."""
        body = (
            "--b\r\nContent-Type: text/plain; charset=utf-8\r\n\r\nplace: pole_top\r\n"
            "--b\r\nContent-Type: text/html; charset=utf-8\r\n\r\n<p>\r\nplace: chamber\r\n</p>\r\n--b--\r\n"
        )
        assert _facts(body, content="multipart/alternative; boundary=b") == {"place": {"value": "pole_top"}}

    def test_html_alone_tells_of_the_ticket_and_no_facts(self) -> None:
        """It is never read."""
        assert _facts("<p>\r\nplace: pole_top\r\n</p>", content="text/html; charset=utf-8") == {}

    def test_a_mail_that_is_forwarded_as_an_attachment_is_not_read(self) -> None:
        """It is somebody else's word of another time."""
        inner = "Content-Type: text/plain\r\n\r\nplace: chamber\r\n"
        body = (
            "--b\r\nContent-Type: text/plain; charset=utf-8\r\n\r\nsee below\r\n"
            f"--b\r\nContent-Type: message/rfc822\r\n\r\n{inner}--b--\r\n"
        )
        assert _facts(body, content="multipart/mixed; boundary=b") == {}


@given(st.text(max_size=400))
def test_free_text_says_nothing(text: str) -> None:
    """Whatever a person writes that has no line of the form ``name: value``."""
    said = told(own_words(text.replace(":", ";")))
    assert (said.facts, said.ended, said.parent, said.site) == ({}, False, None, None)


@given(st.text(max_size=40), st.sampled_from(sorted(FACT_NAMES)), st.text(max_size=40))
def test_a_fact_comes_only_from_a_line_of_its_own(before: str, name: str, after: str) -> None:
    """Something before it on its line makes it free text."""
    text = f"{before.replace(':', '')}x {name}: pole_top{after.replace(':', '')}"
    assert told(own_words(text)).facts == {}
