"""The tests that every plugin inherits. The receiver of the notes dedupes by ``webhook-id``, as the specification tells
consumers to: it cannot be looked into."""

import pytest
from repairadvisor_webhook import WebhookCarrier, WebhookSource
from webhook_sender import a_carrier, a_source, binary_event, data_of_ticket, event_of, signed

from repairadvisor.testing import (
    HOSTILE_TEXTS,
    EventsOverHttpContract,
    FollowUpContract,
    NoteCarrierContract,
    TicketSourceContract,
    installed_plugin,
)


class _Structured:
    @pytest.fixture
    def source(self):
        return a_source()

    @pytest.fixture
    def event(self):
        facts = {
            "place": {"value": "footway_chamber", "source": "caller", "seen_at": "2031-05-04T07:15:00Z"},
            "fault_seen": "cut",
        }
        return event_of(data_of_ticket(facts=facts))

    @pytest.fixture
    def event_with_text(self):
        texts = ("", *HOSTILE_TEXTS)
        return {text: event_of(data_of_ticket(title=text, notes=[{"place": text}])) for text in texts}


class _Binary(_Structured):
    @pytest.fixture
    def source(self):
        return a_source(binary_mode=True)

    @pytest.fixture
    def event(self):
        return binary_event(data_of_ticket(ended=False))

    @pytest.fixture
    def event_with_text(self):
        return {text: binary_event(data_of_ticket(ended=False, title=text)) for text in ("", *HOSTILE_TEXTS)}


class TestSource(_Structured, TicketSourceContract):
    @pytest.fixture
    def nonsense(self):
        bodies = [b"", b"{}", b"[]", b"null", b"\xff", b"{" * 5000, b"[" * 200_000, b'{"a":1,"a":2}', b'{"a":NaN}']
        datas = [
            None,
            [],
            "LF-4471",
            {},
            data_of_ticket(ticket="a\nb"),
            data_of_ticket(facts=[]),
            data_of_ticket(facts={"place\n": "\n"}),
            data_of_ticket(sequence=-1),
            data_of_ticket(sequence=True),
            data_of_ticket(ended="yes"),
            data_of_ticket(parent="LF-4471"),
            data_of_ticket(site={"latitude_deg": 91, "longitude_deg": 0}),
        ]
        return [*(signed(body) for body in bodies), *(event_of(data) for data in datas)]


class TestSourceOfBinaryMode(_Binary, TicketSourceContract):
    @pytest.fixture
    def nonsense(self):
        return [binary_event(b"\xff"), binary_event({}), binary_event(b"", **{"ce-type": ...})]


class TestOverHttp(_Structured, EventsOverHttpContract):
    pass


class TestOverHttpInBinaryMode(_Binary, EventsOverHttpContract):
    pass


class _Carrier:
    @pytest.fixture
    def carrier(self, receiver):
        return a_carrier(receiver.url)

    @pytest.fixture
    def reference(self):
        return "LF-4471"

    @pytest.fixture
    def written(self, receiver):
        return receiver.written


class TestCarrier(_Carrier, NoteCarrierContract):
    pass


class TestFollowUp(_Carrier, FollowUpContract):
    def test_it_is_told_what_is_owed(self, carrier, reference, receiver):
        ticket = carrier.open_follow_up(reference, "0123456789ab-follow-up-1", "Permanent repair owed", "Reel off µ.")
        assert receiver.opened[ticket] == {
            "ticket": "LF-4471",
            "key": "0123456789ab-follow-up-1",
            "title": "Permanent repair owed",
            "text": "Reel off µ.",
        }


def test_it_is_installed_for_both_seams():
    assert installed_plugin("sources", "webhook").made_by is WebhookSource
    assert installed_plugin("carriers", "webhook").made_by is WebhookCarrier
