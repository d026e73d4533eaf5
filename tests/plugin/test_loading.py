"""Which plugins are there and used: everything that the operator's file may say, and how the rest is refused.

The plugins are made here, except at the end, where a distribution is put on the path and found for real.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import pytest
from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from repairadvisor import cli
from repairadvisor.errors import SettingsError
from repairadvisor.plugin import LEAST_LONGEST_NOTE, HeldNote, NoteChange, RawEvent, Ticket, loading
from repairadvisor.plugin.loading import CHECK_AFTER_S, RETRY_AFTER_S, Plugins, installed, open_plugins

FILE = "plugins.toml"
SECRET = "hunter2-of-lanternfield"


# --- plugins --------------------------------------------------------------------------------------------------


class ProxySettings(Schema):
    url = fields.Str(required=True)
    password = fields.Str(load_default="", validate=validate.Length(min=8))


class DeskSettings(Schema):
    key = fields.Str(load_default="", validate=validate.Length(max=30))
    keys = fields.List(fields.Str(validate=validate.Length(min=8)), load_default=list)
    port = fields.Int(load_default=443)
    proxy = fields.Nested(ProxySettings, load_default=None)
    routes = fields.Dict(load_default=dict)

    @validates_schema
    def _not_both(self, data: Mapping[str, Any], **_: Any) -> None:
        if data["key"] and data["keys"]:
            raise ValidationError("either key or keys")


class Made:
    """Keeps the settings it was made from."""

    settings: type[Schema] = DeskSettings

    def __init__(self, **settings: Any) -> None:
        self.given = settings


class DeskSource(Made):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        raise AssertionError("is not asked here")

    def read(self, event: RawEvent) -> Ticket | None:
        """Tells of no ticket."""


class DeskCarrier(Made):
    longest_note = LEAST_LONGEST_NOTE

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        """Cannot look."""

    def change(self, reference: str, change: NoteChange) -> None:
        """Writes nothing."""


class Routes(Made):
    def facts(self, ticket: Ticket, now: datetime) -> Mapping[str, object]:
        raise AssertionError("is not asked here")


class Both(DeskSource, DeskCarrier):
    """One class for two seams."""


class Choosy(DeskSource):
    def __init__(self, **settings: Any) -> None:
        raise ValueError(f"port = {settings['port']}: this desk takes no events there; allowed: 1024 to 65535")


class Faulty(DeskSource):
    def __init__(self) -> None:
        """Takes none of the settings that its schema gives."""


class WithoutSettings:
    """No plugin: nothing says what it takes."""


class WithSettingsOfItsOwn:
    settings: Mapping[str, object] = {"key": ""}


class WithASchemaAlreadyMade:
    settings = DeskSettings()


@dataclass(frozen=True)
class Distribution:
    name: str = "lantern-desk"
    version: str = "2.1"


@dataclass(frozen=True)
class Entry:
    """An entry point as the library gives it."""

    name: str
    plugin: Any
    dist: Distribution | None = field(default_factory=Distribution)

    def load(self) -> Any:
        if isinstance(self.plugin, BaseException):
            raise self.plugin
        return self.plugin


SOURCES, CARRIERS, FACTS = "repairadvisor.ticket_sources", "repairadvisor.note_carriers", "repairadvisor.facts_sources"
Install = Callable[..., None]


@pytest.fixture
def install(monkeypatch: pytest.MonkeyPatch) -> Install:
    """Makes these the only plugins that are installed."""

    def installs(sources: Sequence[Entry] = (), carriers: Sequence[Entry] = (), facts: Sequence[Entry] = ()) -> None:
        groups = {SOURCES: sources, CARRIERS: carriers, FACTS: facts}
        monkeypatch.setattr(loading, "entry_points", lambda group: groups[group])

    return installs


@pytest.fixture(autouse=True)
def _desk_and_routes(install: Install) -> None:
    install(
        [Entry("desk", DeskSource), Entry("both", Both), Entry("choosy", Choosy), Entry("faulty", Faulty)],
        [Entry("desk", DeskCarrier), Entry("both", Both), Entry("mute", DeskSource)],
        [Entry("routes", Routes), Entry("mute", DeskCarrier)],
    )


@pytest.fixture
def opened(tmp_path: Path) -> Callable[..., Plugins]:
    """What comes of a file with this text."""

    def opens(text: str, **environment: str) -> Plugins:
        (tmp_path / FILE).write_text(text, encoding="utf-8")
        return open_plugins(str(tmp_path / FILE), environment)

    return opens


@pytest.fixture
def refused(opened: Callable[..., Plugins]) -> Callable[..., SettingsError]:
    """How a file with this text is refused."""

    def refuses(text: str, **environment: str) -> SettingsError:
        with pytest.raises(SettingsError) as caught:
            opened(text, **environment)
        return caught.value

    return refuses


Opened, Refused = Callable[..., Plugins], Callable[..., SettingsError]


def given(plugins: Plugins) -> dict[str, Any]:
    """The settings with which the source called desk was made."""
    source: Any = plugins.sources["desk"].source
    return dict(source.given)


#: A source called desk with a carrier of the same name; what follows belongs to the source.
DESK = '[carriers.desk]\nplugin = "desk"\n[sources.desk]\nplugin = "desk"\n'


# --- what is installed ----------------------------------------------------------------------------------------


def test_without_a_file_nothing_is_used() -> None:
    plugins = open_plugins("", {})
    assert (plugins.sources, plugins.carriers, plugins.facts) == ({}, {}, ())
    assert (plugins.retry_after_s, plugins.check_after_s) == (RETRY_AFTER_S, CHECK_AFTER_S)


def test_an_empty_file_says_the_same_as_none(opened: Opened) -> None:
    assert opened("") == open_plugins("", {})
    assert opened("[sources]\n[carriers]\n[facts]\n[delivery]\n") == open_plugins("", {})


def test_plugins_stand_in_the_order_of_seams_and_names(install: Install) -> None:
    install(
        [Entry("rose", DeskSource), Entry("ash", DeskSource)],
        [Entry("rose", DeskCarrier), Entry("elm", DeskCarrier)],
        [Entry("ash", Routes)],
    )
    names = [("sources", "ash"), ("sources", "rose"), ("carriers", "elm"), ("carriers", "rose"), ("facts", "ash")]
    assert [(one.seam, one.name) for one in installed()] == names
    assert {one.distribution for one in installed()} == {"lantern-desk 2.1"}
    assert installed()[2].made_by is DeskCarrier


BROKEN = {
    "a library is missing": ModuleNotFoundError("No module named 'tallow'"),
    "no such class": AttributeError("module 'tallow' has no attribute 'Source'"),
    "anything else": ZeroDivisionError("division by zero"),
    "its module ends the program": SystemExit(0),
    "no settings": WithoutSettings,
    "settings that are no schema": WithSettingsOfItsOwn,
    "a schema that is made already": WithASchemaAlreadyMade,
    "not a class": Made(),
    "a module": math,
    "nothing": None,
}


@pytest.mark.parametrize("seam", ["sources", "carriers", "facts"])
@pytest.mark.parametrize("plugin", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_plugin_stops_the_start_though_nobody_uses_it(install: Install, seam: str, plugin: Any) -> None:
    install(**{seam: [Entry("tallow", plugin, Distribution("tallow-lane", "0.3"))]})
    with pytest.raises(SettingsError) as caught:
        open_plugins("", {})
    assert (caught.value.setting, caught.value.value) == ("plugin", "tallow of tallow-lane 0.3")
    if isinstance(plugin, BaseException):
        assert caught.value.problem == f"cannot be loaded: {type(plugin).__name__}: {plugin}"
        assert caught.value.__cause__ is plugin
    else:
        assert caught.value.problem == "is no class with a marshmallow schema called settings"


def test_a_broken_plugin_is_told_before_the_file_is_read(install: Install, tmp_path: Path) -> None:
    install([Entry("tallow", ImportError("not today"))])
    with pytest.raises(SettingsError, match="tallow of lantern-desk"):
        open_plugins(str(tmp_path / "there-is-none.toml"), {})


def test_a_plugin_of_unknown_origin_is_named_as_such(install: Install) -> None:
    install([Entry("tallow", DeskSource, dist=None)])
    assert [one.distribution for one in installed()] == ["an unknown distribution"]
    install([Entry("tallow", ImportError("not today"), dist=None)])
    with pytest.raises(SettingsError, match="tallow of an unknown distribution: cannot be loaded"):
        installed()


def test_two_plugins_of_one_name_are_refused(install: Install) -> None:
    """Or it would be a matter of luck which of the two is used."""
    rose, thorn = Distribution("rose", "1.0"), Distribution("thorn", "4.2")
    install([Entry("mill", DeskSource, rose), Entry("elm", DeskSource), Entry("mill", DeskSource, thorn)])
    with pytest.raises(SettingsError, match=f"mill of rose 1.0 and of thorn 4.2: stands twice in {SOURCES}"):
        installed()


def test_one_name_may_stand_for_several_seams(install: Install) -> None:
    install([Entry("mill", DeskSource)], [Entry("mill", DeskCarrier)], [Entry("mill", Routes)])
    assert [(one.seam, one.name) for one in installed()] == [
        (seam, "mill") for seam in ("sources", "carriers", "facts")
    ]


# --- what is used ---------------------------------------------------------------------------------------------


def test_what_the_file_names_is_made_from_its_settings(opened: Opened) -> None:
    plugins = opened(
        """
        [sources.night]
        plugin = "desk"
        notes = "depot"
        key = "one"
        port = 8443
        [sources.day]
        plugin = "both"
        [carriers.depot]
        plugin = "desk"
        key = "two"
        [carriers.day]
        plugin = "desk"
        key = "four"
        [facts.plant]
        plugin = "routes"
        budget_s = 1.5
        key = "three"
        """
    )
    sources = [(name, type(one.source)) for name, one in plugins.sources.items()]
    assert sources == [("night", DeskSource), ("day", Both)]
    assert [(name, type(one)) for name, one in plugins.carriers.items()] == [
        ("depot", DeskCarrier),
        ("day", DeskCarrier),
    ]
    made: Any = {"night": plugins.sources["night"].source, "depot": plugins.carriers["depot"]}
    assert made["night"].given == {"key": "one", "keys": [], "port": 8443, "proxy": None, "routes": {}}
    assert made["depot"].given["key"] == "two"
    assert {name: (one.name, one.notes) for name, one in plugins.sources.items()} == {
        "night": ("night", "depot"),
        "day": ("day", "day"),
    }
    (facts,) = plugins.facts
    source: Any = facts.source
    assert (facts.name, facts.budget_s, source.given["key"]) == ("plant", 1.5, "three")


def test_two_sources_have_two_carriers(refused: Refused) -> None:
    """One carrier for both would give one ticket two notes that know nothing of each other."""
    message = refused(
        """
        [sources.night]
        plugin = "desk"
        notes = "depot"
        [sources.day]
        plugin = "desk"
        notes = "depot"
        [carriers.depot]
        plugin = "desk"
        """
    )
    assert "sources.night.notes = depot: also brings those of day" in str(message)


def test_they_stand_in_the_order_of_the_file(opened: Opened) -> None:
    names = ["zeal", "ash", "mill"]
    plugins = opened(
        "\n".join(
            f'[{seam}.{name}]\nplugin = "{plugin}"'
            for seam, plugin in (("carriers", "desk"), ("sources", "desk"), ("facts", "routes"))
            for name in names
        )
    )
    assert [one.name for one in plugins.facts] == names
    assert list(plugins.sources) == list(plugins.carriers) == names


def test_one_plugin_may_be_used_twice_and_is_made_twice(opened: Opened) -> None:
    plugins = opened('[carriers.ash]\nplugin = "desk"\n[carriers.elm]\nplugin = "desk"\nkey = "other"')
    ash, elm = plugins.carriers.values()
    assert ash is not elm


def test_a_plugin_of_one_class_for_two_seams_is_made_for_each(opened: Opened) -> None:
    plugins = opened('[carriers.desk]\nplugin = "both"\n[sources.desk]\nplugin = "both"')
    source: Any = plugins.sources["desk"].source
    assert source is not plugins.carriers["desk"]


def test_notes_of_a_source_go_by_the_carrier_of_its_name_unless_it_says_so(opened: Opened) -> None:
    assert opened(DESK).sources["desk"].notes == "desk"
    other = DESK + 'notes = "mill"\n[carriers.mill]\nplugin = "desk"'
    assert opened(other).sources["desk"].notes == "mill"


@pytest.mark.parametrize("notes", ["", 'notes = "mill"', 'notes = ""', 'notes = "desk "'])
def test_a_source_whose_notes_nobody_would_bring_is_refused(refused: Refused, notes: str) -> None:
    error = refused(f'[carriers.depot]\nplugin = "desk"\n[sources.desk]\nplugin = "desk"\n{notes}')
    assert (error.setting, error.problem, error.allowed) == (f"{FILE}: sources.desk.notes", "is no carrier", "depot")


@pytest.mark.parametrize("notes", ["7", '["desk"]', "true", '{ environment = "NOTES" }'])
def test_the_carrier_of_a_source_is_named_by_text(refused: Refused, notes: str) -> None:
    error = refused(f"{DESK}notes = {notes}", NOTES="desk")
    assert (error.setting, error.problem) == (f"{FILE}: sources.desk.notes", "is missing or is no text")


def test_what_the_core_reads_is_not_told_to_the_plugin(opened: Opened) -> None:
    assert not {"plugin", "notes"} & set(given(opened(DESK + 'notes = "desk"')))


def test_notes_and_budgets_belong_to_one_seam_each(refused: Refused) -> None:
    """Elsewhere they are settings like any other, and the plugin knows none."""
    error = refused(DESK + "budget_s = 3")
    assert (error.setting, error.problem) == (f"{FILE}: sources.desk.budget_s", "Unknown field.")
    error = refused('[carriers.desk]\nplugin = "desk"\nnotes = "desk"')
    assert (error.setting, error.problem) == (f"{FILE}: carriers.desk.notes", "Unknown field.")


# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "named"),
    [('[source.desk]\nplugin = "desk"', "source"), ("secrets = []", "secrets"), ("[plugin]", "plugin"), ('"" = 1', "")],
)
def test_an_unknown_table_is_refused(refused: Refused, table: str, named: str) -> None:
    error = refused(table)
    assert (error.setting, error.problem) == (f"{FILE}: {named}", "is not known here")
    assert error.allowed == "sources, carriers, facts, delivery"


@pytest.mark.parametrize("seam", ["sources", "carriers", "facts", "delivery"])
@pytest.mark.parametrize("value", ["3", '"desk"', "[]", "true"])
def test_what_should_be_a_table_and_is_none_is_refused(refused: Refused, seam: str, value: str) -> None:
    error = refused(f"{seam} = {value}")
    assert (error.setting, error.problem, error.allowed) == (f"{FILE}: {seam}", "is no table", f"[{seam}]")


@pytest.mark.parametrize("seam", ["sources", "carriers", "facts"])
def test_a_setting_beside_the_tables_of_plugins_is_refused(refused: Refused, seam: str) -> None:
    error = refused(f'[{seam}]\nplugin = "desk"')
    assert (error.setting, error.problem) == (f"{FILE}: {seam}.plugin", "is no table")
    assert error.allowed == f"[{seam}.plugin]"


@pytest.mark.parametrize("name", ["a", "a1-_z", "x" * 40])
def test_names_are_the_operators_own(opened: Opened, name: str) -> None:
    assert list(opened(f'[carriers.{name}]\nplugin = "desk"').carriers) == [name]


@pytest.mark.parametrize("seam", ["sources", "carriers", "facts"])
@pytest.mark.parametrize(
    "name", ["", "Desk", "7desk", "-desk", "_desk", "de sk", "a/b", "..", "dé", "desk\\n", "x" * 41]
)
def test_a_name_that_would_not_do_in_an_address_is_refused(refused: Refused, seam: str, name: str) -> None:
    error = refused(f'[{seam}."{name}"]\nplugin = "desk"')
    assert (error.setting, error.problem) == (f"{FILE}: {seam}", "is no name")
    assert error.value == name.replace("\\n", "\n")
    assert error.allowed == "small letters, digits, - and _, up to 40"


@pytest.mark.parametrize(
    ("seam", "there"),
    [("sources", "both, choosy, desk, faulty"), ("carriers", "both, desk, mute"), ("facts", "mute, routes")],
)
def test_a_plugin_that_is_not_installed_is_told_beside_those_that_are(refused: Refused, seam: str, there: str) -> None:
    error = refused(f'[{seam}.desk]\nplugin = "tallow"')
    assert (error.setting, error.value) == (f"{FILE}: {seam}.desk.plugin", "tallow")
    assert (error.problem, error.allowed) == (f"is not installed for {seam}", there)


def test_a_plugin_of_another_seam_is_not_installed_for_this_one(refused: Refused) -> None:
    assert refused('[facts.desk]\nplugin = "desk"').problem == "is not installed for facts"


def test_where_none_is_installed_that_is_said(refused: Refused, install: Install) -> None:
    install()
    assert refused('[sources.desk]\nplugin = "desk"').allowed == "none is installed"


@pytest.mark.parametrize("plugin", ["", "plugin = 7", "plugin = []", 'plugin = { environment = "PLUGIN" }'])
@pytest.mark.parametrize("seam", ["sources", "carriers", "facts"])
def test_a_table_without_a_plugin_is_refused(refused: Refused, seam: str, plugin: str) -> None:
    error = refused(f"[{seam}.desk]\n{plugin}", PLUGIN="desk")
    assert (error.setting, error.problem) == (f"{FILE}: {seam}.desk.plugin", "is missing or is no text")


#: Settings that the plugin's schema refuses, with what is named and what is said. What stands there may be a secret.
NOT_TAKEN = {
    "unknown": ('kay = "SECRET"', "sources.desk.kay", "Unknown field."),
    "too long": (f'key = "{"SECRET" * 2}"', "sources.desk.key", "Longer than maximum length 30."),
    "not text": ("key = 7", "sources.desk.key", "Not a valid string."),
    "not a number": ('port = "SECRET"', "sources.desk.port", "Not a valid integer."),
    "in a list": ('keys = ["SECRET", "short"]', "sources.desk.keys.1", "Shorter than minimum length 8."),
    "in a table": (
        'proxy = { url = "SECRET", password = "short" }',
        "sources.desk.proxy.password",
        "Shorter than minimum length 8.",
    ),
    "missing": ('proxy = { password = "SECRET" }', "sources.desk.proxy.url", "Missing data for required field."),
    "from the environment": ('port = { environment = "KEY" }', "sources.desk.port", "Not a valid integer."),
    "of the whole": ('key = "SECRET"\nkeys = ["SECRET"]', "sources.desk._schema", "either key or keys"),
}


@pytest.mark.parametrize(("settings", "named", "said"), NOT_TAKEN.values(), ids=NOT_TAKEN.keys())
def test_settings_that_a_plugin_does_not_take_are_named_without_their_value(
    refused: Refused, settings: str, named: str, said: str
) -> None:
    error = refused(DESK + settings.replace("SECRET", SECRET), KEY=SECRET)
    assert (error.setting, error.value, error.problem) == (f"{FILE}: {named}", "", said)
    assert SECRET not in str(error)
    assert str(error) == f"{FILE}: {named}: {said}"


def test_what_a_plugin_says_against_its_settings_is_passed_on(refused: Refused) -> None:
    error = refused(DESK.replace('[sources.desk]\nplugin = "desk"', '[sources.desk]\nplugin = "choosy"'))
    assert (error.setting, error.value) == (f"{FILE}: sources.desk", "choosy")
    assert error.problem == (
        "lantern-desk 2.1 cannot use these settings: "
        "port = 443: this desk takes no events there; allowed: 1024 to 65535"
    )
    assert isinstance(error.__cause__, ValueError)


def test_a_plugin_that_cannot_be_made_is_told_whatever_it_raises(refused: Refused) -> None:
    error = refused('[sources.desk]\nplugin = "faulty"')
    assert (error.setting, error.value) == (f"{FILE}: sources.desk", "faulty")
    assert error.problem.startswith("lantern-desk 2.1 cannot use these settings: ")
    assert isinstance(error.__cause__, TypeError)


@pytest.mark.parametrize(("seam", "wanted"), [("carriers", "NoteCarrier"), ("facts", "FactsSource")])
def test_something_that_does_not_do_what_its_seam_asks_is_refused(refused: Refused, seam: str, wanted: str) -> None:
    error = refused(f'[{seam}.desk]\nplugin = "mute"')
    assert (error.setting, error.value) == (f"{FILE}: {seam}.desk", "mute")
    assert error.problem == f"lantern-desk 2.1 made something that is no {wanted}"


def test_a_source_that_cannot_read_is_no_source(refused: Refused, install: Install) -> None:
    install([Entry("mute", Routes)], [Entry("desk", DeskCarrier)])
    error = refused('[sources.desk]\nplugin = "mute"')
    assert error.problem == "lantern-desk 2.1 made something that is no TicketSource"


class Polled(DeskSource):
    poll_every_s = 60.0

    def fetch(self, cursor: str) -> Any:
        raise AssertionError("is not asked here")

    def settle(self, keys: Sequence[str]) -> None:
        raise AssertionError("is not asked here")


@pytest.mark.parametrize("poll_every_s", [0, -1.0, math.nan])
def test_a_source_that_would_be_asked_all_the_time_or_never_is_refused(
    opened: Opened, refused: Refused, install: Install, poll_every_s: float
) -> None:
    install([Entry("desk", Polled)], [Entry("desk", DeskCarrier)])
    assert opened(DESK).sources
    install([Entry("desk", type("Hasty", (Polled,), {"poll_every_s": poll_every_s}))], [Entry("desk", DeskCarrier)])
    assert refused(DESK).problem.endswith(f"whose poll_every_s is {poll_every_s}; allowed: above 0 (s)")


@pytest.mark.parametrize("missing", ["poll_every_s", "settle"])
def test_a_source_that_nobody_would_ask_is_refused(refused: Refused, install: Install, missing: str) -> None:
    parts = {
        name: value for name, value in vars(Polled).items() if name in {"poll_every_s", "fetch", "settle"} - {missing}
    }
    install([Entry("desk", type("Half", (DeskSource,), parts))], [Entry("desk", DeskCarrier)])
    assert refused(DESK).problem.endswith("that has a method fetch and is no PolledSource")


@pytest.mark.parametrize("longest_note", [LEAST_LONGEST_NOTE - 1, 0, -1])
def test_a_carrier_of_short_notes_is_refused(refused: Refused, install: Install, longest_note: int) -> None:
    """With one character more it is taken: as all of those above."""
    install(carriers=[Entry("desk", type("Short", (DeskCarrier,), {"longest_note": longest_note}))])
    error = refused('[carriers.desk]\nplugin = "desk"')
    assert (error.setting, error.value) == (f"{FILE}: carriers.desk.longest_note", str(longest_note))
    assert (error.problem, error.allowed) == ("is too short for a note", f"{LEAST_LONGEST_NOTE} characters or more")


# --- secrets --------------------------------------------------------------------------------------------------


def test_a_secret_comes_from_the_environment(opened: Opened) -> None:
    plugins = opened(DESK + 'key = { environment = "DESK_KEY" }', DESK_KEY=f" {SECRET} ")
    assert given(plugins)["key"] == f" {SECRET} "


def test_only_the_environment_that_was_passed_in_counts(refused: Refused, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DESK_KEY", SECRET)
    assert refused(DESK + 'key = { environment = "DESK_KEY" }').value == "DESK_KEY"


@pytest.mark.parametrize("environment", [{}, {"DESK_KEY": ""}, {"desk_key": SECRET}])
def test_a_secret_that_is_not_in_the_environment_is_refused(refused: Refused, environment: dict[str, str]) -> None:
    error = refused(DESK + 'key = { environment = "DESK_KEY" }', **environment)
    assert (error.setting, error.value) == (f"{FILE}: sources.desk.key", "DESK_KEY")
    assert error.problem == "is not set in the environment"


def test_a_secret_comes_from_a_file_beside_the_settings(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever the program is started; the line break that an editor leaves at its end is not part of it."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    (elsewhere / "desk.secret").write_text("the wrong one")
    (tmp_path / "desk.secret").write_text(f"{SECRET} µ\r\n", encoding="utf-8")
    assert given(opened(DESK + 'key = { file = "desk.secret" }'))["key"] == f"{SECRET} µ"


def test_a_secret_comes_from_a_file_in_a_folder_or_anywhere(opened: Opened, tmp_path: Path) -> None:
    folder = tmp_path / "secrets"
    folder.mkdir()
    (folder / "desk").write_text(SECRET)
    assert given(opened(DESK + 'key = { file = "secrets/desk" }'))["key"] == SECRET
    assert given(opened(DESK + f'key = {{ file = "{folder / "desk"}" }}'))["key"] == SECRET


@pytest.mark.parametrize("content", ["", " \r\n"])
def test_an_empty_secret_file_is_no_secret(refused: Refused, tmp_path: Path, content: str) -> None:
    """As an empty variable is none: a signature made with it could be made by anybody."""
    (tmp_path / "desk.secret").write_text(content)
    error = refused(DESK + 'key = { file = "desk.secret" }')
    assert (error.setting, error.value) == (f"{FILE}: sources.desk.key", "desk.secret")
    assert error.problem == "holds nothing"


@pytest.mark.parametrize("settings", ['key = { environment = "KEY" }', 'key = { file = "desk.secret" }'])
def test_no_secret_is_told_by_a_plugin_that_falls_over_it(
    refused: Refused, install: Install, tmp_path: Path, settings: str
) -> None:
    class ReadsANumber(DeskSource):
        def __init__(self, **settings: Any) -> None:
            super().__init__(port=int(settings["key"]))

    install([Entry("desk", ReadsANumber)], [Entry("desk", DeskCarrier)])
    (tmp_path / "desk.secret").write_text(SECRET)
    error = refused(DESK + settings, KEY=SECRET)
    assert SECRET not in str(error)
    assert error.problem.endswith("invalid literal for int() with base 10: '(a secret)'")


@pytest.mark.parametrize("seam", ["sources", "carriers", "facts"])
def test_a_setting_that_went_astray_is_not_shown(refused: Refused, seam: str) -> None:
    error = refused(f'[{seam}]\nsecrets = ["{SECRET}"]')
    assert error.setting == f"{FILE}: {seam}.secrets"
    assert SECRET not in str(error)


@pytest.mark.parametrize("name", ["none", "folder", "", "latin-1", "none\\u0000", "latin-1/none"])
def test_a_secret_file_that_cannot_be_read_is_named(refused: Refused, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "latin-1").write_bytes(SECRET.encode() + b"\xe9")
    error = refused(DESK + f'key = {{ file = "{name}" }}')
    assert (error.setting, error.problem) == (f"{FILE}: sources.desk.key", "is no text file that can be read")
    assert error.value == name.replace("\\u0000", "\x00")
    assert SECRET not in str(error)


def test_secrets_stand_anywhere_in_lists_and_tables(opened: Opened, tmp_path: Path) -> None:
    (tmp_path / "second").write_text("second-secret")
    plugins = opened(
        DESK
        + """
        keys = ["first-secret", { file = "second" }, { environment = "THIRD" }]
        proxy = { url = "https://proxy.example", password = { environment = "PROXY" } }
        [sources.desk.routes.north]
        levels = [[{ environment = "THIRD" }], [{ deep = { file = "second" } }]]
        """,
        THIRD="third-secret",
        PROXY="proxy-secret",
    )
    assert given(plugins)["keys"] == ["first-secret", "second-secret", "third-secret"]
    assert given(plugins)["proxy"] == {"url": "https://proxy.example", "password": "proxy-secret"}
    assert given(plugins)["routes"] == {"north": {"levels": [["third-secret"], [{"deep": "second-secret"}]]}}


@pytest.mark.parametrize(
    ("settings", "named"),
    [
        ('keys = ["first-secret", { environment = "GONE" }]', "keys[1]"),
        ('proxy = { url = "", password = { environment = "GONE" } }', "proxy.password"),
        ('[sources.desk.routes]\nnorth = [[], [{ deep = { file = "GONE" } }]]', "routes.north[1][0].deep"),
    ],
)
def test_a_secret_that_is_missing_is_named_by_its_place(refused: Refused, settings: str, named: str) -> None:
    error = refused(DESK + settings)
    assert (error.setting, error.value) == (f"{FILE}: sources.desk.{named}", "GONE")


def test_a_table_that_says_more_is_a_table(opened: Opened) -> None:
    routes = '{ environment = "HOME", file = "x" }'
    assert given(opened(f"{DESK}routes = {routes}", HOME="/"))["routes"] == {"environment": "HOME", "file": "x"}


def test_what_a_secret_says_is_not_looked_into(opened: Opened) -> None:
    told = '{ file = "/etc/hostname" }'
    assert given(opened(DESK + 'key = { environment = "KEY" }', KEY=told))["key"] == told


# --- numbers --------------------------------------------------------------------------------------------------

FACTS_TABLE = '[facts.plant]\nplugin = "routes"\n'
DELIVERY_TABLE = "[delivery]\n"


def test_advice_waits_three_seconds_for_facts_unless_the_operator_says_so(opened: Opened) -> None:
    assert [one.budget_s for one in opened(FACTS_TABLE).facts] == [3.0]


@pytest.mark.parametrize("budget_s", ["0.1", "3", "29.999", "30", "30.0"])
def test_a_budget_is_within_its_range(opened: Opened, budget_s: str) -> None:
    assert [one.budget_s for one in opened(f"{FACTS_TABLE}budget_s = {budget_s}").facts] == [float(budget_s)]


NO_NUMBERS = ["nan", "inf", "-inf", "true", '"3"', "[3]", "{}", '{ environment = "BUDGET" }', "2031-05-04"]


@pytest.mark.parametrize(
    "budget_s", [repr(math.nextafter(0.1, 0)), repr(math.nextafter(30, 31)), "0", "-3", "31", *NO_NUMBERS]
)
def test_a_budget_outside_its_range_is_refused(refused: Refused, budget_s: str) -> None:
    error = refused(f"{FACTS_TABLE}budget_s = {budget_s}", BUDGET="3")
    assert (error.setting, error.problem) == (f"{FILE}: facts.plant.budget_s", "is not within its range")
    assert error.allowed == "0.1 to 30 s"


@pytest.mark.parametrize(
    ("waits", "read"),
    [
        ("[]", ()),
        ("[0]", (0.0,)),
        ("[5, 2.5, 604800]", (5.0, 2.5, 604800.0)),
        (f"[{'1,' * 50}]", (1.0,) * 50),
    ],
)
def test_waits_between_attempts_are_the_operators(opened: Opened, waits: str, read: tuple[float, ...]) -> None:
    assert opened(f"{DELIVERY_TABLE}retry_after_s = {waits}").retry_after_s == read


def test_waits_that_nobody_set_get_longer_and_end() -> None:
    assert list(RETRY_AFTER_S) == sorted(set(RETRY_AFTER_S))
    assert len(RETRY_AFTER_S) <= loading.MOST_RETRIES
    assert max(RETRY_AFTER_S) <= loading.LONGEST_RETRY_S


@pytest.mark.parametrize("waits", ["5", '"5"', "{}", "true", f"[{'1,' * 51}]"])
def test_what_is_no_list_of_waits_is_refused(refused: Refused, waits: str) -> None:
    error = refused(f"{DELIVERY_TABLE}retry_after_s = {waits}")
    assert (error.setting, error.problem) == (f"{FILE}: delivery.retry_after_s", "is no list of waits")
    assert error.allowed == "up to 50 numbers (s)"


@pytest.mark.parametrize("wait", ["-1", "-1e-9", repr(math.nextafter(604800, math.inf)), "1e400", *NO_NUMBERS])
def test_a_wait_outside_its_range_is_named_by_its_place(refused: Refused, wait: str) -> None:
    error = refused(f"{DELIVERY_TABLE}retry_after_s = [5, {wait}]")
    assert (error.setting, error.problem) == (f"{FILE}: delivery.retry_after_s[1]", "is not within its range")
    assert error.allowed == "0 to 604800 s"


@pytest.mark.parametrize("wait", ["0", "0.5", "604800"])
def test_the_wait_before_the_last_look_is_the_operators(opened: Opened, wait: str) -> None:
    assert opened(f"{DELIVERY_TABLE}check_after_s = {wait}").check_after_s == float(wait)


@pytest.mark.parametrize("wait", ["-1", repr(math.nextafter(604800, math.inf)), *NO_NUMBERS])
def test_a_wait_before_the_last_look_outside_its_range_is_refused(refused: Refused, wait: str) -> None:
    error = refused(f"{DELIVERY_TABLE}check_after_s = {wait}")
    assert (error.setting, error.problem) == (f"{FILE}: delivery.check_after_s", "is not within its range")
    assert error.allowed == "0 to 604800 s"


def test_an_unknown_setting_of_deliveries_is_refused(refused: Refused) -> None:
    error = refused(f"{DELIVERY_TABLE}retries = 3")
    assert (error.setting, error.problem) == (f"{FILE}: delivery.retries", "is not known here")
    assert error.allowed == "retry_after_s, check_after_s"


# --- the file -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "said"), [("none.toml", "No such file or directory"), ("", "Is a directory")])
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        open_plugins(str(tmp_path / name), {})
    assert (caught.value.setting, caught.value.value) == ("REPAIRADVISOR_PLUGINS", str(tmp_path / name))
    assert (caught.value.problem, caught.value.allowed) == (f"cannot be read: {said}", "a TOML file")


@pytest.mark.parametrize(
    "content",
    [
        b"\xff\xfe",
        b'# caf\xe9\n[sources.desk]\nplugin = "desk"\n',
        b"[sources",
        b"sources",
        b"[sources]\n[sources]",
        b"{}",
    ],
)
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(SettingsError) as caught:
        open_plugins(str(tmp_path / FILE), {})
    assert (caught.value.setting, caught.value.value) == ("REPAIRADVISOR_PLUGINS", str(tmp_path / FILE))
    assert caught.value.problem.startswith("cannot be read: ")
    assert caught.value.allowed == "a TOML file"


def test_the_first_fault_of_a_file_is_told_and_nothing_is_half_open(refused: Refused, install: Install) -> None:
    made: list[str] = []

    class Counted(DeskCarrier):
        def __init__(self, **settings: Any) -> None:
            made.append(settings["key"])
            super().__init__(**settings)

    install([Entry("desk", DeskSource)], [Entry("desk", Counted)])
    refused(
        """
        [carriers.ash]
        plugin = "desk"
        key = "ash"
        [carriers.elm]
        plugin = "tallow"
        [carriers.oak]
        plugin = "desk"
        key = "oak"
        """
    )
    assert made == ["ash"]


# --- a distribution that is there -----------------------------------------------------------------------------

RIGHT = """
from marshmallow import Schema, fields

class Settings(Schema):
    key = fields.Str(required=True)

class Desk:
    settings = Settings
    longest_note = 4000

    def __init__(self, key):
        self.key = key

    def authenticate(self, event, now):
        return "key"

    def read(self, event):
        return None

    def look(self, reference):
        return None

    def change(self, reference, change):
        pass
"""
USED = """
[sources.desk]
plugin = "pipit"
key = { environment = "PIPIT_KEY" }
[carriers.desk]
plugin = "pipit"
key = { file = "pipit.secret" }
[delivery]
retry_after_s = [5, 300]
"""
PUT_ON_THE_PATH = f"[{SOURCES}]\npipit = pipit_court_desk:Desk\n[{CARRIERS}]\npipit = pipit_court_desk:Desk\n"
Distribute = Callable[[str], Path]


@pytest.fixture
def distribute(tmp_path: Path) -> Iterator[Distribute]:
    """Puts a distribution into a folder, as an installer does (core metadata 2.1, and the entry points specification
    of the Python Packaging User Guide; from memory)."""

    def distributes(module: str) -> Path:
        site = tmp_path / "site"
        described = site / "pipit_court-1.0.dist-info"
        described.mkdir(parents=True)
        (described / "METADATA").write_text("Metadata-Version: 2.1\nName: pipit-court\nVersion: 1.0\n")
        (described / "entry_points.txt").write_text(PUT_ON_THE_PATH)
        (site / "pipit_court_desk.py").write_text(module)
        return site

    yield distributes
    sys.modules.pop("pipit_court_desk", None)


def of_pipit_court(group: str) -> list[Any]:
    """The entry points of that distribution, as the library finds them; not those of others that are there too."""
    return [one for one in entry_points(group=group) if one.dist is not None and one.dist.name == "pipit-court"]


@pytest.fixture
def _for_real(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loading, "entry_points", of_pipit_court)


@pytest.mark.usefixtures("_for_real")
def test_an_installed_distribution_is_found(
    distribute: Distribute, opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(distribute(RIGHT))
    assert {one.distribution for one in installed()} == {"pipit-court 1.0"}
    assert [(one.seam, one.name, one.made_by.__name__) for one in installed()] == [
        ("sources", "pipit", "Desk"),
        ("carriers", "pipit", "Desk"),
    ]
    (tmp_path / "pipit.secret").write_text("second\n")
    plugins = opened(USED, PIPIT_KEY="first")
    source: Any = plugins.sources["desk"].source
    carrier: Any = plugins.carriers["desk"]
    assert (source.key, carrier.key, plugins.retry_after_s) == ("first", "second", (5.0, 300.0))


Check = Callable[..., tuple[int, str, str]]


@pytest.fixture
def check(tmp_path: Path) -> Check:
    """Runs the command as an operator does, with the distributions of a folder: exit status and both outputs."""

    def checks(site: Path, *more: str, used: str = "") -> tuple[int, str, str]:
        paths = [str(site), str(Path(loading.__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
        (tmp_path / FILE).write_text(used)
        (tmp_path / "pipit.secret").write_text(SECRET)
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(paths),
            "HOME": str(tmp_path),
            "PIPIT_KEY": SECRET,
            "REPAIRADVISOR_PLUGINS": str(tmp_path / FILE) if used else "",
        }
        command = [sys.executable, "-m", "repairadvisor", "plugins", "check", *more]
        done = subprocess.run(command, capture_output=True, env=environment, timeout=120, text=True)
        return done.returncode, done.stdout, done.stderr

    return checks


def test_the_command_tells_what_is_installed_and_used(distribute: Distribute, check: Check) -> None:
    status, out, err = check(distribute(RIGHT), used=USED)
    lines = out.splitlines()
    assert (status, err) == (0, "")
    assert "ticket source: pipit (pipit-court 1.0)" in lines
    assert "note carrier: pipit (pipit-court 1.0)" in lines
    assert lines[-3:] == [
        "used: source desk, notes by desk",
        "used: carrier desk, notes of up to 4000 characters",
        "an attempt that fails is made again after 5, 300 s",
    ]
    assert SECRET not in out


def test_the_command_tells_it_as_json(distribute: Distribute, check: Check) -> None:
    status, out, err = check(distribute(RIGHT), "--json", used=USED)
    told = json.loads(out)
    found = [one for one in told.pop("installed") if one["distribution"] == "pipit-court 1.0"]
    assert (status, err) == (0, "")
    assert [(one["seam"], one["plugin"]) for one in found] == [("sources", "pipit"), ("carriers", "pipit")]
    assert told == {
        "sources": {"desk": {"notes": "desk"}},
        "carriers": ["desk"],
        "facts": {},
        "retry_after_s": [5.0, 300.0],
        "check_after_s": 60.0,
    }
    assert SECRET not in out


def test_a_broken_distribution_is_one_line_though_nobody_uses_it(distribute: Distribute, check: Check) -> None:
    status, out, err = check(distribute("import tallow_lane_is_not_there\n"))
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(
        "plugin = pipit of pipit-court 1.0: cannot be loaded: "
        "ModuleNotFoundError: No module named 'tallow_lane_is_not_there'"
    )


def test_a_broken_distribution_is_one_object_of_json(distribute: Distribute, check: Check) -> None:
    status, out, err = check(distribute("raise ValueError('one\\ntwo')\n"), "--json")
    assert (status, out, err.count("\n")) == (2, "", 1)
    told = json.loads(err)
    assert told["slug"] == "settings"
    assert "pipit of pipit-court 1.0: cannot be loaded: ValueError: one" in told["problem"]


# --- the command, in this process -------------------------------------------------------------------------------

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(
    distribute: Distribute, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Run:
    """Runs the command with that distribution, made of this module."""

    def runs(module: str, used: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr(loading, "entry_points", of_pipit_court)
        monkeypatch.syspath_prepend(distribute(module))
        (tmp_path / FILE).write_text(used)
        monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", "sqlite:///records.db")
        monkeypatch.setenv("REPAIRADVISOR_PLUGINS", str(tmp_path / FILE) if used else "")
        monkeypatch.setenv("PIPIT_KEY", SECRET)
        status = cli.main(["plugins", "check"])
        return status, *capsys.readouterr()

    return runs


def test_the_command_says_where_none_is_used(run: Run) -> None:
    status, out, err = run(RIGHT)
    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "none is used: REPAIRADVISOR_PLUGINS names no file"


@pytest.mark.parametrize(
    ("module", "said"),
    [
        ("", "AttributeError: module 'pipit_court_desk' has no attribute 'Desk'"),
        ("class Desk(\n", "SyntaxError: "),
        ("raise ValueError('one\\ntwo')\n", "ValueError: one"),
        ("class Desk: ...\n", "is no class with a marshmallow schema called settings"),
    ],
)
def test_each_way_of_being_broken_is_one_line(run: Run, module: str, said: str) -> None:
    status, out, err = run(module)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "pipit of pipit-court 1.0" in err
    assert said in err


def test_where_nothing_is_tried_again_that_is_said(run: Run, tmp_path: Path) -> None:
    (tmp_path / "pipit.secret").write_text(SECRET)
    status, out, err = run(RIGHT, USED.replace("[5, 300]", "[]"))
    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "no attempt is made twice"


def test_a_setting_that_a_distribution_does_not_take_is_one_line(run: Run) -> None:
    status, out, err = run(RIGHT, USED.replace("key = { environment", "kay = { environment"))
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert f"{FILE}: sources.desk.k" in err
    assert SECRET not in err


def test_a_secret_file_that_is_not_there_is_one_line(run: Run) -> None:
    status, out, err = run(RIGHT, USED)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(f"{FILE}: carriers.desk.key = pipit.secret: is no text file that can be read")
