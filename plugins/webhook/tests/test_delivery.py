"""What each outcome of a POST means: Standard Webhooks 1.0.0, section "Delivery success and failure"; ``Retry-After``
by RFC 9110, section 10.2.3."""

import logging
import socket
import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
import requests
import responses
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_webhook.delivery import retry_after_s
from webhook_receiver import receiving
from webhook_sender import NOW, SECRET, a_carrier

from repairadvisor.plugin import NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import a_note

URL = "https://desk.lanternfield.example/hooks/telling-token"
CHANGE = NoteChange(add=(a_note(),))


def send(status=None, *, body=b"", headers=None, error=None, **settings):
    """What comes of one note where the other side answers so; and the calls that were made."""
    with responses.RequestsMock() as other_side:
        if error is not None:
            other_side.add(responses.POST, URL, body=error)
        else:
            other_side.add(responses.POST, URL, status=status, body=body, headers=headers or {})
        try:
            a_carrier(URL, **settings).change("LF-4471", CHANGE)
        except (RemoteRefusedError, RemoteUnavailableError) as outcome:
            return outcome, list(other_side.calls)
        return None, list(other_side.calls)


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_success(status):
    assert send(status)[0] is None


@pytest.mark.parametrize("status", [408, 425, 429, 500, 501, 502, 503, 504, 507, 599])
def test_asked_again_later(status):
    outcome, calls = send(status)
    assert isinstance(outcome, RemoteUnavailableError)
    assert outcome.retry_after_s is None
    assert str(outcome) == f"desk.lanternfield.example answers {status}"
    assert len(calls) == 1


@pytest.mark.parametrize("status", [400, 401, 403, 404, 405, 409, 410, 413, 415, 422, 451, 499])
def test_given_up(status):
    outcome, calls = send(status)
    assert isinstance(outcome, RemoteRefusedError)
    assert str(status) in str(outcome)
    assert len(calls) == 1


def test_gone_says_so():
    assert "no more webhooks" in str(send(410)[0])


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308, 300, 304])
def test_no_redirect_is_followed(status):
    outcome, calls = send(status, headers={"Location": "https://elsewhere.example/"})
    assert isinstance(outcome, RemoteRefusedError)
    assert "not followed" in str(outcome)
    assert "elsewhere" not in str(outcome)
    assert len(calls) == 1


@pytest.mark.parametrize("status", [429, 502, 503, 504, 500])
def test_a_wait_that_is_asked_for_is_handed_on(status):
    assert send(status, headers={"Retry-After": "120"})[0].retry_after_s == 120


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (requests.ConnectTimeout(f"{URL} {SECRET}"), "no answer within 20 s"),
        (requests.ReadTimeout(URL), "no answer within 20 s"),
        (requests.ConnectionError(URL), "cannot be reached"),
        (requests.exceptions.SSLError(URL), "certificate"),
        (requests.exceptions.ProxyError(URL), "proxy"),
        (requests.exceptions.ChunkedEncodingError(URL), "broke off"),
        (ConnectionResetError(URL), "broke off"),
        (TimeoutError(URL), "no answer within"),
    ],
)
def test_without_an_answer_it_is_asked_again_and_nothing_is_told(error, said):
    outcome, _ = send(error=error)
    assert isinstance(outcome, RemoteUnavailableError)
    assert said in str(outcome)
    assert "telling" not in str(outcome)
    assert SECRET not in str(outcome)
    assert outcome.__suppress_context__
    assert outcome.__cause__ is None


def test_what_it_answers_is_not_told():
    outcome, _ = send(400, body=b"telling")
    assert "telling" not in str(outcome)


def test_what_is_sent_holds_to_its_settings(monkeypatch):
    for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://elsewhere.example:1")
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", "/nowhere")
    _, calls = send(204, timeout_s=17)
    used = calls[0].request.req_kwargs
    assert used["timeout"] == 17
    assert used["verify"] is True
    assert not used["proxies"]
    assert used["stream"] is True


def test_a_proxy_is_used_where_it_is_set():
    _, calls = send(204, proxy="http://proxy.lanternfield.example:3128")
    assert calls[0].request.req_kwargs["proxies"]["https"] == "http://proxy.lanternfield.example:3128"


class TestOverSockets:
    """On loopback, with nothing put in the place of the network."""

    def test_no_answer(self, receiver):
        receiver.answers = [lambda _: receiver.stop.wait(3)]
        receiver.stop = threading.Event()
        try:
            with pytest.raises(RemoteUnavailableError, match="no answer within 1 s"):
                a_carrier(receiver.url, timeout_s=1).change("LF-4471", CHANGE)
        finally:
            receiver.stop.set()

    def test_a_reset(self, receiver):
        def reset(handler):
            handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
            handler.connection.close()
            handler.close_connection = True

        receiver.answers = [reset]
        with pytest.raises(RemoteUnavailableError, match="broke off"):
            a_carrier(receiver.url).change("LF-4471", CHANGE)
        assert len(receiver.requests) == 1

    def test_nobody_listens(self):
        with receiving() as receiver:
            url = receiver.url
        with pytest.raises(RemoteUnavailableError, match="cannot be reached"):
            a_carrier(url).change("LF-4471", CHANGE)

    def test_what_is_no_http(self, receiver):
        receiver.answers = [lambda handler: handler.wfile.write(b"no HTTP\r\n\r\n")]
        with pytest.raises(RemoteUnavailableError):
            a_carrier(receiver.url).change("LF-4471", CHANGE)

    def test_a_redirect_leads_nowhere(self, receiver):
        with receiving() as other:
            receiver.answers = [(307, {"Location": other.url}, b"")]
            with pytest.raises(RemoteRefusedError, match="307"):
                a_carrier(receiver.url).change("LF-4471", CHANGE)
            assert other.requests == []

    def test_a_wait(self, receiver):
        receiver.answers = [
            (503, {"Retry-After": format_datetime(datetime.now(UTC) + timedelta(seconds=100), True)}, b"")
        ]
        with pytest.raises(RemoteUnavailableError) as why:
            a_carrier(receiver.url).change("LF-4471", CHANGE)
        assert 95 <= why.value.retry_after_s <= 100

    def test_no_secret_is_logged(self, receiver, caplog):
        caplog.set_level(logging.DEBUG)
        a_carrier(receiver.url).change("LF-4471", CHANGE)
        assert SECRET.removeprefix("whsec_") not in caplog.text
        assert receiver.requests[0][1]["webhook-signature"] not in caplog.text


class TestRetryAfter:
    def test_the_examples_of_rfc_9110(self):
        """Section 10.2.3: ``Retry-After: Fri, 31 Dec 1999 23:59:59 GMT`` and ``Retry-After: 120``."""
        assert retry_after_s("120", NOW) == 120
        at = datetime(1999, 12, 31, 23, 58, 59, tzinfo=UTC)
        assert retry_after_s("Fri, 31 Dec 1999 23:59:59 GMT", at) == 60

    def test_the_three_spellings_of_a_date(self):
        """RFC 9110, section 5.6.7: one moment, as IMF-fixdate, as RFC 850 and as asctime have it."""
        at = datetime(1994, 11, 6, 8, 49, 7, tzinfo=UTC)
        for text in ("Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"):
            assert retry_after_s(text, at) == 30

    @pytest.mark.parametrize(
        "text", [None, "", "soon", "-5", "1.5", "1e3", "٢", "9" * 10, "Fri, 99 Dec 1999 23:59:59 GMT"]
    )
    def test_what_cannot_be_read_asks_for_nothing(self, text):
        assert retry_after_s(text, NOW) is None

    def test_a_moment_that_is_past_is_now(self):
        assert retry_after_s("Fri, 31 Dec 1999 23:59:59 GMT", NOW) == 0

    @given(st.integers(0, 10**6))
    def test_a_date_is_as_good_as_seconds(self, seconds):
        text = format_datetime(NOW + timedelta(seconds=seconds), usegmt=True)
        assert retry_after_s(text, NOW) == retry_after_s(str(seconds), NOW) == seconds

    @given(st.text(max_size=40))
    def test_whatever_it_says_nothing_else_is_raised(self, text):
        wait_s = retry_after_s(text, NOW)
        assert wait_s is None or wait_s >= 0
