"""The rules of the house, held against the tree as it stands."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "repairadvisor"
MODULES = sorted(PACKAGE.rglob("*.py"))
PURE = ("errors.py", "facts", "optics", "policy", "decision", "outcome")

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "repairadvisor", "plugins", "tests", "openapi"}
#: Names that say nothing of what is inside.
EMPTY_NAMES = {"utils", "util", "helpers", "helper", "common", "base", "core", "manager", "managers", "misc"}
LONGEST = 400
#: Longer modules, each with the reason why it is one.
MAY_BE_LONGER = {
    "facts/vocabulary.py": "one table, an entry a fact, without logic: two halves would have to be read side by side",
}
#: What a pure module may import of the world outside: nothing with a clock, a disk, a network or a dice.
WORLDLY = {
    *("asyncio", "importlib", "io", "multiprocessing", "os", "pathlib", "random", "secrets", "shutil", "socket"),
    *("sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "urllib", "uuid"),
    *("alembic", "flask", "marshmallow", "orjson", "requests", "rich", "sqlalchemy", "waitress", "werkzeug"),
}
WORLDLY_CALLS = {"open", "input", "print", "exec", "eval", "__import__"}
CLOCK = {"now", "utcnow", "today"}


def named(file: Path) -> str:
    return file.relative_to(PACKAGE).as_posix()


def is_pure(file: Path) -> bool:
    return named(file).partition("/")[0] in PURE


PURE_MODULES = [file for file in MODULES if is_pure(file)]


def parsed(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"))


def imported(tree: ast.AST) -> Iterator[str]:
    """Every module that is imported, with its dots."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def worldly(tree: ast.AST) -> list[str]:
    """What in a module touches the world: imports, and calls of open, of the clock and their like."""
    found = [name for name in imported(tree) if name.partition(".")[0] in WORLDLY]
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id in WORLDLY_CALLS:
            found.append(f"{node.func.id}() in line {node.lineno}")
        if isinstance(node.func, ast.Attribute) and node.func.attr in CLOCK:
            found.append(f".{node.func.attr}() in line {node.lineno}")
    return found


def committed() -> list[str]:
    """The files that git holds."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True)
    return [name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]


# --- arrows ---------------------------------------------------------------------------------------------------


def test_imports_keep_the_arrows() -> None:
    program = Path(sys.executable).with_name("lint-imports")
    run = subprocess.run([program, "--no-logo", "--no-cache"], cwd=ROOT, capture_output=True, text=True)

    assert run.returncode == 0, run.stdout + run.stderr


def test_the_contract_of_layers_covers_every_folder() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]
    layers = next(contract for contract in settings["contracts"] if contract["type"] == "layers")
    agreed = {word for row in layers["layers"] for word in re.findall(r"\w+", row)} | set(layers["exhaustive_ignores"])
    there = {entry.stem for entry in PACKAGE.iterdir() if entry.suffix == ".py" or (entry / "__init__.py").is_file()}

    assert layers["exhaustive"] is True
    assert there - {"__init__"} <= agreed


# --- the pure core --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", PURE_MODULES, ids=named)
def test_the_core_touches_nothing_of_the_world(file: Path) -> None:
    assert worldly(parsed(file)) == []


@pytest.mark.parametrize(
    "code",
    [
        "import os",
        "from pathlib import Path",
        "import numpy, random",
        "open('x')",
        "from datetime import datetime\ndatetime.now()",
        "import time\ntime.time()",
    ],
)
def test_what_touches_the_world_is_found(code: str) -> None:
    assert worldly(ast.parse(code)) != []


@pytest.mark.parametrize("file", MODULES, ids=named)
def test_nothing_draws_a_random_number(file: Path) -> None:
    drawn = [name for name in imported(parsed(file)) if name.startswith(("numpy.random", "random"))]
    text = file.read_text(encoding="utf-8")

    assert drawn == []
    assert not re.search(r"\b(np|numpy)\.random\b", text)


@pytest.mark.parametrize("file", PURE_MODULES, ids=named)
def test_the_core_iterates_over_no_set_literal(file: Path) -> None:
    """The order of a set changes from run to run: what is gone through may not be one."""
    through = [node.iter for node in ast.walk(parsed(file)) if isinstance(node, ast.For | ast.comprehension)]
    sets = [
        one
        for one in through
        if isinstance(one, ast.Set | ast.SetComp)
        or (isinstance(one, ast.Call) and isinstance(one.func, ast.Name) and one.func.id in ("set", "frozenset"))
    ]

    assert [one.lineno for one in sets] == []


# --- names and sizes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", MODULES, ids=named)
def test_a_module_is_named_by_what_it_makes(file: Path) -> None:
    names = {file.stem, file.parent.name}

    assert not EMPTY_NAMES & names
    assert not any(re.search(r"(^|_)(v\d+|utils?|helpers?|managers?)($|_)", name) for name in names)


@pytest.mark.parametrize("file", MODULES, ids=named)
def test_a_module_says_what_it_is(file: Path) -> None:
    assert ast.get_docstring(parsed(file))


@pytest.mark.parametrize("file", MODULES, ids=named)
def test_a_module_reads_in_one_sitting(file: Path) -> None:
    lines = len(file.read_text(encoding="utf-8").splitlines())

    assert lines <= LONGEST or named(file) in MAY_BE_LONGER


def test_a_reason_for_length_is_kept_only_while_it_is_needed() -> None:
    too_long = {named(file) for file in MODULES if len(file.read_text(encoding="utf-8").splitlines()) > LONGEST}

    assert set(MAY_BE_LONGER) == too_long


# --- the repository -------------------------------------------------------------------------------------------


def test_the_top_level_holds_the_agreed_names_only() -> None:
    names = {name.partition("/")[0] for name in committed()}

    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


#: Hosts that give out packages, and folders of one machine. Put together here so that this file holds none of them.
_HOSTS = tuple(".".join(parts) for parts in (("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "com")))
_FOLDERS = tuple(
    "/" + "/".join(parts) + "/" for parts in (("work", "main"), ("work", "shared"), ("root",), ("tmp", "venv"))
)


@pytest.mark.parametrize("name", committed())
def test_no_committed_file_knows_this_machine_or_a_registry(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8", errors="replace")

    assert [host for host in _HOSTS if host in text] == []
    assert [folder for folder in _FOLDERS if folder in text] == []
