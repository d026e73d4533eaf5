"""The files in examples are what README says they are."""

import json
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest
from webhook_sender import NOW, OTHER_SECRET, SECRET, a_carrier, a_source, signed

from repairadvisor.errors import SettingsError
from repairadvisor.plugin import EventRefusedError, HeldNote, Note, NoteChange, NoteMark
from repairadvisor.plugin.loading import open_plugins
from repairadvisor.testing import parse_context

EXAMPLES = Path(__file__).parent.parent / "examples"
SCHEMA = json.loads((EXAMPLES / "ticket-event-data.schema.json").read_text())
TICKETS = ("ticket-created", "ticket-changed", "ticket-closed")


def body(name):
    return (EXAMPLES / f"{name}.json").read_bytes()


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("name", TICKETS)
def test_events_fit_the_schema_and_are_read(name):
    event = json.loads(body(name))
    jsonschema.validate(event["data"], SCHEMA)
    source = a_source()
    assert source.authenticate(signed(body(name)), NOW)
    ticket = source.read(signed(body(name)))
    assert ticket.reference == "LF-4471"
    assert ticket.ended is (name == "ticket-closed")
    parse_context(ticket.facts, datetime(2031, 5, 4, 7, 30, tzinfo=UTC))


def test_they_come_in_order():
    sequences = [a_source().read(signed(body(name))).sequence for name in TICKETS]
    assert sequences == sorted(set(sequences))


@pytest.mark.parametrize(
    "wrong",
    [
        {"ticket": ""},
        {"sequence": -1},
        {"sequence": 2**63},
        {"sequence": "1"},
        {"facts": []},
        {"ended": "yes"},
        {"parent": 5},
        {"site": {"latitude_deg": 91, "longitude_deg": 0}},
        {"site": {"latitude_deg": 5}},
    ],
)
def test_the_schema_refuses_what_is_not_read(wrong):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**json.loads(body("ticket-created"))["data"], **wrong}, SCHEMA)


ENVIRONMENT = {
    "DESK_SECRET": SECRET,
    "DESK_SECRET_BEFORE": OTHER_SECRET,
    "ADVICE_KEY": "whsk_VEVTVFNJR05JTkdLRVlET05PVFVTRVRISVNGT1JBTlk=",
}


def test_the_settings_are_loaded_and_mean_what_they_say():
    plugins = open_plugins(str(EXAMPLES / "plugins.toml"), ENVIRONMENT)
    source = plugins.sources["desk"].source
    assert plugins.sources["desk"].notes == "desk"
    assert plugins.carriers["desk"].longest_note == 4000
    old = signed(body("ticket-created"), secrets=[OTHER_SECRET])
    assert source.authenticate(old, NOW)
    june = datetime(2031, 6, 1, 0, 0, 1, tzinfo=UTC)
    with pytest.raises(EventRefusedError):
        source.authenticate(signed(b"{}", stamp=int(june.timestamp()), secrets=[OTHER_SECRET]), june)


def test_readme_shows_the_whole_of_them():
    settings = (EXAMPLES / "plugins.toml").read_text().partition("\n\n")[2]
    assert settings in (EXAMPLES.parent / "README.md").read_text()


def test_a_wrong_secret_is_named_by_its_place_and_not_shown():
    with pytest.raises(SettingsError) as why:
        open_plugins(str(EXAMPLES / "plugins.toml"), {**ENVIRONMENT, "DESK_SECRET": "whsec_telling"})
    assert "sources.desk.secrets.0" in str(why.value)
    assert "telling" not in str(why.value)


def test_what_goes_out_is_what_the_examples_show(receiver):
    """Each file is the body of one request, byte for byte."""
    carrier = a_carrier(receiver.url, event_source="https://advice.lanternfield.example/")
    first, second = (NoteMark("3f2a9c1b7d40", "advice", revision, 1, 1) for revision in (1, 2))
    old = Note(first.key, f"STAND OFF. The pit is not shored.\n{first.line}")
    new = Note(second.key, f"REPAIR. Gap ≤ 0.5 m.\n{second.line}")
    carrier.change("LF-4471", NoteChange(add=(old,)))
    rewrite = ((HeldNote(old.key, old.text), f"SUPERSEDED by revision 2.\n{old.text}"),)
    carrier.change("LF-4471", NoteChange(add=(new,), rewrite=rewrite))
    carrier.open_follow_up(
        "LF-4471", "3f2a9c1b7d40-follow-up-1", "Permanent repair owed", "Today's repair is temporary."
    )
    sent = [request[2] for request in receiver.requests]
    assert sent == [body(n).rstrip(b"\n") for n in ("note-added", "note-rewritten", "note-added-2", "follow-up-owed")]
