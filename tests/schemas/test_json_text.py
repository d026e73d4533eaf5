"""What is taken as JSON, and each way of being refused."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.schemas.json_text import DEEPEST, NotJsonError, read_object

#: Every text that is no acceptable JSON object, with the slug it is refused under.
REFUSED = {
    "nothing": (b"", "empty"),
    "only space": (b" \n\t", "empty"),
    "no JSON": (b"place=pole_top", "not-json"),
    "cut off": (b'{"facts": {', "not-json"),
    "two objects": (b"{}{}", "not-json"),
    "comma too many": (b'{"facts": {},}', "not-json"),
    "single quotes": (b"{'facts': {}}", "not-json"),
    "comment": (b'{"facts": {}} // done', "not-json"),
    "byte order mark": (b'\xef\xbb\xbf{"facts": {}}', "not-json"),
    "UTF-16": ('{"facts": {}}'.encode("utf-16-le"), "not-json"),
    "Latin-1": ('{"facts": {"place": "Brückenmoor"}}'.encode("latin-1"), "not-utf-8"),
    "half a character": (b'{"facts": {"place": "\xc3"}}', "not-utf-8"),
    "surrogate in bytes": (b'{"facts": {"place": "\xed\xa0\x80"}}', "not-utf-8"),
    "lone surrogate": (b'{"facts": {"place": "\\ud800"}}', "not-json"),
    "list": (b'[{"facts": {}}]', "not-an-object"),
    "text": (b'"facts"', "not-an-object"),
    "number": (b"3", "not-an-object"),
    "null": (b"null", "not-an-object"),
    "NaN": (b'{"facts": {"margin_db": NaN}}', "not-finite"),
    "Infinity": (b'{"facts": {"margin_db": Infinity}}', "not-finite"),
    "minus Infinity": (b'{"facts": {"margin_db": -Infinity}}', "not-finite"),
    "1e999": (b'{"facts": {"margin_db": 1e999}}', "not-finite"),
    "minus 1e999": (b'{"facts": {"margin_db": -1e999}}', "not-finite"),
    "400 digits": (b'{"facts": {"margin_db": ' + b"9" * 400 + b"}}", "not-finite"),
    "5000 digits": (b'{"facts": {"margin_db": ' + b"9" * 5000 + b"}}", "not-finite"),
    "name twice": (b'{"facts": {"place": "pole_top", "place": "chamber"}}', "name-twice"),
    "name twice, same value": (b'{"facts": {}, "facts": {}}', "name-twice"),
    "name twice, space before colon": (b'{"record" :true,"record":false}', "name-twice"),
    "name twice, written differently": (b'{"record":true,"\\u0072ecord":false}', "name-twice"),
    "name twice, colons in text": (b'{"a":1,"a":":x"}', "name-twice"),
    "name twice, in a list": (b'{"facts": {"place": [{"value": "chamber", "value": "dug_pit"}]}}', "name-twice"),
    "escaped control": (b'{"facts": {"place": "pole\\u0000top"}}', "control-character"),
    "escaped line break": (b'{"facts": {"place": "pole\\ntop"}}', "control-character"),
    "control as such": (b'{"facts": {"place": "pole\x01top"}}', "control-character"),
    "line break as such": (b'{"facts": {"place": "pole\ntop"}}', "control-character"),
    "delete": (b'{"facts": {"place": "pole\x7ftop"}}', "control-character"),
    "C1 control": ('{"facts": {"place": "pole\x85top"}}'.encode(), "control-character"),
    "control in a name": (b'{"facts": {"pla\\u0007ce": "pole_top"}}', "control-character"),
    "direction reversed": ('{"facts": {"place": "pot\u202eelop"}}'.encode(), "control-character"),
    "deep lists": (b'{"a":' + b"[" * 20 + b"]" * 20 + b"}", "too-deep"),
    "deep objects": (b'{"a":' * 20 + b"1" + b"}" * 20, "too-deep"),
    "deep with escapes": (b'{"\\u0061":' + b"[" * 20 + b"]" * 20 + b"}", "too-deep"),
    "very deep": (b"[" * 100_000, "too-deep"),
    "very deep, closed": (b'{"a":' + b"[" * 50_000 + b"]" * 50_000 + b"}", "too-deep"),
}


@pytest.mark.parametrize(("raw", "slug"), REFUSED.values(), ids=REFUSED.keys())
def test_each_bad_text_is_refused_under_its_own_slug(raw: bytes, slug: str) -> None:
    with pytest.raises(NotJsonError) as refused:
        read_object(raw)
    (fault,) = refused.value.faults
    assert fault.slug == slug
    assert fault.problem


def test_a_fault_says_where_the_text_breaks() -> None:
    with pytest.raises(NotJsonError) as refused:
        read_object(b'{"facts":\n  {"place": pole_top}}')
    assert refused.value.faults[0].value == "line 2 column 13"


@pytest.mark.parametrize(
    "raw",
    [
        b"{}",
        b' {"facts" : {"place" : "pole_top"}} ',
        '{"facts": {"coating_near_um": {"value": 250, "unit": "µm"}}}'.encode(),
        b'{"facts": {"place": {"value": "pole_top", "source": ":read out: by phone"}}}',
        b'{"facts": {"place": {"value": "pole_top", "source": "\\"Saltgate\\" \\\\ desk"}}}',
        b'{"a":{"x":1},"b":{"x":1}}',
    ],
)
def test_what_any_reader_reads_the_same_is_taken(raw: bytes) -> None:
    assert read_object(raw) == json.loads(raw)


def test_nesting_is_taken_up_to_the_limit_and_not_one_deeper() -> None:
    def nested(depth: int) -> bytes:
        return b'{"a":' + b"[" * (depth - 1) + b"]" * (depth - 1) + b"}"

    assert read_object(nested(DEEPEST))
    with pytest.raises(NotJsonError):
        read_object(nested(DEEPEST + 1))


_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=6) | st.sampled_from([":", '":', '" :', "a", "\\"])
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | _TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXT, inner, max_size=4),
    max_leaves=12,
)


@given(value=st.dictionaries(_TEXT, _JSON, max_size=4), ascii_only=st.booleans(), spaced=st.booleans())
def test_an_object_comes_back_as_it_was_or_is_refused_for_its_characters(
    value: dict[str, object], ascii_only: bool, spaced: bool
) -> None:
    raw = json.dumps(value, ensure_ascii=ascii_only, separators=(" , ", " : ") if spaced else (",", ":")).encode()
    try:
        read = read_object(raw)
    except NotJsonError as error:
        refused = error.faults[0].slug
    else:
        refused = ""
        assert read == json.loads(raw, parse_int=lambda digits: int(digits) if len(digits) < 19 else float(digits))
    assert refused in ("", "control-character", "too-deep", "not-finite")


_PAIRS = st.lists(
    st.tuples(st.sampled_from(["a", "b", ":", 'c"', "a\\", "d "]), st.sampled_from(["", ":", '":', " :"]))
)


@given(pairs=_PAIRS, colon=st.sampled_from([":", " :", ": ", "\t:", "\n:\n"]), nested=st.booleans())
def test_a_name_given_twice_is_always_seen(pairs: list[tuple[str, str]], colon: str, nested: bool) -> None:
    inner = "{" + ",".join(f"{json.dumps(name)}{colon}{json.dumps(text)}" for name, text in pairs) + "}"
    raw = (f'{{"a"{colon}[{inner}]}}' if nested else inner).encode()
    names = [name for name, _ in pairs]
    if len(set(names)) == len(names):
        assert read_object(raw) == json.loads(raw)
    else:
        with pytest.raises(NotJsonError) as refused:
            read_object(raw)
        assert refused.value.faults[0].slug == "name-twice"
