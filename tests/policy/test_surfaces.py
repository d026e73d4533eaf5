"""Words of pages and papers are the policy's: in a file of their own, beside those of an answer."""

from __future__ import annotations

import json

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import load_canonical, load_policy, parsed
from repairadvisor.policy.overlay import read_overlay
from repairadvisor.store.policy_files import default_texts

TEXTS = default_texts()


def _laid(text: str) -> dict[str, object]:
    base = {name: parsed(name, one) for name, one in TEXTS.items()}
    head = 'name = "words"\nfiles = ["surfaces.toml"]\n'
    return lay_over(base, read_overlay({"overlay.toml": head, "surfaces.toml": text}))


def test_the_words_of_both_files_are_had_together():
    wording = load_policy(TEXTS).wording
    assert wording["language"] == {"tag": "en", "direction": "ltr"}
    assert "say" in wording


def test_a_table_of_words_stands_in_one_file_alone():
    with pytest.raises(PolicyError, match=r"wording\.toml: language stands in another|surfaces\.toml: say"):
        load_policy({**TEXTS, "surfaces.toml": '[say]\nrepair = "other"\n'})


def test_a_policy_kept_before_pages_had_words_of_their_own_is_still_read():
    earlier = json.loads(load_policy(TEXTS).canonical)
    del earlier["surfaces.toml"]
    text = json.dumps(earlier, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert "language" not in load_canonical(text).wording


def test_a_policy_of_files_has_its_words():
    with pytest.raises(PolicyError, match=r"surfaces\.toml"):
        load_policy({name: text for name, text in TEXTS.items() if name != "surfaces.toml"})


def test_an_overlay_changes_words_of_pages_without_a_source():
    assert _laid('[desk]\nwhere = "Where?"\n')["surfaces.toml"]["desk"]["where"] == "Where?"


def test_an_overlay_changes_words_in_tables_named_like_rows():
    base = {name: parsed(name, one) for name, one in TEXTS.items()}
    head = 'name = "words"\nfiles = ["wording.toml"]\n'
    text = '[step]\nlimit = "Done: {limit}"\n\n[caution]\nbefore_anything = "First of all:"\n'
    laid = lay_over(base, read_overlay({"overlay.toml": head, "wording.toml": text}))
    assert laid["wording.toml"]["step"]["limit"] == "Done: {limit}"
    assert laid["wording.toml"]["caution"]["before_anything"] == "First of all:"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[desk]\nwhree = "Where?"\n', "did you mean where"),
        ('[desk]\nwhere = "Where, {name}?"\n', "{name} is not filled in here"),
        ("[desk]\nwhere = 3\n", "not of the kind"),
    ],
)
def test_an_overlay_with_other_words_is_refused(text: str, said: str):
    with pytest.raises(PolicyError) as refused:
        _laid(text)
    assert said in str(refused.value)
