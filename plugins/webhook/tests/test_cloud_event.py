"""CloudEvents 1.0: the examples of the specification's "JSON Event Format" 1.0.2 (section 3.2) and "HTTP Protocol
Binding" 1.0.2, and the ``cloudevents`` library 2.2.0 as a second reader."""

import base64
import contextlib
import json

import pytest
from cloudevents.core.bindings import http as library
from cloudevents.core.exceptions import CloudEventValidationError
from cloudevents.core.v1.event import CloudEvent as LibraryEvent
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_webhook.cloud_event import json_data, moment, received, structured
from webhook_sender import envelope, signed

from repairadvisor.plugin import EventUnreadableError, RawEvent

STRUCTURED = {"content-type": "application/cloudevents+json; charset=utf-8"}
COMMON = {
    "specversion": "1.0",
    "type": "com.example.someevent",
    "source": "/mycontext",
    "time": "2018-04-05T17:31:00Z",
    "comexampleextension1": "value",
    "comexampleothervalue": 5,
}
#: The four examples of section 3.2: of binary data (its base64 is elided there, so the bytes are ours), of XML, of a
#: JSON object, and of a JSON text without a content type; each with attributes that are null.
BINARY_DATA = {**COMMON, "id": "A234-1234-1234", "datacontenttype": "application/vnd.apache.thrift.binary",
               "data_base64": base64.b64encode(b"\x00\x01binary").decode()}  # fmt: skip
XML = {**COMMON, "id": "B234-1234-1234", "unsetextension": None, "datacontenttype": "application/xml",
       "data": '<much wow="xml"/>'}  # fmt: skip
OBJECT = {**COMMON, "id": "C234-1234-1234", "subject": None, "datacontenttype": "application/json",
          "data": {"appinfoA": "abc", "appinfoB": 123, "appinfoC": True}}  # fmt: skip
TEXT = {**COMMON, "id": "D234-1234-1234", "subject": None, "data": "I'm just a string"}
#: The object "re-encoded using HTTP Binary Content Mode", as the same section has it.
OBJECT_HEADERS = {
    "ce-specversion": "1.0",
    "ce-type": "com.example.someevent",
    "ce-source": "/mycontext",
    "ce-id": "C234-1234-1234",
    "ce-time": "2018-04-05T17:31:00Z",
    "ce-comexampleextension1": "value",
    "ce-comexampleothervalue": "5",
    "content-type": "application/json",
}
OBJECT_BODY = b'{\n  "appinfoA" : "abc",\n  "appinfoB" : 123,\n  "appinfoC" : true\n}'


def read(event, **headers):
    return received(RawEvent({**STRUCTURED, **headers}, json.dumps(event).encode()), binary_mode=False)


def unreadable(event, *, binary_mode=True):
    with pytest.raises(EventUnreadableError) as why:
        json_data(received(event, binary_mode=binary_mode))
    assert "\n" not in str(why.value)
    return str(why.value)


class TestExamplesOfTheSpecification:
    @pytest.mark.parametrize("example", [BINARY_DATA, XML, OBJECT, TEXT])
    def test_attributes(self, example):
        """Section 2.2: "when a null value is encountered, it MUST be treated as the equivalent of unset"."""
        expected = {name: value for name, value in example.items() if value is not None and not name.startswith("data")}
        got = dict(read(example).attributes)
        got.pop("datacontenttype", None)
        assert got == expected

    def test_an_object(self):
        assert json_data(read(OBJECT)) == {"appinfoA": "abc", "appinfoB": 123, "appinfoC": True}

    def test_a_text_without_content_type_is_json_and_not_parsed_again(self):
        assert json_data(read(TEXT)) == "I'm just a string"
        assert json_data(read({**TEXT, "data": '{"a":1}'})) == '{"a":1}'

    @pytest.mark.parametrize("example", [BINARY_DATA, XML])
    def test_what_is_no_json_holds_no_ticket(self, example):
        with pytest.raises(EventUnreadableError, match="datacontenttype"):
            json_data(read(example))

    def test_base64_of_json(self):
        """Section 3.1.2: the decoded bytes may be read by their content type."""
        inside = {"data_base64": base64.b64encode(b'{"a":1}').decode(), "datacontenttype": "application/json"}
        assert json_data(read({**COMMON, "id": "1", **inside})) == {"a": 1}

    def test_binary_mode(self):
        event = received(RawEvent(OBJECT_HEADERS, OBJECT_BODY), binary_mode=True)
        assert json_data(event) == json_data(read(OBJECT))
        whole = {**read(OBJECT).attributes, "comexampleothervalue": "5"}
        assert event.attributes == whole

    def test_the_text_in_binary_mode_is_quoted(self):
        headers = {**OBJECT_HEADERS, "ce-id": "D234-1234-1234"}
        assert json_data(received(RawEvent(headers, b'"I\'m just a string"'), binary_mode=True)) == "I'm just a string"
        assert "JSON" in unreadable(RawEvent(headers, b"I'm just a string"))

    def test_percent_encoding(self):
        """HTTP Protocol Binding, section 3.1.3.2: its example, and the overlong space that MUST be rejected."""
        headers = {**OBJECT_HEADERS, "ce-subject": "Euro%20%E2%82%AC%20%F0%9F%98%80"}
        assert received(RawEvent(headers, b"{}"), binary_mode=True).attributes["subject"] == "Euro € 😀"
        assert "UTF-8" in unreadable(RawEvent({**OBJECT_HEADERS, "ce-subject": "%C0%A0"}, b"{}"))

    @pytest.mark.parametrize(
        ("value", "read_as"),
        [('"a b"', "a b"), ('"a \\"b\\" \\\\"', 'a "b" \\'), ("%41%e2%82%ac", "A€"), ("%2541", "%41"), ('"', '"')],
    )
    def test_quotes_go_first_and_percent_is_decoded_once(self, value, read_as):
        headers = {**OBJECT_HEADERS, "ce-subject": value}
        assert received(RawEvent(headers, b"{}"), binary_mode=True).attributes["subject"] == read_as


class TestRefused:
    @pytest.mark.parametrize("name", ["specversion", "id", "source", "type"])
    @pytest.mark.parametrize("value", [..., None, "", 5, "a\x00", "\ud800", "\ufffe", "\U0010ffff"])
    def test_each_required_attribute(self, name, value):
        event = envelope({}, **{name if name != "type" else "event_type": value})
        assert name in unreadable(signed(json.dumps(event).encode()))

    @pytest.mark.parametrize("version", ["0.3", "1.1", "2.0", "1"])
    def test_another_version(self, version):
        assert "specversion" in unreadable(signed(json.dumps(envelope({}, specversion=version)).encode()))

    @pytest.mark.parametrize(
        ("name", "value"),
        [
            ("Sequence", "1"),
            ("se_quence", "1"),
            ("", "1"),
            ("x", 2**31),
            ("x", 1.5),
            ("x", []),
            ("x", {}),
            ("time", "now"),
            ("time", 5),
            ("subject", ""),
            ("datacontenttype", ""),
            ("dataschema", 1),
        ],
    )
    def test_attributes_that_none_may_be(self, name, value):
        unreadable(signed(json.dumps(envelope({}, **{name: value})).encode()))

    def test_data_twice(self):
        assert "data_base64" in unreadable(signed(json.dumps(envelope({}, data_base64="e30=")).encode()))

    @pytest.mark.parametrize("encoded", ["!", "e30", None, 5, {}, "é"])
    def test_what_is_not_base64(self, encoded):
        event = {name: value for name, value in envelope({}, data_base64=encoded).items() if name != "data"}
        assert "base64" in unreadable(signed(json.dumps(event).encode()))

    @pytest.mark.parametrize(
        ("content_type", "said"),
        [
            ("application/cloudevents-batch+json", "batch"),
            ("application/cloudevents+avro", "format"),
            ("application/cloudevents", "format"),
            ("application/cloudevents+json; charset=latin-1", "charset"),
            ("application/json", "no ce- headers"),
            ("text/plain", "no ce- headers"),
            ("", "no ce- headers"),
        ],
    )
    def test_another_kind_of_content(self, content_type, said):
        event = RawEvent({"content-type": content_type}, json.dumps(envelope({})).encode())
        assert said in unreadable(event)

    @pytest.mark.parametrize(
        "content_type", ["APPLICATION/CloudEvents+JSON", 'application/cloudevents+json;charset="UTF-8"']
    )
    def test_media_types_know_no_capitals(self, content_type):
        event = RawEvent({"content-type": content_type}, json.dumps(envelope({})).encode())
        assert received(event, binary_mode=False).type == "ticket.changed"

    def test_binary_mode_where_it_is_not_asked_for(self):
        assert "binary_mode" in unreadable(RawEvent(OBJECT_HEADERS, OBJECT_BODY), binary_mode=False)

    @pytest.mark.parametrize(
        ("name", "value"),
        [("ce-datacontenttype", "application/json"), ("ce-subject", "a%"), ("ce-subject", "%zz"), ("ce-subject", "é"),
         ("ce-subject", "a\tb"), ("ce-subject", "%00"), ("ce-my_own", "1"), ("ce-time", "yesterday")],
    )  # fmt: skip
    def test_headers_that_none_may_be(self, name, value):
        unreadable(RawEvent({**OBJECT_HEADERS, name: value}, OBJECT_BODY))

    def test_names_that_stand_twice(self):
        """Where the library keeps the last: two readers, two events."""
        body = b'{"specversion":"1.0","id":"1","source":"/a","type":"ticket.changed","type":"ticket.closed","data":{}}'
        assert library.from_structured_event(library.HTTPMessage(STRUCTURED, body)).get_type() == "ticket.closed"
        assert "stands twice" in unreadable(RawEvent(STRUCTURED, body))


@pytest.mark.parametrize(
    ("text", "microseconds"),
    [
        # RFC 3339, section 5.8: its examples, but for the two with leap seconds.
        ("1985-04-12T23:20:50.52Z", 482196050520000),
        ("1996-12-19T16:39:57-08:00", 851042397000000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172130000),
        ("1985-04-12t23:20:50z", 482196050000000),
        ("1985-04-12T23:20:50.1234560000Z", 482196050123456),
    ],
)
def test_moments(text, microseconds):
    assert round(moment(text).timestamp() * 10**6) == microseconds


@pytest.mark.parametrize(
    "text",
    [
        "1990-12-31T23:59:60Z",
        "2031-05-04",
        "2031-05-04 07:30:00Z",
        "2031-05-04T07:30:00",
        "2031-05-04T07:30Z",
        "20310504T073000Z",
        "2031-02-30T00:00:00Z",
        "2031-05-04T24:00:00Z",
        "2031-05-04T07:30:00.0000001Z",
        "2031-05-04T07:30:00+2400",
        "٢031-05-04T07:30:00Z",
    ],
)
def test_no_moments(text):
    """RFC 3339 without leap seconds, nothing finer than microseconds: what cannot be held is not cut."""
    with pytest.raises(EventUnreadableError, match="time"):
        moment(text)


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn", "Co")), min_size=1, max_size=20)
EXTENSIONS = st.dictionaries(st.from_regex(r"x[a-z0-9]{1,8}", fullmatch=True), WORDS, max_size=3)
DATA = st.dictionaries(WORDS, WORDS | st.integers(-(2**53), 2**53) | st.booleans() | st.none(), min_size=1, max_size=4)


class TestAgainstTheLibrary:
    """What the library writes is read here as it was meant, and what is written here it reads."""

    @given(WORDS, WORDS, WORDS, WORDS, EXTENSIONS, DATA)
    def test_structured_and_binary(self, event_id, source, event_type, subject, extensions, data):
        attributes = {"specversion": "1.0", "id": event_id, "source": source, "type": event_type, "subject": subject}
        attributes |= {
            "datacontenttype": "application/json",
            "time": moment("2031-05-04T07:30:00.000001Z"),
            **extensions,
        }
        expected = {**attributes, "time": "2031-05-04T07:30:00.000001Z"}
        for write in (library.to_structured_event, library.to_binary_event):
            message = write(LibraryEvent(dict(attributes), data))
            event = received(RawEvent(message.headers, message.body), binary_mode=True)
            assert event.attributes == expected
            assert json_data(event) == data

    def test_why_it_does_not_read_here(self):
        """What the module says of it: it makes up what is missing, refuses null, and goes by the headers."""

        def library_reads(event, **headers):
            message = library.HTTPMessage({**STRUCTURED, **headers}, json.dumps(event).encode())
            return library.from_http_event(message)

        made_up = library_reads({"source": "/a", "type": "ticket.changed"})
        assert made_up.get_id()
        assert made_up.get_time()
        assert made_up.get_specversion() == "1.0"
        with pytest.raises(CloudEventValidationError):
            library_reads(OBJECT)
        with pytest.raises(CloudEventValidationError):
            library_reads(XML | {"unsetextension": "x"}, **{"ce-id": "also among the headers: section 3.2.3"})
        assert read(XML, **{"ce-id": "also among the headers: section 3.2.3"}).attributes["id"] == "B234-1234-1234"
        headers = {**OBJECT_HEADERS, "ce-subject": "%C0%A0"}
        assert library.from_binary_event(library.HTTPMessage(headers, b"{}")).get_subject()
        sent = LibraryEvent({"source": "/a", "type": "a", "id": "1"}, {})
        assert "time" in json.loads(library.to_structured_event(sent).body)

    @given(WORDS, WORDS, WORDS, WORDS, DATA)
    def test_what_goes_out(self, event_id, source, event_type, subject, data):
        body = structured(event_id, source, event_type, subject, data)
        read_by_library = library.from_structured_event(library.HTTPMessage(STRUCTURED, body))
        assert read_by_library.get_id() == event_id
        assert read_by_library.get_source() == source
        assert read_by_library.get_type() == event_type
        assert read_by_library.get_subject() == subject
        assert read_by_library.get_datacontenttype() == "application/json"
        assert read_by_library.get_data() == data
        ours = received(RawEvent(STRUCTURED, body), binary_mode=False)
        assert json_data(ours) == data
        assert structured(event_id, source, event_type, subject, dict(data)) == body


@given(
    st.dictionaries(st.sampled_from([*OBJECT_HEADERS, "ce-subject", "ce-x"]), st.text(max_size=20)),
    st.binary(max_size=80),
)
def test_whatever_comes_it_is_read_or_unreadable(headers, body):
    for binary_mode in (False, True):
        with contextlib.suppress(EventUnreadableError):
            json_data(received(RawEvent(headers, body), binary_mode=binary_mode))
