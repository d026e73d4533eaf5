"""The names that the package offers, and what importing it costs."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path

from shipped_policy import shipped_texts

import repairadvisor

ROOT = Path(__file__).resolve().parent.parent

PUBLIC_NAMES = [
    "Advice",
    "Context",
    "Policy",
    "Rules",
    "__version__",
    "advise",
    "errors",
    "load_policy",
    "parse_context",
    "prepare",
]

#: The edge: none of it may come along with the two pure functions.
OF_THE_EDGE = {"alembic", "apispec", "flask", "marshmallow", "requests", "rich", "sqlalchemy", "waitress"}


def test_the_package_offers_these_names_and_no_others() -> None:
    assert repairadvisor.__all__ == PUBLIC_NAMES
    offered = {name for name in vars(repairadvisor) if not name.startswith("_")}
    modules = {name for name in offered if f"repairadvisor.{name}" in sys.modules} - {"errors"}

    assert offered - modules <= set(PUBLIC_NAMES)


def test_the_version_is_the_one_of_the_project_file() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]

    assert repairadvisor.__version__ == declared


def test_importing_the_package_brings_nothing_of_the_edge() -> None:
    code = "import sys, repairadvisor; print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True)

    assert OF_THE_EDGE.isdisjoint(loaded.stdout.split())


def test_the_public_names_are_enough_to_be_advised() -> None:
    policy = repairadvisor.load_policy(shipped_texts())
    rules = repairadvisor.prepare(policy)
    context = repairadvisor.parse_context({"place": "rail_side"}, datetime(2031, 5, 4, 7, 30, tzinfo=UTC))
    advice = repairadvisor.advise(context, rules)

    assert isinstance(rules, repairadvisor.Rules)
    assert isinstance(policy, repairadvisor.Policy)
    assert isinstance(context, repairadvisor.Context)
    assert isinstance(advice, repairadvisor.Advice)
    assert advice.action == "out_of_scope"
