"""What becomes of an event's data: the table in README, and the JSON Schema in examples."""

import contextlib
import json
from datetime import datetime
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from marshmallow import ValidationError
from repairadvisor_webhook import WebhookSource
from webhook_sender import SECRET, a_source, binary_event, data_of_ticket, event_of, signed

from repairadvisor.plugin import MOST_SEQUENCE, EventUnreadableError, Site, Ticket

EXAMPLES = Path(__file__).parent.parent / "examples"
SCHEMA = json.loads((EXAMPLES / "ticket-event-data.schema.json").read_text())


def unreadable(event, source=None):
    with pytest.raises(EventUnreadableError) as why:
        (source or a_source()).read(event)
    assert "\n" not in str(why.value)
    return str(why.value)


def read(data, event_type="ticket.changed", source=None, **attributes):
    return (source or a_source()).read(event_of(data, event_type, **attributes))


def test_a_whole_ticket():
    data = {
        "ticket": "LF-4471",
        "sequence": 7,
        "facts": {"place": {"value": "chamber", "source": "caller"}, "depth_m": 1.2},
        "ended": False,
        "parent": "LF-4470",
        "site": {"latitude_deg": 51.25, "longitude_deg": -1.5},
    }
    assert read(data) == Ticket(
        reference="LF-4471",
        sequence=7,
        facts={"place": {"value": "chamber", "source": "caller"}, "depth_m": 1.2},
        ended=False,
        parent="LF-4470",
        site=Site(51.25, -1.5),
    )


def test_the_least_ticket():
    assert read({"ticket": "1", "sequence": 0, "facts": {}}) == Ticket(reference="1", sequence=0, facts={})


def test_null_is_not_there():
    assert read(data_of_ticket(ended=None, parent=None, site=None)) == read(data_of_ticket())


@given(st.dictionaries(st.text(max_size=8), st.text(max_size=8) | st.none() | st.integers(), max_size=4))
def test_other_names_are_not_read(others):
    own = ("ticket", "sequence", "facts", "ended", "parent", "site")
    others = {name: value for name, value in others.items() if name not in own}
    assert read({**others, **data_of_ticket()}) == read(data_of_ticket())


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"ticket": ...}, "data.ticket = None"),
        ({"ticket": ""}, "data.ticket"),
        ({"ticket": 4471}, "data.ticket = 4471"),
        ({"ticket": "a" * 201}, "1 to 200"),
        ({"ticket": "a\u202eb"}, "printable"),
        ({"sequence": ...}, "data.sequence = None"),
        ({"sequence": -1}, "0 to 9223372036854775807"),
        ({"sequence": MOST_SEQUENCE + 1}, "data.sequence"),
        ({"sequence": 1.0}, "data.sequence"),
        ({"sequence": "1"}, "data.sequence"),
        ({"sequence": True}, "data.sequence"),
        ({"facts": ...}, "data.facts"),
        ({"facts": None}, "data.facts"),
        ({"facts": []}, "data.facts"),
        ({"facts": {"place": "pole_top\r\nX-Injected: yes"}}, "data.facts.place"),
        ({"facts": {"place": [{"source": "\u202eevil"}]}}, "data.facts.place[0].source"),
        ({"facts": {"\x7f": 1}}, "data.facts"),
        ({"facts": {"place": "\ud800"}}, "data.facts.place"),
        ({"ended": "true"}, "data.ended"),
        ({"ended": 1}, "data.ended"),
        ({"parent": 5}, "data.parent"),
        ({"parent": ""}, "data.parent"),
        ({"parent": "LF-4471"}, "another ticket"),
        ({"site": []}, "data.site"),
        ({"site": {}}, "data.site.latitude_deg = None"),
        ({"site": {"latitude_deg": 90.1, "longitude_deg": 0}}, "-90 to 90 (degrees, WGS 84)"),
        ({"site": {"latitude_deg": 0, "longitude_deg": -180.5}}, "-180 to 180"),
        ({"site": {"latitude_deg": True, "longitude_deg": 0}}, "data.site.latitude_deg"),
        ({"site": {"latitude_deg": "51", "longitude_deg": 0}}, "data.site.latitude_deg"),
    ],
)
def test_what_cannot_be_used_is_named(changes, said):
    assert said in unreadable(event_of(data_of_ticket(**changes)))


@pytest.mark.parametrize("data", [None, [], "LF-4471", 5, True])
def test_data_is_an_object(data):
    assert "data" in unreadable(event_of(data))


class TestTypes:
    @pytest.mark.parametrize(
        "event_type", ["ticket.deleted", "Ticket.Created", "ticket.created.late", "advice.note.added"]
    )
    def test_others_tell_of_no_ticket_whatever_they_hold(self, event_type):
        assert read({"ticket": 5}, event_type) is None
        assert read("<much wow>", event_type, datacontenttype="application/xml") is None

    @pytest.mark.parametrize(
        ("event_type", "ended"), [("ticket.created", False), ("ticket.changed", False), ("ticket.closed", True)]
    )
    def test_ours(self, event_type, ended):
        assert read(data_of_ticket(), event_type).ended is ended

    def test_a_ticket_can_end_by_its_data_or_by_its_type(self):
        assert read(data_of_ticket(ended=True), "ticket.changed").ended
        assert read(data_of_ticket(ended=True), "ticket.closed").ended
        assert "ticket.closed" in unreadable(event_of(data_of_ticket(ended=False), "ticket.closed"))

    def test_an_end_needs_no_facts(self):
        assert read(data_of_ticket(facts=...), "ticket.closed").facts == {}
        assert read(data_of_ticket(facts=..., ended=True)).facts == {}

    def test_the_operator_names_them(self):
        source = a_source(types=["fault.told"], ended_types=["fault.mended", "fault.withdrawn"])
        assert source.read(event_of(data_of_ticket(), "ticket.changed")) is None
        assert read(data_of_ticket(), "fault.told", source).ended is False
        assert read(data_of_ticket(), "fault.withdrawn", source).ended is True


class TestSequence:
    def test_of_the_extension(self):
        """CloudEvents, extension "Sequence": a text; padded, so that it is in order as text too."""
        source = a_source(sequence_from="sequence_extension")
        assert read(data_of_ticket(sequence=...), source=source, sequence="000042").sequence == 42
        assert read(data_of_ticket(sequence=5), source=source, sequence=6).sequence == 6
        for wrong in (None, "-1", "1.5", "x", "", "٢", "9" * 19, "9" * 20, True, -1):
            assert "sequence" in unreadable(event_of(data_of_ticket(), sequence=wrong), source)

    def test_of_the_time_in_microseconds(self):
        source = a_source(sequence_from="time")
        first = read(data_of_ticket(), source=source, time="2031-05-04T07:30:00.000001Z")
        assert first.sequence == 1935646200000001
        assert (
            read(data_of_ticket(), source=source, time="2031-05-04T09:30:00.000002+02:00").sequence
            == first.sequence + 1
        )
        for wrong in (None, "1969-12-31T23:59:59Z"):
            assert "time" in unreadable(event_of(data_of_ticket(), time=wrong), source)

    def test_only_one_of_them_is_ever_looked_at(self):
        """Two ways to count in one ticket would set old news before new."""
        event = event_of(data_of_ticket(sequence=...), sequence="5", time="2031-05-04T07:30:00Z")
        assert "data.sequence" in unreadable(event)

    @given(st.lists(st.datetimes(min_value=datetime(1970, 1, 1)), min_size=2, max_size=2))  # noqa: DTZ001
    def test_later_is_larger(self, moments):
        source = a_source(sequence_from="time")
        first, second = (
            read(data_of_ticket(), source=source, time=f"{one.isoformat(timespec='microseconds')}Z").sequence
            for one in moments
        )
        assert (first < second) == (moments[0] < moments[1])


class TestBinaryMode:
    """There only the body is signed: what decides must stand in it."""

    source = a_source(binary_mode=True)

    def test_a_ticket(self):
        assert self.source.read(binary_event(data_of_ticket(ended=False))) == read(data_of_ticket())

    def test_off_unless_asked_for(self):
        assert "binary_mode" in unreadable(binary_event(data_of_ticket(ended=False)))

    @pytest.mark.parametrize("event_type", ["ticket.changed", "ticket.closed"])
    def test_whether_it_ended_has_to_be_said_in_the_data(self, event_type):
        event = binary_event(data_of_ticket(), **{"ce-type": event_type})
        assert "data.ended" in unreadable(event, self.source)

    def test_a_forged_type_does_not_end_a_ticket(self):
        """The headers change and the signature still fits."""
        event = binary_event(data_of_ticket(ended=False), **{"ce-type": "ticket.closed"})
        assert "data.ended" in unreadable(event, self.source)

    def test_a_structured_event_sent_as_binary_is_none(self):
        event = event_of(data_of_ticket())
        headers = binary_event({}).headers
        assert "data.ended" in unreadable(type(event)(headers, event.body), self.source)

    @pytest.mark.parametrize("sequence_from", ["time", "sequence_extension"])
    def test_nor_does_a_header_order_events(self, sequence_from):
        with pytest.raises(ValueError, match="sequence_from"):
            a_source(binary_mode=True, sequence_from=sequence_from)


class TestSettings:
    @pytest.mark.parametrize(
        "wrong",
        [
            {"replay_window_s": 0},
            {"replay_window_s": 3601},
            {"replay_window_s": 1.5},
            {"replay_window_s": True},
            {"sequence_from": "guess"},
            {"binary_mode": "yes"},
            {"types": "ticket.created"},
            {"types": [""]},
            {"types": [5]},
            {"tolerance": 5},
            {"secrets": ...},
        ],
    )
    def test_others_are_refused_by_name(self, wrong):
        given_settings = {name: value for name, value in {"secrets": [SECRET], **wrong}.items() if value is not ...}
        with pytest.raises(ValidationError) as why:
            WebhookSource.settings().load(given_settings)
        assert next(iter(wrong)) in why.value.messages

    def test_a_type_means_one_thing(self):
        with pytest.raises(ValueError, match=r"ticket\.closed"):
            a_source(types=["ticket.closed"])

    def test_some_type_is_read(self):
        with pytest.raises(ValueError, match="types and ended_types"):
            a_source(types=[], ended_types=[])


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 2**64) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=4), inner, max_size=2),
    max_leaves=4,
)
DATA = st.fixed_dictionaries(
    {},
    optional={
        "ticket": st.sampled_from(["LF-4471", "LF-1", ""]) | JSON,
        "sequence": st.integers(-1, 2**63) | JSON,
        "facts": st.just({"place": "chamber"}) | JSON,
        "ended": JSON,
        "parent": st.sampled_from(["LF-1"]) | JSON,
        "site": st.fixed_dictionaries({"latitude_deg": st.floats(-91, 91), "longitude_deg": st.floats(-181, 181)})
        | JSON,
    },
)


@given(DATA)
def test_whatever_the_data_it_is_a_ticket_or_unreadable(data):
    with contextlib.suppress(EventUnreadableError):
        assert isinstance(read(data), Ticket)


@given(DATA)
def test_what_is_read_fits_the_schema(data):
    """The schema that is published is no narrower than what is taken; ``test_examples`` has the other direction."""
    try:
        ticket = read(data)
    except EventUnreadableError:
        return
    jsonschema.validate(data, SCHEMA)
    assert ticket.reference == data["ticket"]


def test_nothing_is_read_of_an_event_that_is_no_event():
    assert "JSON" in unreadable(signed(b"{"))
