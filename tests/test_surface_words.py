"""Every word that a page or paper asks for is in the policy that ships, and none is there that nobody asks for."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

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


# --- and nowhere else -----------------------------------------------------------------------------------------

#: What is typed, set or opened, in templates: no words of a language.
NAMES = {
    "REPAIRADVISOR_PLUGINS",
    "repairadvisor advise",
    "repairadvisor policy prove",
    "/v1/policy",
    "/v1/facts",
    "/openapi.json",
}
#: Modules of surfaces that speak English, and why.
ENGLISH = {
    "render/learnt.py": "a tool of whoever writes a policy",
    "render/policy_check.py": "a tool of whoever writes a policy",
    "render/policy_comparison.py": "a tool of whoever writes a policy",
    "render/proofs.py": "a tool of whoever writes a policy",
    "web/openapi.py": "for programmers",
    "web/operations.py": "for programmers",
    "web/policies.py": "an error message",
    "web/problems.py": "error messages",
    "web/serve.py": "for whoever starts the service",
    "web/told.py": "an error message",
}
#: Two words beside each other, as in a sentence; in a template one word is too many.
SENTENCE, WORD = re.compile(r"[^\W\d_]{2,},? +[a-z]{2,}"), re.compile(r"[^\W\d_]{2,}")
_TEMPLATE_CODE = re.compile(r"\{#.*?#\}|\{\{.*?\}\}|\{%.*?%\}", re.DOTALL)
_TAG = re.compile(r"<[^>]*>", re.DOTALL)
_SPOKEN_ATTRIBUTE = re.compile(r'(?:aria-label|aria-description|alt|title|placeholder|content)="([^"]*)"')
_META = ("width=device-width, initial-scale=1", "light dark")


def words_of_its_own(template: str) -> list[str]:
    """What a template says without asking for it: text between tags, and attributes that are read out."""
    page = _TEMPLATE_CODE.sub("", template)
    # What a block or macro holds is an attribute where its template puts it into a tag.
    said = [piece.strip() for piece in _TAG.sub("\n", page).split("\n") if not re.search(r'="', piece)]
    said += [piece for piece in _SPOKEN_ATTRIBUTE.findall(page) if piece not in _META]
    return [piece for piece in said if WORD.search(piece) and piece not in NAMES]


def sentences_of_its_own(module: str) -> list[str]:
    """Literals of a module that read like a sentence; what it says when it refuses something is no surface's."""
    tree = ast.parse(module)
    spared = {id(one) for node in ast.walk(tree) if _is_spared(node) for one in ast.walk(node)}
    literals = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    texts = [str(one.value) for one in literals if id(one) not in spared]
    return [text for text in texts if SENTENCE.search(_TAG.sub("", text)) and not re.search(r"[<>]|=\"", text)]


def _is_spared(node: ast.AST) -> bool:
    """A docstring, or an error with its words."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    called = getattr(node, "func", None)
    name = getattr(called, "id", getattr(called, "attr", ""))
    return isinstance(node, ast.Raise) or name == "Fault" or name.endswith(("Error", "Type"))


@pytest.mark.parametrize("file", sorted((PACKAGE / "web/templates").glob("*.html")), ids=lambda file: file.name)
def test_no_template_has_a_word_of_its_own(file: Path) -> None:
    assert words_of_its_own(file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "file",
    sorted(file for folder in ("render", "web") for file in (PACKAGE / folder).glob("*.py")),
    ids=lambda file: f"{file.parent.name}/{file.name}",
)
def test_no_module_of_a_surface_has_a_sentence_of_its_own(file: Path) -> None:
    found = sentences_of_its_own(file.read_text(encoding="utf-8"))
    if f"{file.parent.name}/{file.name}" in ENGLISH:
        assert found
    else:
        assert found == []


def test_what_looks_for_words_would_find_them() -> None:
    page = '<p>{{ say("page", "title") }} Stand back</p><input placeholder="not known"><a href="/facts">on</a>'
    assert words_of_its_own(page) == ["Stand back", "on", "not known"]
    module = 'def f(x):\n    """What it does."""\n    raise ValueError("is no number")\n'
    assert sentences_of_its_own(module) == []
    assert sentences_of_its_own(module + '    return f"Wait until {x}"\n') == ["Wait until "]
