"""Deliveries and plugins at a shell. No outside source: the words are this product's own."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, an_advice
from delivery.desk import Desk, an_event
from marshmallow import Schema, fields

from repairadvisor import cli
from repairadvisor.delivery.office import open_ledger
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import HeldNote, NoteMark, loading
from repairadvisor.settings import Settings
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import writing
from repairadvisor.store.deliveries import Delivery

Run = Callable[..., tuple[int, str, str]]


class _DeskSettings(Schema):
    stands = fields.String(load_default="")


class _DeskPlugin(Desk):
    settings = _DeskSettings

    def __init__(self, stands: str) -> None:
        super().__init__()
        if stands:
            self.notes["LF-1"] = [HeldNote("n0", stands)]


class _Entry:
    name = "desk"
    dist = None

    def load(self) -> Any:
        return _DeskPlugin


@pytest.fixture(autouse=True)
def _set_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def entries(group: str) -> list[Any]:
        return [] if group == "repairadvisor.facts_sources" else [_Entry()]

    monkeypatch.setattr(loading, "entry_points", entries)
    monkeypatch.setattr(cli.deliveries, "prepared_method", lambda *_, **__: FixedMethod(an_advice()))
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(tmp_path))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "plugins.toml").write_text('[sources.desk]\nplugin = "desk"\n[carriers.desk]\nplugin = "desk"\n')
    monkeypatch.setenv("REPAIRADVISOR_PLUGINS", str(tmp_path / "plugins.toml"))


@pytest.fixture
def run(capfdbinary: Any) -> Run:
    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


def kept(tmp_path: Path, **changes: Any) -> Delivery:
    """A delivery in the database that the command will open."""
    from builders import NOW  # noqa: PLC0415

    said = {"cause": "event", "source": "desk", "key": "k", "received_at": NOW, "changed_at": NOW, "reference": "LF-1"}
    delivery = Delivery(**{"id": store.delivery_id("event", "desk", "k"), **said, **changes})
    ledger = open_ledger(Settings(database_url=a_database_url(tmp_path)), {})
    with writing(ledger._engine) as connection:
        store.add_delivery(connection, delivery)
    return delivery


def test_plugins_are_checked(run: Run) -> None:
    status, out, _ = run("plugins", "check")

    assert status == 0
    assert "ticket source: desk (an unknown distribution)" in out
    assert "used: source desk, notes by desk" in out
    assert "used: carrier desk, notes of up to 2500 characters" in out


def test_plugins_are_checked_for_a_program(run: Run) -> None:
    found = json.loads(run("plugins", "check", "--json")[1])

    assert found["sources"] == {"desk": {"notes": "desk"}}
    assert [one["seam"] for one in found["installed"]] == ["sources", "carriers"]


def test_a_broken_plugin_is_named_and_ends_the_check(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = EntryPoint("odd", "no.such.module:Thing", "repairadvisor.ticket_sources")
    monkeypatch.setattr(loading, "entry_points", lambda group: [broken] if "ticket" in group else [])
    status, out, err = run("plugins", "check")

    assert (status, out) == (2, "")
    assert err.startswith("plugin = odd of an unknown distribution: cannot be loaded: ModuleNotFoundError")
    assert err.count("\n") == 1


def test_nothing_has_come_yet(run: Run) -> None:
    assert run("deliveries", "list") == (0, "none yet\n", "")


def test_deliveries_are_listed(run: Run, tmp_path: Path) -> None:
    delivery = kept(tmp_path, state="set_aside", reason="no JSON: line 1")
    status, out, _ = run("deliveries", "list")

    assert status == 0
    assert out == (
        f"1 set aside\n\n{delivery.id}  LF-1  (desk, event)\n"
        "  set aside: cannot be read or used; reason: no JSON: line 1\n"
        "  came 4 May 2031 07:30 UTC; last changed 4 May 2031 07:30 UTC\n"
    )


def test_deliveries_are_listed_for_a_program(run: Run, tmp_path: Path) -> None:
    kept(tmp_path, state="noted")
    found = json.loads(run("deliveries", "list", "--json", "--state", "noted", "--ticket", "LF-1", "--limit", "5")[1])

    assert (found["counts"], len(found["deliveries"])) == ({"noted": 1}, 1)
    assert json.loads(run("deliveries", "list", "--json", "--source", "nobody")[1])["deliveries"] == []


def test_a_reference_that_would_move_the_cursor_is_shown_as_text(run: Run, tmp_path: Path) -> None:
    kept(tmp_path, reference="LF\x1b[2J", state="noted")
    assert "\x1b" not in run("deliveries", "list")[1]


def test_a_limit_out_of_range_is_named(run: Run) -> None:
    status, _, err = run("deliveries", "list", "--limit", "0")
    assert (status, err) == (2, "--limit = 0: is not within its range; allowed: 1 to 500\n")


def test_a_delivery_is_cancelled(run: Run, tmp_path: Path) -> None:
    delivery = kept(tmp_path)
    assert "cancelled: cancelled by hand; reason: cancelled by hand" in run("deliveries", "cancel", delivery.id)[1]
    status, _, err = run("deliveries", "cancel", delivery.id)
    assert (status, err) == (2, "the delivery has ended: cancelled\n")


def test_an_unknown_delivery_is_named(run: Run) -> None:
    for command in ("retry", "cancel"):
        status, _, err = run("deliveries", command, "0" * 32)
        assert (status, err) == (2, f"no delivery {'0' * 32}\n")


def an_event_file(tmp_path: Path, **said: Any) -> str:
    file = tmp_path / "event.json"
    file.write_bytes(an_event(**said).body)
    return str(file)


def test_a_dry_run_shows_what_would_be_written(run: Run, tmp_path: Path) -> None:
    status, out, _ = run("deliveries", "dry-run", "desk", an_event_file(tmp_path, facts={"place": "pole_top"}))

    assert status == 0
    assert out.startswith("Ticket LF-1, sequence 1\nFact place: pole_top\n\n--- note 1 of ")
    assert "REPAIR. Bring the cable down and fuse it" in out
    assert "The whole advice: not kept" in out


def test_a_dry_run_writes_and_keeps_nothing(run: Run, tmp_path: Path) -> None:
    run("deliveries", "dry-run", "desk", an_event_file(tmp_path))
    assert not (tmp_path / "records.db").exists()


def test_a_dry_run_can_look_at_what_stands_in_the_ticket(run: Run, tmp_path: Path) -> None:
    ledger = open_ledger(Settings(database_url=a_database_url(tmp_path)), {})
    ours = NoteMark(store.ticket_id("desk", "LF-1")[:12], "advice", 4, 1, 1)
    mark = Seal(store.secret_of(ledger._engine)).sealed(ours, store.ticket_id("desk", "LF-1")).line
    (tmp_path / "plugins.toml").write_text(
        f'[sources.desk]\nplugin = "desk"\n[carriers.desk]\nplugin = "desk"\nstands = "OLD. {mark}"\n'
    )
    file = an_event_file(tmp_path, facts={"place": "pole_top"})
    out = run("deliveries", "dry-run", "desk", file, "--look")[1]

    assert "would read ---\nSUPERSEDED" in out
    assert " advice 5 1/" in out
    found = json.loads(run("deliveries", "dry-run", "desk", file, "--look", "--json")[1])
    assert [one["from"] for one in found["rewrites"]] == [f"OLD. {mark}"]


def test_a_dry_run_is_for_the_moment_that_is_said(run: Run, tmp_path: Path) -> None:
    seen = {"place": "pole_top", "wind_gust_mps": {"value": 3, "seen_at": "2031-05-04T07:20:00Z"}}
    file = an_event_file(tmp_path, facts=seen)
    assert run("deliveries", "dry-run", "desk", file)[0] == 2
    assert run("deliveries", "dry-run", "desk", file, "--now", "2031-05-04T07:30:00Z")[0] == 0
    status, _, err = run("deliveries", "dry-run", "desk", file, "--now", "soon")
    assert (status, err.partition(":")[0]) == (2, "--now = soon")


def test_what_a_reason_holds_does_not_move_the_cursor(run: Run, tmp_path: Path) -> None:
    kept(tmp_path, state="set_aside", reason="\x1b[2Jowned")
    assert "\x1b" not in run("deliveries", "list")[1]


def test_a_dry_run_names_facts_that_cannot_be_used(run: Run, tmp_path: Path) -> None:
    status, _, err = run("deliveries", "dry-run", "desk", an_event_file(tmp_path, facts={"place": "on the moon"}))
    assert status == 2
    assert err.startswith("place = on the moon: no such word")


def test_a_dry_run_says_that_a_ticket_has_ended(run: Run, tmp_path: Path) -> None:
    out = run("deliveries", "dry-run", "desk", an_event_file(tmp_path, ended=True))[1]
    assert "The ticket has ended: nothing would be written." in out


def test_a_dry_run_says_that_an_event_tells_of_no_ticket(run: Run, tmp_path: Path) -> None:
    out = run("deliveries", "dry-run", "desk", an_event_file(tmp_path, kind="heartbeat"))[1]
    assert out == "The event tells of no ticket: nothing would happen.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nobody", "x"], "source = nobody: is no source in the file that REPAIRADVISOR_PLUGINS names; allowed: desk"),
        (["desk", "/no/such/file"], "/no/such/file: cannot be read: No such file or directory"),
        (["desk", "x", "--header", "no colon"], "--header = no colon: is no header; allowed: NAME: VALUE"),
    ],
)
def test_a_dry_run_that_cannot_be_is_one_line(run: Run, words: list[str], said: str) -> None:
    status, out, err = run("deliveries", "dry-run", *words)
    assert (status, out) == (2, "")
    assert err.startswith(said)
    assert err.count("\n") == 1
