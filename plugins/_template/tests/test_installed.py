"""The plugin as an operator meets it."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import EXAMPLES, SECRET
from repairadvisor_template import DeskCarrier, DeskSource

from repairadvisor.errors import SettingsError
from repairadvisor.plugin.loading import open_plugins
from repairadvisor.testing import installed_plugin

NAME = "template"
ENVIRONMENT = {"DESK_SECRET": SECRET, "DESK_TOKEN": "token"}


def test_it_is_installed() -> None:
    assert installed_plugin("sources", NAME).made_by is DeskSource
    assert installed_plugin("carriers", NAME).made_by is DeskCarrier


def test_the_example_settings_are_taken() -> None:
    plugins = open_plugins(str(EXAMPLES / "plugins.toml"), ENVIRONMENT)

    assert isinstance(plugins.sources["desk"].source, DeskSource)
    assert isinstance(plugins.carriers["desk"], DeskCarrier)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('"https://desk.example/api"', '"http://desk.example/api"', "carriers.desk.url.*https"),
        ('"https://desk.example/api"', '"https://me:pw@desk.example"', "carriers.desk.url.*without user"),
        ('"https://desk.example/api"', '"https://[x"', "carriers.desk.url.*no address"),
        ("timeout_s = 10", "timeout_s = 0", "carriers.desk.timeout_s.*1 to 120 s"),
        ("timeout_s = 10", "time_s = 10", "carriers.desk.time_s"),
        ('{ environment = "DESK_SECRET" }', '"short"', "sources.desk.secret.*24 to 200"),
        ('{ environment = "DESK_TOKEN" }', '"a b"', "carriers.desk.token.*ASCII"),
    ],
)
def test_wrong_settings_are_refused_by_name(tmp_path: Path, before: str, after: str, said: str) -> None:
    text = (EXAMPLES / "plugins.toml").read_text(encoding="utf-8")
    assert before in text
    (tmp_path / "plugins.toml").write_text(text.replace(before, after), encoding="utf-8")

    with pytest.raises(SettingsError, match=said):
        open_plugins(str(tmp_path / "plugins.toml"), ENVIRONMENT)
