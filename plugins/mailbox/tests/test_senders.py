"""Who may send, and what shows that they did.

The Authentication-Results examples are of RFC 5451, appendix B.6, and RFC 7489, as the tests of authres 1.2.0 quote
them; what RFC 8601 adds is from memory.
"""

from __future__ import annotations

from typing import Any

import pytest
from mails import PASSED, a_mail, a_source, an_event
from repairadvisor_mailbox import MailboxSource

from repairadvisor.plugin import EventUnreadableError, Ticket

GOOD_AND_BAD = (
    'example.com; dkim=pass reason="good signature" header.i=@mail-router.example.net;'
    ' dkim=fail reason="bad signature" header.i=@newyork.example.com'
)


def _read(source: MailboxSource | None = None, **mail: Any) -> Ticket | None:
    return (source or a_source()).read(an_event(a_mail(**mail)))


def _of_example_com(sender: str, passed: str) -> Ticket | None:
    source = a_source(authserv_id="example.com", senders=["@mail-router.example.net", "@newyork.example.com"])
    return _read(source, sender=sender, passed=passed)


def test_the_published_examples() -> None:
    """One signature is good, one is bad."""
    assert _of_example_com("list@mail-router.example.net", GOOD_AND_BAD) is not None
    with pytest.raises(EventUnreadableError, match="dkim=pass"):
        _of_example_com("somebody@newyork.example.com", GOOD_AND_BAD)
    source = a_source(authserv_id="mail-router.example.net", senders=["@example.com"])
    dmarc = "mail-router.example.net; dmarc=pass header.from=example.com"
    assert _read(source, sender="a@example.com", passed=dmarc) is not None
    comment = "example.net; dkim=pass (good signature) header.i=@newyork.example.com"
    source = a_source(authserv_id="example.net", senders=["@newyork.example.com"])
    assert _read(source, sender="a@newyork.example.com", passed=comment) is not None


@pytest.mark.parametrize("sender", ["tickets@desk.example", "Tickets@DESK.example", "van4@crew.example"])
def test_addresses_and_domains_that_may(sender: str) -> None:
    """Capitals are no matter."""
    domain = sender.rpartition("@")[2]
    assert _read(sender=sender, passed=f"mx.lanternfield.example; dkim=pass header.d={domain}") is not None


@pytest.mark.parametrize(
    "sender",
    [
        "other@desk.example",
        "van4@deep.crew.example",
        "van4@crew.example.evil.example",
        "van4@crew.exampl",
        "@crew.example",
        "van4@crew.example <x@evil.example>",
        "tickets@desk.example, x@evil.example",
        '"tickets@desk.example" <x@evil.example>',
        "",
        "undisclosed:;",
        '"a b"@crew.example',
    ],
)
def test_others_may_not(sender: str) -> None:
    """Even where their own server vouches for them."""
    passed = "mx.lanternfield.example; dkim=pass header.d=evil.example; dkim=pass header.d=crew.example"
    with pytest.raises(EventUnreadableError, match="From"):
        _read(sender=sender, passed=passed)


def test_two_from_headers_are_refused() -> None:
    """Which of them was checked is not known."""
    raw = a_mail().replace(b"From:", b"From: x@evil.example\r\nFrom:", 1)
    with pytest.raises(EventUnreadableError, match="2 senders"):
        a_source().read(an_event(raw))


@pytest.mark.parametrize(
    "passed",
    [
        "",
        "mx.lanternfield.example; none",
        "mx.lanternfield.example; dkim=fail header.d=desk.example",
        "mx.lanternfield.example; dkim=pass header.d=evil.example",
        "mx.lanternfield.example; dkim=pass header.d=example",
        "mx.lanternfield.example; dkim=pass",
        "mx.lanternfield.example; spf=pass smtp.mailfrom=tickets@desk.example",
        "mx.lanternfield.example; dmarc=pass header.from=evil.example",
        "mx.lanternfield.example; dkim=pass smtp.d=desk.example",
        "other.example; dkim=pass header.d=desk.example",
        'mx.lanternfield.example; spf=fail reason="; dkim=pass header.d=desk.example"',
        "mx.lanternfield.example; spf=fail (; dkim=pass header.d=desk.example)",
        'mx.lanternfield.example; spf=pass smtp.mailfrom="=?utf-8?q?=22=3B?= dkim=pass header.d=desk.example"',
        # decoded, it would say what nobody wrote
        "mx.lanternfield.example; spf=fail smtp.mailfrom= =?utf-8?q?a=3B_dkim=3Dpass_header=2Ed=3Ddesk=2Eexample?=",
        "mx.lanternfield.example; dkim=pass header.d=desk.example (" + "(" * 3000,
        "mx.lanternfield.example 9; dkim=pass header.d=desk.example",
        "mx.lanternfield.example\r\nX-Other: x",
    ],
)
def test_what_does_not_show_it(passed: str) -> None:
    """Then the mail may be anybody's."""
    with pytest.raises(EventUnreadableError, match="does not say"):
        _read(passed=passed)


def test_only_the_topmost_header_of_our_server_counts() -> None:
    """One below may have come with the mail; one of another name above is no matter."""
    fail = "mx.lanternfield.example; dkim=fail header.d=desk.example"
    with pytest.raises(EventUnreadableError):
        _read(passed=f"{fail}\r\nAuthentication-Results: {PASSED}")
    assert _read(passed=f"{PASSED}\r\nAuthentication-Results: {fail}") is not None
    assert _read(passed=f"filter.example; none\r\nAuthentication-Results: {PASSED}") is not None
    with pytest.raises(EventUnreadableError):
        _read(passed=f"mx.lanternfield.example; ???\r\nAuthentication-Results: {PASSED}")


def test_a_folded_header_is_read() -> None:
    """As most servers write it."""
    assert _read(passed="mx.lanternfield.example;\r\n\tspf=none;\r\n\tdkim=pass header.d=desk.example") is not None


def test_without_it_only_where_the_operator_says_so() -> None:
    """And then From is believed."""
    source = a_source(authserv_id="", trust_senders_unauthenticated=True)
    assert _read(source, passed="") is not None
    with pytest.raises(EventUnreadableError):
        _read(source, passed="", sender="x@evil.example")
