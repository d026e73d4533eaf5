"""Names of folders made from references."""

from __future__ import annotations

import os
import re
from urllib.parse import unquote

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from repairadvisor_spool.safe_name import LONGEST_NAME, safe_name

HOSTILE = (
    "../../x",
    "..",
    ".",
    "...",
    "/etc/passwd",
    "a\nb",
    "a\0b",
    "C:\\x",
    "~",
    "",
    " ",
    "%2E%2E",
    "x" * 5000,
    "NUL",
)
REFERENCES = st.text(max_size=300) | st.sampled_from(HOSTILE)


@given(REFERENCES)
def test_it_is_one_name_and_no_path(reference: str) -> None:
    name = safe_name(reference)

    assert re.fullmatch(r"[A-Za-z0-9_%~-]+", name)
    assert len(name) <= LONGEST_NAME
    assert os.path.normpath(os.path.join("/spool/outgoing", name)) == f"/spool/outgoing/{name}"  # noqa: PTH118


@given(REFERENCES, REFERENCES)
@example("t-1", "T-1")
@example("../x", "%2E%2E%2FX")
@example("x" * 4999, "x" * 5000)
def test_other_references_have_other_names(one: str, other: str) -> None:
    """Also where small and capital letters count as the same, as on many network shares."""
    if one != other:
        assert safe_name(one).casefold() != safe_name(other).casefold()


@given(st.text(min_size=1, max_size=12))
def test_a_name_without_a_digest_is_the_percent_encoding(reference: str) -> None:
    """Checked against the standard library's reading of RFC 3986, section 2.1."""
    name = safe_name(reference)
    if "~" not in name:
        assert unquote(name, errors="surrogatepass") == reference


@pytest.mark.parametrize(
    ("reference", "name"),
    [
        ("LF-20310504-0017", "LF-20310504-0017"),
        ("A/B.C", "A%2FB%2EC"),
        ("..", "%2E%2E"),
        ("µ", "%C2%B5"),
    ],
)
def test_examples(reference: str, name: str) -> None:
    assert safe_name(reference) == name


@pytest.mark.parametrize("reference", ["NUL", "COM1", "lpt9"])
def test_no_folder_is_called_as_a_device(reference: str) -> None:
    """Of Windows, whose shares this may lie on. From memory."""
    assert safe_name(reference).startswith(f"{reference}~")
