"""Which plugins are installed, and which of them the operator uses, with what settings.

The operator's file is TOML, named by ``REPAIRADVISOR_PLUGINS``. The names after the dot are the operator's own; that of
a source is also the last word of the address to which its events are sent::

    [sources.desk]
    plugin = "webhook"
    notes = "desk"                                # the carrier that brings its notes; unset: the one of the same name
    secrets = [{ environment = "DESK_SECRET" }]   # the rest is the plugin's: see its README

    [carriers.desk]
    plugin = "webhook"
    url = "https://tickets.example/hooks/advice"
    secrets = [{ file = "desk.secret" }]          # beside this file, or an absolute path

    [facts.weather]
    plugin = "weather"
    budget_s = 3                                  # advice waits no longer for it; 0.1 to 30 s, unset: 3

    [delivery]
    retry_after_s = [5, 300, 1800]                # waits between attempts; after the last one it is given up
    check_after_s = 60                            # a note of an uncertain attempt is looked at once more after this
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

from marshmallow import Schema, ValidationError

from repairadvisor.errors import SettingsError
from repairadvisor.plugin.seams import LEAST_LONGEST_NOTE, FactsSource, NoteCarrier, PolledSource, TicketSource
from repairadvisor.settings import PLUGINS

#: The three seams: table of the operator's file, group of entry points, what a plugin of it must offer.
SEAMS: dict[str, tuple[str, type[Any]]] = {
    "sources": ("repairadvisor.ticket_sources", TicketSource),
    "carriers": ("repairadvisor.note_carriers", NoteCarrier),
    "facts": ("repairadvisor.facts_sources", FactsSource),
}
#: Minutes to days, as the Standard Webhooks specification 1.0.0 gives for an example, section "Deliverability".
RETRY_AFTER_S = (5.0, 300.0, 1800.0, 7200.0, 18000.0, 36000.0, 50400.0, 72000.0, 86400.0)
MOST_RETRIES, LONGEST_RETRY_S = 50, 7 * 86400.0
#: Longer than another system is likely to go on working on a request whose sender is gone.
CHECK_AFTER_S = 60.0
BUDGET_S, LEAST_BUDGET_S, MOST_BUDGET_S = 3.0, 0.1, 30.0

_NAME = re.compile(r"[a-z][a-z0-9_-]{0,39}")


@dataclass(frozen=True, slots=True)
class Installed:
    """A plugin that is installed: the seam it is for, its name, its class, and the distribution it came with."""

    seam: str
    name: str
    made_by: Any
    distribution: str


@dataclass(frozen=True, slots=True)
class Source:
    """A ticket source in use, and the name of the carrier that brings its notes."""

    name: str
    source: TicketSource
    notes: str


@dataclass(frozen=True, slots=True)
class Facts:
    """A facts source in use, and how long advice waits for it."""

    name: str
    source: FactsSource
    budget_s: float


@dataclass(frozen=True, slots=True)
class Plugins:
    """All that is in use, by the operator's names, and the waits between attempts at a delivery."""

    sources: Mapping[str, Source] = field(default_factory=dict)
    carriers: Mapping[str, NoteCarrier] = field(default_factory=dict)
    facts: tuple[Facts, ...] = ()
    retry_after_s: tuple[float, ...] = RETRY_AFTER_S
    check_after_s: float = CHECK_AFTER_S


def installed() -> tuple[Installed, ...]:
    """Every plugin that is installed, in the order of seams and names.

    Raises :class:`SettingsError` for the first that cannot be imported or is no plugin, naming its distribution: a
    plugin that is silently absent would lose tickets.
    """
    found: list[Installed] = []
    for seam, (group, _) in SEAMS.items():
        for entry in sorted(entry_points(group=group), key=lambda one: one.name):
            for one in found:
                if (one.seam, one.name) == (seam, entry.name):
                    both = f"{entry.name} of {one.distribution} and of {_distribution(entry)}"
                    raise SettingsError("plugin", both, f"stands twice in {group}")
            found.append(Installed(seam, entry.name, _loaded(entry), _distribution(entry)))
    return tuple(found)


def _distribution(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist is not None else "an unknown distribution"


def _loaded(entry: EntryPoint) -> Any:
    named = f"{entry.name} of {_distribution(entry)}"
    try:
        made_by = entry.load()
    except (Exception, SystemExit) as error:  # whatever a stranger's module raises while it is imported
        raise SettingsError("plugin", named, f"cannot be loaded: {type(error).__name__}: {error}") from error
    settings = getattr(made_by, "settings", None)
    if not callable(made_by) or not (isinstance(settings, type) and issubclass(settings, Schema)):
        raise SettingsError("plugin", named, "is no class with a marshmallow schema called settings")
    return made_by


def open_plugins(file: str, environment: Mapping[str, str]) -> Plugins:
    """The plugins that the operator's ``file`` names, made from their settings; "": none.

    Everything that is installed is loaded all the same. Raises :class:`SettingsError` for the first thing that is
    wrong, naming table and key.
    """
    there = installed()
    if not file:
        return Plugins()
    return _Reader(Path(file), there, environment).plugins()


def _unfit(seam: str, made: Any) -> str:
    """What is wrong with what a plugin made, "" where nothing is."""
    wanted = SEAMS[seam][1]
    if not isinstance(made, wanted):
        return f"that is no {wanted.__name__}"
    if seam == "sources" and hasattr(made, "fetch"):  # it would never be asked, and nobody would be told
        if not isinstance(made, PolledSource):
            return "that has a method fetch and is no PolledSource"
        if not made.poll_every_s > 0:
            return f"whose poll_every_s is {made.poll_every_s}; allowed: above 0 (s)"
    return ""


class _Reader:
    """Reads the operator's file."""

    def __init__(self, file: Path, there: tuple[Installed, ...], environment: Mapping[str, str]) -> None:
        self._file = file
        self._there = there
        self._environment = environment
        #: What came from elsewhere: no message shows it, whoever wrote the message.
        self._secrets: set[str] = set()

    def plugins(self) -> Plugins:
        content = self._content()
        self._refuse_others("", content, (*SEAMS, "delivery"))
        made = {seam: self._of_seam(seam, self._table("", content, seam)) for seam in SEAMS}
        sources = {name: Source(name, one, notes) for name, (one, notes) in made["sources"].items()}
        carriers = {name: one for name, (one, _) in made["carriers"].items()}
        for name, source in sources.items():
            if source.notes not in carriers:
                raise self._wrong(f"sources.{name}.notes", source.notes, "is no carrier", ", ".join(carriers))
            others = [one.name for one in sources.values() if one.notes == source.notes and one.name != name]
            if others:
                allowed = "a carrier of its own, so that one ticket has one writer"
                raise self._wrong(f"sources.{name}.notes", source.notes, f"also brings those of {others[0]}", allowed)
        facts = tuple(Facts(name, one, budget) for name, (one, budget) in made["facts"].items())
        delivery = self._table("", content, "delivery")
        self._refuse_others("delivery.", delivery, ("retry_after_s", "check_after_s"))
        check_after_s = delivery.get("check_after_s", CHECK_AFTER_S)
        checked = self._number("delivery.check_after_s", check_after_s, 0, LONGEST_RETRY_S)
        return Plugins(sources, carriers, facts, self._retries(delivery), checked)

    def _content(self) -> dict[str, Any]:
        try:
            return tomllib.loads(self._file.read_text(encoding="utf-8"))
        except OSError as error:
            problem = f"cannot be read: {os.strerror(error.errno or 0)}"
            raise SettingsError(PLUGINS, str(self._file), problem, "a TOML file") from error
        except ValueError as error:  # TOML, and UTF-8
            raise SettingsError(PLUGINS, str(self._file), f"cannot be read: {error}", "a TOML file") from error

    def _of_seam(self, seam: str, tables: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
        made = {}
        for name in tables:
            where = f"{seam}.{name}"
            if not _NAME.fullmatch(name):
                raise self._wrong(seam, name, "is no name", "small letters, digits, - and _, up to 40")
            table = dict(self._table(f"{seam}.", tables, name))
            own: Any = None
            if seam == "sources":
                own = self._text(where, table, "notes", name)
            elif seam == "facts":
                own = self._number(f"{where}.budget_s", table.pop("budget_s", BUDGET_S), LEAST_BUDGET_S, MOST_BUDGET_S)
            made[name] = (self._made(seam, where, table), own)
        return made

    def _made(self, seam: str, where: str, table: dict[str, Any]) -> Any:
        known = {one.name: one for one in self._there if one.seam == seam}
        named = self._text(where, table, "plugin", None)
        if named not in known:
            names = ", ".join(known) or "none is installed"
            raise self._wrong(f"{where}.plugin", named, f"is not installed for {seam}", names)
        plugin = known[named]
        settings = {key: self._resolved(f"{where}.{key}", value) for key, value in table.items()}
        try:
            made = plugin.made_by(**plugin.made_by.settings().load(settings))
        except ValidationError as error:
            raise self._of_schema(where, dict(error.messages_dict)) from error
        except Exception as error:  # whatever a stranger's constructor raises
            problem = f"{plugin.distribution} cannot use these settings: {self._without_secrets(str(error))}"
            raise self._wrong(where, named, problem) from error
        unfit = _unfit(seam, made)
        if unfit:
            raise self._wrong(where, named, f"{plugin.distribution} made something {unfit}")
        if seam == "carriers" and made.longest_note < LEAST_LONGEST_NOTE:
            allowed = f"{LEAST_LONGEST_NOTE} characters or more"
            raise self._wrong(f"{where}.longest_note", str(made.longest_note), "is too short for a note", allowed)
        return made

    def _resolved(self, where: str, value: Any) -> Any:
        """The value, with secrets put in that stand elsewhere."""
        if isinstance(value, list):
            return [self._resolved(f"{where}[{i}]", one) for i, one in enumerate(value)]
        if not isinstance(value, dict):
            return value
        if set(value) == {"environment"}:
            secret = self._environment.get(str(value["environment"]), "")
            if not secret:
                raise self._wrong(where, str(value["environment"]), "is not set in the environment")
            self._secrets.add(secret)
            return secret
        if set(value) == {"file"}:
            return self._secret_file(where, str(value["file"]))
        return {key: self._resolved(f"{where}.{key}", one) for key, one in value.items()}

    def _without_secrets(self, text: str) -> str:
        for secret in sorted(self._secrets, key=len, reverse=True):
            text = text.replace(secret, "(a secret)")
        return text

    def _secret_file(self, where: str, name: str) -> str:
        try:
            secret = (self._file.parent / name).read_text(encoding="utf-8").strip()
        except (OSError, ValueError) as error:
            raise self._wrong(where, name, "is no text file that can be read") from error
        if not secret:
            raise self._wrong(where, name, "holds nothing")
        self._secrets.add(secret)
        return secret

    def _of_schema(self, where: str, messages: Mapping[str, Any]) -> SettingsError:
        """The first thing that the plugin's schema says, without the value: it may be a secret."""
        field_name, said = next(iter(messages.items()), ("_schema", ""))
        path = f"{where}.{field_name}"
        while isinstance(said, dict) and said:
            key, said = next(iter(said.items()))
            path += f".{key}"
        first = said[0] if isinstance(said, list) and said else said
        return self._wrong(path, "", self._without_secrets(str(first or "is refused")))

    def _retries(self, table: dict[str, Any]) -> tuple[float, ...]:
        waits = table.get("retry_after_s", list(RETRY_AFTER_S))
        where = "delivery.retry_after_s"
        if not isinstance(waits, list) or len(waits) > MOST_RETRIES:
            raise self._wrong(where, str(waits), "is no list of waits", f"up to {MOST_RETRIES} numbers (s)")
        return tuple(self._number(f"{where}[{i}]", wait, 0, LONGEST_RETRY_S) for i, wait in enumerate(waits))

    def _number(self, where: str, value: Any, low: float, high: float) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self._wrong(where, str(value), "is not within its range", f"{low:g} to {high:g} s")
        return float(value)

    def _text(self, where: str, table: dict[str, Any], key: str, default: str | None) -> str:
        value = table.pop(key, default)
        if not isinstance(value, str):
            raise self._wrong(f"{where}.{key}", "" if value is None else str(value), "is missing or is no text")
        return value

    def _table(self, where: str, tables: dict[str, Any], key: str) -> dict[str, Any]:
        table = tables.get(key, {})
        if not isinstance(table, dict):
            # What stands there may be a setting that went astray, and a secret.
            raise self._wrong(f"{where}{key}", "", "is no table", f"[{where}{key}]")
        return table

    def _refuse_others(self, where: str, table: dict[str, Any], allowed: tuple[str, ...]) -> None:
        for key in table:
            if key not in allowed:
                raise self._wrong(f"{where}{key}", "", "is not known here", ", ".join(allowed))

    def _wrong(self, where: str, value: str, problem: str, allowed: str = "") -> SettingsError:
        return SettingsError(f"{self._file.name}: {where}", value, problem, allowed)
