"""Bytes that somebody chose: one kind of error, soon."""

from __future__ import annotations

import time
from contextlib import suppress

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from mails import EXAMPLES, a_mail, a_source, an_event

from repairadvisor.plugin import EventUnreadableError, Ticket

SOURCE = a_source()
TRUSTING = a_source(authserv_id="", trust_senders_unauthenticated=True)
WHOLE = [path.read_bytes() for path in sorted(EXAMPLES.glob("*.eml"))]


def _read(raw: bytes) -> Ticket | str | None:
    """What comes of it; a refusal as its reason, which is one printable line."""
    try:
        return TRUSTING.read(an_event(raw))
    except EventUnreadableError as error:
        reason = str(error)
        assert reason.isprintable()
        assert 0 < len(reason) < 2000
        return reason


def test_there_are_examples() -> None:
    """Else the tests below would test nothing."""
    assert len(WHOLE) == 4


@given(st.binary(max_size=600))
@example(b"From: \xff\xfe <a@b>\r\nSubject: [T-1]\r\n\r\n")
@example(b"Content-Type: multipart/mixed; boundary=\r\n\r\n--\r\n")
@example(b"Content-Type: text/plain; charset*=utf-8''%FF%FE\r\n\r\nx")
def test_any_bytes(raw: bytes) -> None:
    """Never another error."""
    _read(raw)


@given(st.sampled_from(WHOLE), st.integers(0, 3000), st.binary(max_size=60), st.integers(0, 60))
def test_any_damage(whole: bytes, at: int, put: bytes, taken: int) -> None:
    """Something is put into a real mail, and something taken out."""
    _read(whole[:at] + put + whole[at + taken :])


HEADERS = st.sampled_from(
    [
        "From",
        "Subject",
        "Content-Type",
        "Content-Transfer-Encoding",
        "References",
        "Date",
        "Received",
        "Message-ID",
        "MIME-Version",
        "Content-Disposition",
        "Authentication-Results",
        "Auto-Submitted",
        "Repairadvisor-Note",
    ]
)


@given(
    st.lists(st.tuples(HEADERS, st.text(alphabet=st.characters(exclude_characters="\n\r"), max_size=60)), max_size=5)
)
def test_any_headers(headers: list[tuple[str, str]]) -> None:
    """Each of those that are looked at."""
    head = "".join(f"{name}: {value}\r\n" for name, value in headers)
    raw = head.encode("utf-8", "surrogatepass") + a_mail("place: pole_top\r\n")
    _read(raw)
    with suppress(EventUnreadableError):
        SOURCE.read(an_event(raw))


@pytest.mark.parametrize(
    ("charset", "body"),
    [
        ("utf-8", b"place: pole_top\r\n\xff\xfe"),
        ("us-ascii", "place: pole_top µ".encode()),
        ("no-such-charset", b"place: pole_top"),
        ("rot13", b"cynpr: cbyr_gbc"),
        ("punycode", b"place: pole_top"),
        ("unicode_escape", b"x\\nplace: pole_top"),
        ("utf-7", b"place: pole_top"),
        ("hex", b"706c616365"),
    ],
)
def test_a_text_that_is_not_what_it_says(charset: str, body: bytes) -> None:
    """It is not read in part."""
    with pytest.raises(EventUnreadableError, match=r"charset|the text is no"):
        SOURCE.read(an_event(a_mail(body, content=f"text/plain; charset={charset}")))


@pytest.mark.parametrize(
    "raw",
    [
        a_mail("AAAA\r\n*", Content_Transfer_Encoding="base64"),
        a_mail("AAAAA", Content_Transfer_Encoding="base64"),
        a_mail("--b\r\n\r\nplace: pole_top\r\n", content="multipart/mixed; boundary=b"),  # cut off
        a_mail("place: pole_top\r\n", content="multipart/mixed; boundary=b"),
        a_mail("place: pole_top\r\n", content="multipart/mixed"),
    ],
)
def test_a_damaged_mail_is_not_read_in_part(raw: bytes) -> None:
    """What is missing may be what matters."""
    with pytest.raises(EventUnreadableError, match="damaged"):
        SOURCE.read(an_event(raw))


def _nested(levels: int) -> bytes:
    inner = "".join(f"--b{i}\r\nContent-Type: multipart/mixed; boundary=b{i + 1}\r\n\r\n" for i in range(levels))
    return a_mail(inner, content="multipart/mixed; boundary=b0")


@pytest.mark.parametrize(
    "raw",
    [
        _nested(5000),
        _nested(19) + b"\n" * 120_000,
        _nested(19) + b"\n" * 700_000,
        a_mail("x \n" * 200_000, content="text/plain; format=flowed"),
        a_mail(
            "".join("--b\r\nContent-Type: text/plain\r\n\r\nx\r\n" for _ in range(9000)),
            content="multipart/mixed; boundary=b",
        ),
        a_mail(subject="[T-1] " + "a," * 2_000_000),
        a_mail(sender="(" * 400_000),
        a_mail(sender="a," * 400_000),
        a_mail(content="text/plain; x=" + "(" * 400_000),
        a_mail(content="text/plain; x=" + "a " * 400_000),
        a_mail(References="<" * 1_000_000),
        a_mail(passed="mx.lanternfield.example; " + "((" * 400_000),
        a_mail(passed="mx.lanternfield.example; dkim=pass " + "x.y=z " * 600),
        a_mail("a: " * 1_000_000),
        a_mail("-" * 1_000_000 + "x"),
        a_mail("-=" * 500_000 + "x\r\n"),
        a_mail("reply " * 200_000 + "\r\n"),
        a_mail("place: " + "a" * 1_000_000),
        a_mail("\n" * 4_000_000),
        a_mail("x: y\r\n" * 200_000),
        b"\r\n".join(b"X-%d: y" % i for i in range(60_000)) + b"\r\n\r\n",
    ],
    ids=range(21),
)
def test_whatever_is_sent_is_judged_soon(raw: bytes) -> None:
    """Within seconds, on a slow machine too."""
    start = time.perf_counter()
    _read(raw)
    with suppress(EventUnreadableError):
        SOURCE.read(an_event(raw))
    assert time.perf_counter() - start < 15
