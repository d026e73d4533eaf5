"""Every word that a page or paper asks for is in the policy that ships, and none is there that nobody asks for."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import repairadvisor
from repairadvisor.store.policy_files import default_texts

PACKAGE = Path(repairadvisor.__file__).parent
#: Where words are asked for: ``say("desk", "where")``; what is worked out behind a path's literal part is left open.
ASKED = re.compile(r"""\b(?:say|named|table)\(\s*((?:["'][a-z0-9_]+["']\s*,?\s*)+)([^)=]?)""")
WORDS = tomllib.loads(default_texts()["surfaces.toml"])


def _paths(words: Mapping[str, object], above: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in words.items():
        if isinstance(value, Mapping):
            yield from _paths(value, (*above, key))
        else:
            yield (*above, key)


def _asked() -> set[tuple[str, ...]]:
    found = set()
    for folder, kind in (
        ("render", "*.py"),
        ("web", "*.py"),
        ("cli", "*.py"),
        ("delivery", "*.py"),
        ("web/templates", "*.html"),
    ):
        for file in (PACKAGE / folder).glob(kind):
            for literal, _ in ASKED.findall(file.read_text(encoding="utf-8")):
                found.add(tuple(re.findall(r"[a-z0-9_]+", literal)))
    return found


def test_every_word_that_is_there_is_asked_for():
    asked = _asked()
    unused = [path for path in _paths(WORDS) if not any(path[:n] in asked for n in range(1, len(path) + 1))]
    assert not unused


def test_every_word_that_is_asked_for_is_there():
    paths = set(_paths(WORDS))
    known = {path[:n] for path in paths for n in range(1, len(path) + 1)}
    missing = [path for path in sorted(_asked()) if path[0] in WORDS and path not in known]
    assert not missing
    assert any(path[0] in WORDS for path in _asked())
