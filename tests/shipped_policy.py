"""The files of the policy that ships, read by the tests themselves and not by the product's loader."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any

Raw = dict[str, Any]


def shipped_texts() -> dict[str, str]:
    """Text by name of file."""
    folder = resources.files("repairadvisor.policy") / "default"
    return {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir() if file.name.endswith(".toml")}


def shipped_files() -> dict[str, Raw]:
    """What the files hold, by name."""
    return {name: tomllib.loads(text) for name, text in shipped_texts().items()}


def screens_of(files: Mapping[str, Raw]) -> list[Raw]:
    """The screens of all files, in their order."""
    return [screen for name in sorted(files) if name.startswith("screens_") for screen in files[name]["screen"]]
