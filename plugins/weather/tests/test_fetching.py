"""Asking over HTTP: errors, limits, time, and who asks."""

from __future__ import annotations

import http.server
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import requests
import responses
from repairadvisor_weather.fetching import MOST_BYTES, Deadline, Remote
from weather_scene import EDR_URL, NOW, STATIONS, a_ticket, edr, example, reports

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError

URL = "https://weather.example/document"


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def mock() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock() as one:
        yield one


def ask(remote: Remote, url: str = URL, key: str = "one", timeout_s: float = 2.0) -> str:
    return remote.get(url, {}, key, NOW, Deadline(timeout_s)).text


@pytest.mark.parametrize(
    ("status", "error"),
    [
        (301, RemoteRefusedError),
        (400, RemoteRefusedError),
        (401, RemoteRefusedError),
        (404, RemoteRefusedError),
        (408, RemoteUnavailableError),
        (429, RemoteUnavailableError),
        (500, RemoteUnavailableError),
        (503, RemoteUnavailableError),
    ],
)
def test_statuses(mock: responses.RequestsMock, status: int, error: type[Exception]) -> None:
    mock.get(URL, status=status, headers={"Location": "https://elsewhere.example/"})
    with pytest.raises(error, match=rf"^weather\.example answers {status}"):
        ask(Remote({}, None, 0))
    assert len(mock.calls) == 1


@pytest.mark.parametrize(("said", "wait"), [("30", 30), ("999999", 86400), ("soon", None), ("-1", None), ("", None)])
def test_the_wait_that_is_asked_for(mock: responses.RequestsMock, said: str, wait: float | None) -> None:
    """RFC 9110, 10.2.3: seconds, or a date, which is not read."""
    mock.get(URL, status=503, headers={"Retry-After": said})
    remote = Remote({}, None, 60)
    for _ in range(2):
        with pytest.raises(RemoteUnavailableError) as raised:
            ask(remote)
        assert raised.value.retry_after_s == wait


@pytest.mark.parametrize(
    "failure",
    [requests.ConnectionError(f"cannot reach {URL}?key=S3CRET"), requests.Timeout("S3CRET"), OSError("S3CRET")],
)
def test_no_secret_is_told(mock: responses.RequestsMock, failure: Exception) -> None:
    mock.get(URL, body=failure)
    with pytest.raises(RemoteUnavailableError) as raised:
        ask(Remote({"Authorization": "S3CRET"}, None, 0), f"{URL}?key=S3CRET")
    assert "S3CRET" not in str(raised.value)
    assert raised.value.__cause__ is None
    assert raised.value.__suppress_context__


def test_reprs_tell_no_secret() -> None:
    for source in (edr(headers={"Authorization": "S3CRET"}), reports(headers={"Authorization": "S3CRET"})):
        assert "S3CRET" not in repr(source) + str(source) + repr(source._remote)


def test_a_large_answer_is_refused(mock: responses.RequestsMock) -> None:
    mock.get(URL, body="x" * MOST_BYTES)
    assert len(ask(Remote({}, None, 0))) == MOST_BYTES
    mock.replace(responses.GET, URL, body="x" * (MOST_BYTES + 1))
    with pytest.raises(RemoteUnavailableError, match=r"more than 1048576 bytes$"):
        ask(Remote({}, None, 0))


def test_what_is_no_text_is_refused(mock: responses.RequestsMock) -> None:
    mock.get(URL, body=b"\xff\xfe")
    with pytest.raises(RemoteUnavailableError, match=r"no UTF-8$"):
        ask(Remote({}, None, 0))


def test_an_answer_is_kept_for_its_time(mock: responses.RequestsMock) -> None:
    mock.get(URL, body="one")
    clock = Clock()
    remote = Remote({}, None, 120, clock)
    assert ask(remote) == ask(remote) == "one"
    clock.now = 119.9
    assert ask(remote) == "one"
    assert len(mock.calls) == 1
    clock.now = 120
    ask(remote)
    ask(remote, key="other")
    assert len(mock.calls) == 3


def test_a_failure_is_kept_for_less(mock: responses.RequestsMock) -> None:
    mock.get(URL, status=500)
    clock = Clock()
    remote = Remote({}, None, 120, clock)
    for clock.now in (0, 9.9, 10):
        with pytest.raises(RemoteUnavailableError):
            ask(remote)
    assert len(mock.calls) == 2


def test_nothing_is_kept_where_the_operator_wants_nothing_kept(mock: responses.RequestsMock) -> None:
    mock.get(URL, body="one")
    remote = Remote({}, None, 0)
    assert ask(remote) == ask(remote)
    assert len(mock.calls) == 2


def test_the_time_is_over() -> None:
    clock = Clock()
    deadline = Deadline(2, clock)
    assert deadline.left_s() == 2
    clock.now = 1.5
    assert deadline.left_s() == 0.5
    clock.now = 2
    with pytest.raises(RemoteUnavailableError, match=r"^no whole answer within 2 s$"):
        deadline.left_s()


# --- a server on this machine --------------------------------------------------------------------------------


class _Server(http.server.ThreadingHTTPServer):
    daemon_threads = True
    asked = 0
    wait_s = 0.0
    drip_s = 0.0
    body = b""


class _Handler(http.server.BaseHTTPRequestHandler):
    server: _Server

    def do_GET(self) -> None:
        self.server.asked += 1
        time.sleep(self.server.wait_s)
        try:
            self.send_response(200)
            self.send_header("Content-Length", str(len(self.server.body)))
            self.end_headers()
            if not self.server.drip_s:
                self.wfile.write(self.server.body)
            for byte in self.server.body if self.server.drip_s else b"":
                self.wfile.write(bytes([byte]))
                self.wfile.flush()
                time.sleep(self.server.drip_s)
        except OSError:
            return  # the other side has had enough, which is what these tests are about

    def log_message(self, *_: Any) -> None:
        return


@pytest.fixture
def server() -> Iterator[_Server]:
    with _Server(("127.0.0.1", 0), _Handler) as one:
        thread = threading.Thread(target=one.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        yield one
        one.shutdown()
        thread.join()


def address(server: _Server) -> str:
    return f"http://127.0.0.1:{server.server_port}"


@pytest.mark.parametrize(("wait_s", "drip_s"), [(1.5, 0.0), (0.0, 0.1)])
def test_a_slow_server_is_left_in_time(server: _Server, wait_s: float, drip_s: float) -> None:
    """One that says nothing, and one that says a byte now and then."""
    server.body, server.wait_s, server.drip_s = b"x" * 20, wait_s, drip_s
    began = time.monotonic()
    with pytest.raises(RemoteUnavailableError):
        edr(url=address(server), timeout_s=0.4).facts(a_ticket(), NOW)
    assert time.monotonic() - began < 1.0


def test_several_stations_share_one_time(server: _Server) -> None:
    server.wait_s = 0.3
    began = time.monotonic()
    with pytest.raises(RemoteUnavailableError):
        reports(metar_url=address(server) + "/{station}", stations=STATIONS, max_distance_km=50, timeout_s=0.2).facts(
            a_ticket(), NOW
        )
    assert time.monotonic() - began < 0.7


def test_what_breaks_off_is_not_used(server: _Server) -> None:
    server.body = b"METAR XQSG 040720Z 24018G31KT 9999="

    class Cut(_Handler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", "1000")
            self.end_headers()
            self.wfile.write(self.server.body)

    server.RequestHandlerClass = Cut
    with pytest.raises(RemoteUnavailableError, match=r"^127\.0\.0\.1 cannot be asked: "):
        reports(metar_url=address(server) + "/{station}").facts(a_ticket(), NOW)


def test_three_hundred_tickets_of_a_street_ask_once(server: _Server) -> None:
    server.body, server.wait_s = example("position.covjson").encode(), 0.2
    source = edr(url=address(server), timeout_s=5)
    found: list[dict[str, object]] = []
    asking = threading.Barrier(30)

    def work() -> None:
        asking.wait()
        found.extend(source.facts(a_ticket(), NOW) for _ in range(10))

    threads = [threading.Thread(target=work) for _ in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 300
    assert all(one == found[0] and one for one in found)
    assert server.asked == 1


def test_who_waits_for_another_waits_no_longer_than_allowed(server: _Server) -> None:
    server.body, server.wait_s = b"late", 0.8
    remote = Remote({}, None, 60)
    first = threading.Thread(target=ask, args=(remote, address(server)), kwargs={"timeout_s": 3})
    first.start()
    time.sleep(0.1)
    began = time.monotonic()
    with pytest.raises(RemoteUnavailableError, match=r"^no whole answer within 0\.2 s$"):
        ask(remote, address(server), timeout_s=0.2)
    assert time.monotonic() - began < 0.6
    first.join()
    assert ask(remote, address(server)) == "late"
    assert server.asked == 1


def test_the_environment_names_no_proxy(server: _Server, monkeypatch: pytest.MonkeyPatch) -> None:
    server.body = b"here"
    for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    monkeypatch.delenv("no_proxy", raising=False)
    monkeypatch.delenv("NO_PROXY", raising=False)
    assert ask(Remote({}, None, 0), address(server)) == "here"


def test_the_operator_names_a_proxy(server: _Server) -> None:
    """The proxy answers for a host that is nowhere."""
    server.body = b"through the proxy"
    assert ask(Remote({}, address(server), 0), "http://weather.example/x") == "through the proxy"


def test_the_certificate_is_checked(mock: responses.RequestsMock) -> None:
    mock.get(EDR_URL, body="")
    edr().facts(a_ticket(), NOW)
    assert mock.calls[0].request.req_kwargs["verify"] is True
    assert mock.calls[0].request.req_kwargs["stream"] is True
