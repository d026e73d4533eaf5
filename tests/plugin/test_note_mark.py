"""The mark of a note: what is written is read again, what is nearly a mark is none, and its key is safe anywhere."""

from __future__ import annotations

import html
import re
import textwrap
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from requests import PreparedRequest

from repairadvisor.plugin import LONGEST_MARK, NoteMark, mark_of, mark_of_key

MARK = NoteMark("3f2a9c1b7d40", "advice", 2, 1, 3, seal="9c41d07be25f3a86")
LINE = "[repairadvisor 3f2a9c1b7d40 advice 2 1/3 9c41d07be25f3a86]"
KEY = "3f2a9c1b7d40-advice-2-1-3-9c41d07be25f3a86"
LONGEST = NoteMark("f" * 12, "evidence", 999_999_999, 9999, 9999, "superseded", "f" * 16)

marks = st.builds(
    NoteMark,
    ticket=st.text("0123456789abcdef", min_size=12, max_size=12),
    kind=st.sampled_from(["advice", "verdict", "evidence"]),
    revision=st.integers(1, 999_999_999),
    part=st.integers(1, 9999),
    parts=st.integers(1, 9999),
    status=st.sampled_from(["", "superseded", "expired", "void"]),
    seal=st.just("") | st.text("0123456789abcdef", min_size=16, max_size=16),
)
#: Texts made of what marks are made of, so that many are nearly one.
near_marks = st.lists(
    st.sampled_from(
        [
            "[",
            "]",
            "[repairadvisor ",
            "3f2a9c1b7d40",
            " advice",
            " verdict ",
            " 2 ",
            "1/3",
            " 9c41d07be25f3a86",
            " void",
            " ",
            "\n",
        ]
    )
    | marks.map(lambda mark: mark.line)
    | st.text(max_size=3),
    max_size=12,
).map("".join)


def test_a_mark_is_written_as_it_says() -> None:
    assert (MARK.line, MARK.key) == (LINE, KEY)


def test_a_note_that_nobody_sealed_has_a_mark_too() -> None:
    mark = replace(MARK, seal="")
    assert mark.line == "[repairadvisor 3f2a9c1b7d40 advice 2 1/3]"
    assert mark.key == "3f2a9c1b7d40-advice-2-1-3"
    assert mark_of(mark.line) == mark_of_key(mark.key) == mark


@pytest.mark.parametrize("status", ["superseded", "expired", "void"])
def test_a_note_that_no_longer_counts_says_so_and_keeps_its_key(status: str) -> None:
    mark = replace(MARK, status=status)
    assert mark.line == LINE.replace("]", f" {status}]")
    assert mark.key == KEY
    assert mark_of(mark.line) == mark


@given(marks)
def test_what_is_written_is_read_again(mark: NoteMark) -> None:
    assert mark_of(mark.line) == mark
    assert mark_of_key(mark.key) == replace(mark, status="")


@given(marks, marks)
def test_two_notes_share_a_key_only_where_they_are_one_note(one: NoteMark, other: NoteMark) -> None:
    assert (one.key == other.key) is (replace(one, status="") == replace(other, status=""))


@given(marks)
def test_no_mark_is_longer_than_is_kept_free_for_it(mark: NoteMark) -> None:
    assert len(mark.line) <= LONGEST_MARK


def test_the_longest_mark_fits_and_is_read() -> None:
    assert len(LONGEST.line) <= LONGEST_MARK
    assert mark_of(LONGEST.line) == LONGEST
    assert mark_of_key(LONGEST.key) == replace(LONGEST, status="")


@given(near_marks)
def test_nothing_is_read_that_does_not_stand_there(text: str) -> None:
    found = mark_of(text)
    assert found is None or found.line in text


@given(st.lists(st.tuples(st.text(), marks), min_size=1, max_size=4), st.text())
def test_the_last_mark_counts(said: list[tuple[str, NoteMark]], under_it: str) -> None:
    text = "".join(f"{before}\n{mark.line}" for before, mark in said) + under_it
    assert mark_of(text) == said[-1][1]


BODY = "STAND OFF. A cable hangs over the road; ring the owner of the line before anybody goes near it. " * 3


@pytest.mark.parametrize(
    "text",
    [
        f"{BODY}\n{LINE}",
        f"{BODY}\r\n{LINE}\r\n",
        textwrap.fill(BODY, 40) + f"\n\n{LINE}\n\n--\nSent by the night desk",
        textwrap.indent(f"{textwrap.fill(BODY, 60)}\n{LINE}\n", "> ", lambda _: True),
        f"<p>{html.escape(BODY)}<br/>{LINE}</p><div class='foot'>Do not answer.</div>",
        f"<pre>{html.escape(BODY)}\n{LINE}</pre>",
        f"{BODY}{LINE} (edited by Orrin)",
    ],
)
def test_a_ticket_system_may_wrap_a_note_and_put_things_around_it(text: str) -> None:
    assert mark_of(text) == MARK


@given(marks)
def test_a_mark_says_the_same_in_html(mark: NoteMark) -> None:
    """By the standard library's ``html.escape``: there is nothing in it to escape."""
    assert html.escape(mark.line) == mark.line


NEARLY = {
    "no text": "",
    "only its name": "[repairadvisor]",
    "another's mark": LINE.replace("repairadvisor", "repairadvisors"),
    "in capitals": LINE.upper(),
    "ticket too short": LINE.replace("3f2a", "3f2"),
    "ticket too long": LINE.replace("3f2a", "3f2a0"),
    "ticket not hexadecimal": LINE.replace("3f2a", "3f2g"),
    "ticket in capitals": LINE.replace("3f2a", "3F2A"),
    "no such kind": LINE.replace("advice", "advise"),
    "kind in capitals": LINE.replace("advice", "ADVICE"),
    "no revision": LINE.replace(" 2 ", " "),
    "revision 0": LINE.replace(" 2 ", " 0 "),
    "revision -1": LINE.replace(" 2 ", " -1 "),
    "revision with a zero before it": LINE.replace(" 2 ", " 02 "),
    "revision of ten digits": LINE.replace(" 2 ", " 1000000000 "),
    "digits of another script": LINE.replace(" 2 ", " ٢ "),
    "part 0": LINE.replace("1/3", "0/3"),
    "parts 0": LINE.replace("1/3", "1/0"),
    "part with a zero before it": LINE.replace("1/3", "01/3"),
    "part of five digits": LINE.replace("1/3", "10000/3"),
    "parts of five digits": LINE.replace("1/3", "1/10000"),
    "no parts": LINE.replace("1/3", "1"),
    "seal too short": LINE.replace("3a86", "3a8"),
    "seal too long": LINE.replace("3a86", "3a860"),
    "seal not hexadecimal": LINE.replace("3a86", "3a8g"),
    "seal in capitals": LINE.replace("3a86", "3A86"),
    "two seals": LINE.replace("]", " 9c41d07be25f3a86]"),
    "seal after the status": LINE.replace(" 9c41d07be25f3a86]", " void 9c41d07be25f3a86]"),
    "no such status": LINE.replace("]", " valid]"),
    "two statuses": LINE.replace("]", " expired void]"),
    "two blanks": LINE.replace(" advice", "  advice"),
    "a tab": LINE.replace(" advice", "\tadvice"),
    "a blank at its end": LINE.replace("]", " ]"),
    "a line break in it": LINE.replace(" advice", "\nadvice"),
    "not closed": LINE.removesuffix("]"),
    "not opened": LINE.removeprefix("["),
    "round brackets": f"({LINE[1:-1]})",
    "its key": KEY,
}


@pytest.mark.parametrize("text", NEARLY.values(), ids=NEARLY.keys())
def test_what_is_nearly_a_mark_is_none(text: str) -> None:
    assert mark_of(text) is None
    assert mark_of(f"{BODY}\n{text}\n") is None


def test_what_is_nearly_a_mark_does_not_hide_one() -> None:
    assert mark_of("\n".join((LINE, *NEARLY.values()))) == MARK


NEARLY_KEYS = (
    "",
    LINE,
    f"{KEY}\n",
    f" {KEY}",
    f"{KEY}-void",
    f"x{KEY}",
    f"{KEY}x",
    KEY.upper(),
    KEY.replace("advice", "advise"),
    KEY.replace("-2-", "-0-"),
    KEY.replace("-2-", "-02-"),
    KEY.replace("-2-", "-1000000000-"),
    KEY.replace("-1-3", "-1"),
    KEY.replace("-1-3", "-0-3"),
    KEY.replace("-1-3", "-1-10000"),
    KEY.replace("-1-3", "-1/3"),
    KEY.replace("-1-3-", "-"),
    KEY.replace("3f2a", "3f2"),
    KEY.replace("3a86", "3a8"),
    KEY.replace("3a86", "3a860"),
    KEY.replace("3a86", "3a8g"),
    f"{KEY}-9c41d07be25f3a86",
    KEY.replace("-2-", "-٢-"),
)


@pytest.mark.parametrize("key", NEARLY_KEYS)
def test_what_is_nearly_a_key_is_none(key: str) -> None:
    assert mark_of_key(key) is None


@given(marks)
def test_a_key_is_a_header_of_http(mark: NoteMark) -> None:
    """As the library requests checks headers, which refuses what RFC 9110 does."""
    request = PreparedRequest()
    request.prepare("POST", "https://desk.example/notes", headers={"Idempotency-Key": mark.key})
    assert request.headers["Idempotency-Key"] == mark.key


@given(marks)
def test_a_key_is_half_of_a_message_id(mark: NoteMark) -> None:
    """As the standard library's parser reads RFC 5322, which names every defect of a header."""
    mail = EmailMessage(policy=SMTP)
    mail["Message-ID"] = f"<{mark.key}@advisor.example>"
    mail.set_content("Fuse it.")
    read = message_from_bytes(mail.as_bytes(), policy=SMTP)
    assert read["Message-ID"].strip() == f"<{mark.key}@advisor.example>"  # a long one has a line of its own
    assert read["Message-ID"].defects == ()


@given(marks)
def test_a_key_is_a_file_name(mark: NoteMark) -> None:
    """The portable characters of POSIX.1-2017, section 3.282, and not "-" at its start; from memory."""
    assert re.fullmatch(r"[A-Za-z0-9._][A-Za-z0-9._-]*", mark.key)
    assert len(mark.key) + len(".json") <= 255


def test_the_longest_key_names_a_file(tmp_path: Path) -> None:
    (tmp_path / f"{LONGEST.key}.json").write_text("{}")
    assert [file.stem for file in tmp_path.iterdir()] == [LONGEST.key]


def test_revisions_sort_by_number() -> None:
    """Not as words, where 10 comes before 9."""
    nine, ten = replace(MARK, revision=9), replace(MARK, revision=10)
    assert max([ten, nine]) == ten
    assert min([replace(MARK, part=10), replace(MARK, part=9)]).part == 9
