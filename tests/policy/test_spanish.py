"""The Spanish of the policy that ships: every text, none left over, with the same words filled in."""

from __future__ import annotations

import re
from typing import Any

import pytest
from shipped_policy import shipped_texts

from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import WORDING_FILES, parsed, read_policy
from repairadvisor.policy.overlay import OVERLAY_FILES, Overlay
from repairadvisor.policy.texts import fields, leaves, texts_in
from repairadvisor.settings import overlay_folder
from repairadvisor.store.policy_files import read_overlays

RAW: dict[str, Any] = {name: parsed(name, text) for name, text in shipped_texts().items()}
FILES = sorted(name for name in RAW if name in OVERLAY_FILES or name.startswith("screens_"))
#: Texts that are rightly the same in both languages, and why.
SAME = {
    "no": "the same word",
    "Plan": "the same word",
    "Plan: {plan}": "the same word",
    "cu": "a unit, as it stands beside every price",
    "UTC": "the name of a time",
    "ltr": "a word of HTML: written from left to right",
    **dict.fromkeys(
        ("7 CFR 1755.404(a)", "UFC 3-560-01, 11-6.3; MIL-HDBK-1025/10, 8.5.2", "ICEA S-87-640"),
        "how a standard or handbook is cited",
    ),
}
#: Standards of links are named alike everywhere, but for the word "class".
NAME_OF_A_LINK = re.compile(r"\d+GBASE-[A-Z0-9.]+|1000BASE-[A-Z0-9]+|Fibre Channel \d+G")
#: What is the same by its form: nothing but marks, units and what is filled in.
FILLED_IN = re.compile(r"\{[a-z_0-9]+\}")
UNIT = re.compile(r"\b(?:dB|min|nm|h|d|m|ml|l)\b")


@pytest.fixture(scope="module")
def spanish() -> Overlay:
    (overlay,) = read_overlays(overlay_folder("spanish"))
    return overlay


def _same(text: str | list[str]) -> bool:
    if not isinstance(text, str):
        return False
    left = UNIT.sub("", FILLED_IN.sub("", text))
    return text in SAME or bool(NAME_OF_A_LINK.fullmatch(text)) or not re.search("[A-Za-z]", left)


def _texts(overlay: Overlay, file: str) -> dict[tuple[str, ...], Any]:
    return texts_in(file, overlay.raw.get(file, {}))


def test_it_changes_words_alone_and_lies_on_the_policy_that_ships(spanish: Overlay) -> None:
    assert spanish.words_only
    assert not spanish.parent
    read_policy(lay_over(RAW, spanish))


@pytest.mark.parametrize("file", FILES)
def test_every_text_has_its_spanish(spanish: Overlay, file: str) -> None:
    there = _texts(spanish, file)
    english = {
        path: text for path, text in texts_in(file, RAW[file]).items() if path[-1] != "source" and not _same(text)
    }
    assert not sorted(set(english) - set(there))


@pytest.mark.parametrize("file", FILES)
def test_none_is_left_over_and_none_is_still_english(spanish: Overlay, file: str) -> None:
    english = texts_in(file, RAW[file])
    there = _texts(spanish, file)
    assert not sorted(set(there) - set(english))
    assert [path for path, text in there.items() if text == english[path]] == []


@pytest.mark.parametrize("file", FILES)
def test_the_same_words_are_filled_in(spanish: Overlay, file: str) -> None:
    english = dict(leaves(RAW[file]))
    for path, text in _texts(spanish, file).items():
        if isinstance(text, str):
            assert fields("", text) == fields("", english[path]), path


def test_what_is_the_same_in_both_is_somewhere_and_has_a_reason() -> None:
    known = {text for file in FILES for text in texts_in(file, RAW[file]).values() if isinstance(text, str)}
    assert set(SAME) <= known
    assert all(SAME.values())
    assert set(WORDING_FILES) <= set(FILES)


FIGURES = re.compile(r"\d+(?:\.\d+)?")


@pytest.mark.parametrize("file", FILES)
def test_the_same_figures_stand_in_both(spanish: Overlay, file: str) -> None:
    english = texts_in(file, RAW[file])
    for path, text in _texts(spanish, file).items():
        there, here = (one if isinstance(one, list) else [one] for one in (english[path], text))
        for one, other in zip(there, here, strict=True):
            assert sorted(FIGURES.findall(other)) == sorted(FIGURES.findall(one)), path
