"""RFC 8259, and what it warns of in section 4 (names that stand twice) and 6 (numbers)."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_webhook.strict_json import LONGEST_BYTES, NotStrictJsonError, read_json, shown

TEXTS = st.text(st.characters(codec="utf-8"), max_size=8)
NUMBERS = st.integers(-(2**63) + 1, 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=8,
)


@given(VALUES, st.booleans())
def test_what_json_holds_is_read_as_it_is(value, ascii_only):
    assert read_json(json.dumps(value, ensure_ascii=ascii_only).encode()) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        '{"a":1,"a":1}',
        '{"a":1,"\\u0061":2}',
        '[{"x":{"b":0,"b":null}}]',
        "NaN",
        "[Infinity]",
        "-Infinity",
        "1e999",
        "9" * 400,
        "9" * 5000,
        "01",
        "'a'",
        "[1,]",
        "{}{}",
        "\ufeff{}",
        '"\n"',
        "[" * 17 + "]" * 17,
        "[" * 100_000,
    ],
)
def test_others_are_refused_in_one_line(text):
    with pytest.raises(NotStrictJsonError) as why:
        read_json(text.encode())
    assert "\n" not in str(why.value)
    assert len(str(why.value)) < 200


def test_bytes_that_are_not_utf_8():
    with pytest.raises(NotStrictJsonError, match="byte 1 is not UTF-8"):
        read_json(b'"\xff"')


def test_sixteen_levels_and_no_more():
    assert read_json(b"[" * 16 + b"]" * 16)
    assert read_json(b"[" * 16 + b"1" + b"]" * 16)


def test_a_megabyte_and_no_more():
    assert read_json(b'"' + b"a" * (LONGEST_BYTES - 2) + b'"')
    with pytest.raises(NotStrictJsonError, match="bytes"):
        read_json(b'"' + b"a" * (LONGEST_BYTES - 1) + b'"')


def test_whole_numbers_beyond_64_bits_are_no_whole_numbers_any_more():
    """RFC 8259, section 6: others hold them as floating point, so nobody can rely on their last digits."""
    assert read_json(str(2**63 - 1).encode()) == 2**63 - 1
    assert isinstance(read_json(str(2**63).encode()), float)
    assert isinstance(read_json(b"1" * 30), float)


@given(st.text())
def test_what_is_shown_is_one_line(text):
    assert shown(text).replace("…", "").isascii()
    assert shown(text).isprintable()
    assert len(shown(text)) <= 60
