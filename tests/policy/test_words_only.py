"""An overlay of words alone changes texts and nothing else, whatever it tries."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from shipped_policy import shipped_texts

from repairadvisor.decision.loosening import policy_of, policy_with
from repairadvisor.errors import PolicyError
from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import WORDING_FILES, load_policy, parsed, read_policy
from repairadvisor.policy.model import Policy
from repairadvisor.policy.overlay import OVERLAY_FILES, ROWS, Overlay, read_overlay
from repairadvisor.policy.texts import is_text, leaves

RAW: dict[str, Any] = {name: parsed(name, text) for name, text in shipped_texts().items()}
FILES = [name for name in RAW if name in OVERLAY_FILES or name.startswith("screens_")]


def _kind(file: str, path: tuple[str, ...]) -> tuple[str, ...]:
    """What sort of a thing stands there: its file and its path as far as it is not made of names."""
    if file in WORDING_FILES:
        return (file,)
    return ("screens" if file.startswith("screens_") else file, path[0], *path[2:3])


def _every() -> Iterator[tuple[str, tuple[str, ...], Any]]:
    yield from ((file, path, value) for file in FILES for path, value in leaves(RAW[file]))


#: One of every kind of thing that is no text: (file, path, value).
NO_TEXTS = list(
    {_kind(file, path): (file, path, value) for file, path, value in _every() if not is_text(file, path)}.values()
)
SAID = [one for one in _every() if is_text(*one[:2]) and isinstance(one[2], str) and one[2].strip()]
TEXTS = list({_kind(file, path): (file, path, value) for file, path, value in SAID}.values())


def _other(value: Any) -> Any:
    """Something else of the same type."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, list):
        return [*value, "other"] if all(isinstance(one, str) for one in value) else []
    return value + 1 if isinstance(value, int | float) else f"{value} other"


def _changing(file: str, path: tuple[str, ...], value: Any) -> dict[str, Any]:
    """The least that an overlay has to hold to put another value there, whole lists where lists replace lists."""
    return {file: _along(RAW[file], path, value)}


def _along(old: Any, path: tuple[str, ...], value: Any) -> Any:
    if not path:
        return value
    if isinstance(old, dict):
        keys = ROWS.get(path[0], ())
        if keys and isinstance(old[path[0]], list) and all(key in old[path[0]][0] for key in keys):
            row = next(one for one in old[path[0]] if " ".join(one[key] for key in keys) == path[1])
            return {path[0]: [{**{key: row[key] for key in keys}, **_along(row, path[2:], value)}]}
        return {path[0]: _along(old[path[0]], path[1:], value)}
    found = copy.deepcopy(old)
    at = next(i for i in range(len(old)) if str(i) == path[0])
    found[at] = {**found[at], **_along(old[at], path[1:], value)}
    return found


def _laid(raw: dict[str, Any]) -> dict[str, Any]:
    return lay_over(RAW, Overlay("words", "", raw, words_only=True))


@pytest.mark.parametrize(
    ("file", "path", "value"), NO_TEXTS, ids=lambda one: "-".join(one) if isinstance(one, tuple) else None
)
def test_what_is_no_text_is_refused(file: str, path: tuple[str, ...], value: Any) -> None:
    with pytest.raises(PolicyError):
        _laid(_changing(file, path, _other(value)))


@pytest.mark.parametrize(
    ("file", "path", "value"), TEXTS, ids=lambda one: "-".join(one) if isinstance(one, tuple) else None
)
def test_every_kind_of_text_may_change(policy: Policy, file: str, path: tuple[str, ...], value: str) -> None:
    laid = _laid(_changing(file, path, f"otra cosa {value}"))
    assert dict(leaves(laid[file]))[path] == f"otra cosa {value}"
    after = read_policy(laid)
    assert after.id != policy.id
    assert [one.bars_when for one in after.screens] == [one.bars_when for one in policy.screens]


def _fits(old: str, text: str) -> bool:
    """Whether a text says something and has the fields of the one whose place it takes."""
    return bool(text.strip()) and not set("{}") & set(text) and "{" not in old


@settings(deadline=None)
@given(some.sampled_from(SAID), some.text(max_size=40))
def test_any_text_takes_the_place_of_another_or_is_refused_with_its_place(
    one: tuple[str, tuple[str, ...], str], text: str
) -> None:
    file, path, old = one
    if not _fits(old, text):
        with pytest.raises(PolicyError) as refused:
            _laid(_changing(file, path, text))
        assert file in str(refused.value)
        return
    laid = _laid(_changing(file, path, text))
    assert dict(leaves(laid[file]))[path] == text
    others = {here: value for here, value in leaves(laid[file]) if here != path}
    assert others == {here: value for here, value in leaves(RAW[file]) if here != path}


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("steps.toml", '[[step]]\nid = "ask-the-questions"\nremove = true\n', "remove"),
        ("steps.toml", '[[step]]\nid = "new"\nadd = true\ntext = "x"\n', "new"),
        ("cautions.toml", '[text]\nheight = " "\n', "says something"),
        ("wording.toml", '[say]\nask_first = "Preguntar"\n', "other words filled in"),
        ("slots.toml", '[[slot]]\nid = "signs-set-out"\nmeanwhile = ["x"]\n', "texts"),
        ("claims.toml", '[[claim]]\nid = "every-method-wins-somewhere"\nsays = "x"\n', "claim"),
        ("screens_safety.toml", '[[screen]]\nid = "gust-on-a-ladder"\nloosened_by = "x"\n', "loosened_by: is new"),
    ],
)
def test_what_an_overlay_of_words_tries_besides_is_refused(file: str, text: str, said: str) -> None:
    head = f'name = "words"\nwords_only = true\nfiles = ["{file}"]\n'
    with pytest.raises(PolicyError) as refused:
        lay_over(RAW, read_overlay({"overlay.toml": head, file: text}))
    assert file in str(refused.value)
    assert said in str(refused.value)


def test_words_only_is_a_yes_or_a_no() -> None:
    with pytest.raises(PolicyError, match="words_only"):
        read_overlay({"overlay.toml": 'name = "words"\nwords_only = "yes"\nfiles = []\n'})


def test_without_words_only_the_same_file_may_change_a_number() -> None:
    file = {"limits.toml": '[limit.two_persons]\nvalue = 3.0\nunit = "persons"\n'}
    head = 'name = "words"\nfiles = ["limits.toml"]\nsource = "x"\nknown = "assumed"\nsince = "2031-01-15"\n'
    laid: Any = lay_over(RAW, read_overlay({"overlay.toml": head, **file}))
    assert laid["limits.toml"]["limit"]["two_persons"]["value"] == 3.0
    with pytest.raises(PolicyError, match="words alone"):
        lay_over(RAW, read_overlay({"overlay.toml": head + "words_only = true\n", **file}))


def test_words_over_a_loosened_rule_are_read_again_from_what_is_kept() -> None:
    looser = """[[screen]]
id = "two-at-height"
remove = true
loosened_by = "the safety board"
loosened_because = "tried"
loosened_on = "2031-01-15"
"""
    name = next(one["id"] for file in FILES if file == "screens_safety.toml" for one in RAW[file]["screen"])
    rule = read_overlay(
        {
            "overlay.toml": 'name = "looser"\nfiles = ["screens_safety.toml"]\n',
            "screens_safety.toml": looser.replace("two-at-height", name),
        }
    )
    words = read_overlay(
        {
            "overlay.toml": 'name = "words"\nwords_only = true\nfiles = ["kit.toml"]\n',
            "kit.toml": '[[item]]\nid = "ice-gear"\nname = "rascador de hielo"\n',
        }
    )
    policy = policy_with(shipped_texts(), (rule, words))
    assert policy.loosened
    assert policy_of(policy.canonical) == policy
    assert policy.id != load_policy(shipped_texts()).id
