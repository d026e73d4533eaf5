"""What every plugin must keep, held against this one; and that it is installed as its examples say."""

from __future__ import annotations

import copy
import hashlib
import hmac
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from conftest import EXAMPLES, KEY, REFERENCE, TOKEN, carrier_of, example, raw, source_of
from desk import DeskOverHttp
from repairadvisor_tmf621 import Tmf621Carrier, Tmf621Source

from repairadvisor.plugin import PolledSource, RawEvent
from repairadvisor.plugin.loading import open_plugins
from repairadvisor.testing import (
    HOSTILE_TEXTS,
    EventsOverHttpContract,
    FollowUpContract,
    NoteCarrierContract,
    PolledSourceContract,
    TicketSourceContract,
    installed_plugin,
)

MAPPING = {
    "place": "troubleTicketCharacteristic[?name=='location'].value | [0]",
    "fault_seen": "troubleTicketCharacteristic[?name=='fault'].value | [0]",
    "fibres_down_count": "troubleTicketCharacteristic[?name=='fibresDown'].value | [0]",
}
WORDS = {"place": {"POLE": "pole_top"}}

NONSENSE = (
    b"",
    b"{",
    b"[]",
    b"null",
    b'"ticket"',
    b"17",
    b"\xff\xfe{\x00}\x00",
    b"[" * 100_000,
    b'{"id":' * 20_000,
    b"{}",
    b'{"event": {}}',
    b'{"eventType": "TroubleTicketCreateEvent"}',
    b'{"eventType": "TroubleTicketCreateEvent", "event": null}',
    b'{"eventType": "TroubleTicketCreateEvent", "event": {"troubleTicket": []}}',
    b'{"eventType": "TroubleTicketCreateEvent", "event": {"troubleTicket": {"id": 17}}}',
    b'{"eventType": "TroubleTicketCreateEvent", "event": {"troubleTicket": {"id": "a\\nb", "status": "held"}}}',
    b'{"eventType": ["TroubleTicketCreateEvent"], "event": {"troubleTicket": {"id": "T"}}}',
    b'{"eventType": "OrderCreateEvent", "event": {"order": {"id": "T"}}}',
    b'{"id": "", "status": "held", "lastUpdate": "2031-05-04T07:25:00Z"}',
    b'{"id": "T", "status": "held"}',
    b'{"id": "T", "status": "held", "lastUpdate": "yesterday"}',
    b'{"id": "T", "status": "held", "lastUpdate": "2031-05-04T07:25:00"}',
    b'{"id": "T", "status": "held", "lastUpdate": "0001-01-01T00:00:00+14:00"}',
    b'{"id": "T", "status": {"a": []}, "lastUpdate": 5}',
    b'{"id": "T", "severity": NaN, "lastUpdate": "2031-05-04T07:25:00Z"}',
    b'{"id": "T", "id": "U", "lastUpdate": "2031-05-04T07:25:00Z"}',
    b'{"id": "\\ud800", "status": "held", "lastUpdate": "2031-05-04T07:25:00Z"}',
    b'{"id": "T", "status": "held", "lastUpdate": "2031-05-04T07:25:00Z", "troubleTicketRelationship": {"id": []}}',
)


class TestSource(TicketSourceContract):
    """Reading."""

    @pytest.fixture
    def source(self) -> Tmf621Source:
        made = source_of(mapping=MAPPING, words=WORDS, parent_relationships=["sameFault"])
        assert not isinstance(made, PolledSource)
        return made

    @pytest.fixture
    def event(self) -> RawEvent:
        return raw(example("create"))

    @pytest.fixture
    def nonsense(self) -> list[RawEvent]:
        return [raw(body) for body in NONSENSE]

    @pytest.fixture
    def event_with_text(self) -> dict[str, RawEvent]:
        made = {}
        for text in ("", *HOSTILE_TEXTS):
            content = copy.deepcopy(example("create"))
            ticket = content["event"]["troubleTicket"]
            content["description"] = ticket["name"] = ticket["description"] = ticket["statusChangeReason"] = text
            ticket["note"][0]["text"] = text
            made[text] = raw(content)
        return made


class TestSignedEvents(EventsOverHttpContract):
    """With a signature of the raw body, which is what shows that a body is unchanged (bearer alone: test_sender.py)."""

    @pytest.fixture
    def now(self) -> datetime:
        return datetime(2031, 5, 4, 7, 30, tzinfo=UTC)

    @pytest.fixture(params=[{}, {"accepted_tokens": [TOKEN]}], ids=["signed", "signed and with a token"])
    def source(self, request: pytest.FixtureRequest) -> Tmf621Source:
        return source_of(signature_header="X-Body-Signature", signature_secrets=[KEY], **request.param)

    @pytest.fixture
    def event(self) -> RawEvent:
        body = (EXAMPLES / "create.json").read_bytes()
        signature = hmac.new(KEY.encode(), body, hashlib.sha256).hexdigest()
        return RawEvent({"x-body-signature": signature, "authorization": f"Bearer {TOKEN}"}, body)


class TestPolled(PolledSourceContract):
    """Fetching, from a desk with three tickets."""

    @pytest.fixture(params=["read_all", "sorted", "jsonpath", "attribute"])
    def source(self, desk: DeskOverHttp, request: pytest.FixtureRequest) -> Any:
        desk.undeclared = frozenset({"lastUpdate.gt"})
        desk.open("LF-4472")
        desk.open("LF-4473")
        return source_of(url=desk.url, poll_every_s=60, page_size=2, narrow_by=request.param)


CARRIERS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "merge patch with ETag": ({}, {}),
    "merge patch without ETag": ({"etag": "none"}, {"write_without_etag": True}),
    "JSON patch with ETag": ({}, {"patch": "json_patch"}),
    "JSON patch without ETag": ({"etag": "none"}, {"patch": "json_patch", "write_without_etag": True}),
    "merge patch, notes that stay as they are": ({"fixed_notes": True}, {}),
}


@pytest.fixture(params=list(CARRIERS))
def carrier(desk: DeskOverHttp, request: pytest.FixtureRequest) -> Tmf621Carrier:
    """A carrier for each way of writing."""
    of_desk, settings = CARRIERS[request.param]
    for name, value in of_desk.items():
        setattr(desk, name, value)
    desk.append(REFERENCE, "Caller says the cable lies in the verge.")
    return carrier_of(desk, **settings)


class TestCarrier(NoteCarrierContract):
    """Writing, each way there is."""

    @pytest.fixture
    def reference(self) -> str:
        return REFERENCE

    @pytest.fixture
    def written(self, desk: DeskOverHttp) -> Callable[[], list[str]]:
        return lambda: desk.texts(REFERENCE)


class TestFollowUp(FollowUpContract):
    """Opening tickets, each way of finding the one that is there."""

    @pytest.fixture(params=["jsonpath", "attribute", "read_all"])
    def carrier(self, desk: DeskOverHttp, request: pytest.FixtureRequest) -> Tmf621Carrier:
        desk.undeclared = frozenset({"externalIdentifier.id"})
        return carrier_of(desk, find_by=request.param)

    @pytest.fixture
    def reference(self) -> str:
        return REFERENCE


def test_it_is_installed_for_both_seams() -> None:
    assert installed_plugin("sources", "tmf621").made_by is Tmf621Source
    assert installed_plugin("carriers", "tmf621").made_by is Tmf621Carrier


def test_the_example_settings_open() -> None:
    """And what they say is what the README tells of."""
    names = ("TICKETS_TOKEN", "LISTENER_TOKEN", "LISTENER_TOKEN_BEFORE", "LISTENER_KEY")
    opened = open_plugins(
        str(EXAMPLES / "plugins.toml"), {name: f"{name}-0123456789abcdef0123456789" for name in names}
    )
    source = opened.sources["desk"].source
    assert isinstance(source, PolledSource)
    assert source.poll_every_s == 120
    assert isinstance(opened.carriers["desk"], Tmf621Carrier)
    ticket = source.read(raw(example("ticket")))
    assert ticket is not None
    assert ticket.facts == {
        "place": {"value": "pole_top", "source": "ticket LF-4471"},
        "fault_seen": {"value": "cut", "source": "ticket LF-4471"},
        "fibres_down_count": {"value": 24, "source": "ticket LF-4471"},
        "spare_near_m": {"value": 25.0, "unit": "m", "source": "ticket LF-4471"},
    }
    assert ticket.parent == "LF-4470"
    assert ticket.site is not None
    assert (ticket.site.latitude_deg, ticket.site.longitude_deg) == (51.2, -2.6)
