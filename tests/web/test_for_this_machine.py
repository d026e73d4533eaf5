"""Whom a request is meant for, and which site it comes from: names by which this machine knows itself, no others."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from repairadvisor.store.records import Records
from web.test_refusals import ROUTES, is_problem

OWN = ["localhost", "LOCALHOST", "localhost:80", "127.0.0.1", "127.0.0.1:80", "127.8.0.3", "[::1]", "[::1]:80"]
STRANGE = [
    "rebound.example",
    "rebound.example:80",
    "localhost.rebound.example",
    "127.0.0.1.rebound.example",
    "192.0.2.7",
    "0.0.0.0",
    "[::]",
    "[::ffff:127.0.0.1]",
    "localhost:81",
    "127.0.0.1:8765",
    "2130706433",
    "0177.0.0.1",
]
FOREIGN = ["https://rebound.example", "null", "http://localhost:1", "https://localhost", "http://[", "http://[::1]", "",
           "localhost", "http://localhost/", "http://localhost http://rebound.example"]  # fmt: skip
NO_HOST = ["", " ", "localhost, rebound.example", "localhost:", "localhost:http", "localhost:٨٠", "[::1", "::1",
           "user@localhost", "localhost/", "local host", "<localhost>", "localhost:999999"]  # fmt: skip


def test_this_machine_is_meant_under_its_own_names(client: FlaskClient) -> None:
    for host in OWN:
        assert (host, client.get("/health/live", headers={"Host": host}).status_code) == (host, 200)


def test_a_name_of_somebody_else_opens_no_door(client: FlaskClient) -> None:
    """Else the page of another site, whose name was made to lead to this machine, could read everything."""
    for host in STRANGE:
        is_problem(client.get("/v1/facts", headers={"Host": host}), 421, "wrong-host")
    for path in (*ROUTES, "/nothing", "/static/page.css"):
        is_problem(client.get(path, headers={"Host": "rebound.example"}), 421, "wrong-host")


def test_under_a_strange_name_nothing_is_kept(client: FlaskClient, records: Records) -> None:
    strange = {"Host": "rebound.example"}
    is_problem(client.post("/v1/advice", json={"facts": {}}, headers=strange), 421, "wrong-host")
    is_problem(client.post("/", data={"place": "pole_top"}, headers=strange), 421, "wrong-host")
    assert records.count() == 0


def test_what_names_no_host_is_a_bad_request(client: FlaskClient) -> None:
    for host in NO_HOST:
        is_problem(client.get("/health/live", headers={"Host": host}), 400, "bad-request")


def test_the_port_that_is_listened_on_has_to_be_meant(client: FlaskClient) -> None:
    listening = {"SERVER_PORT": "8765"}
    for host, status in (("localhost:8765", 200), ("[::1]:8765", 200), ("localhost", 421), ("localhost:80", 421)):
        got = client.get("/health/live", headers={"Host": host}, environ_overrides=listening)
        assert (host, got.status_code) == (host, status)


@pytest.mark.parametrize(
    ("path", "asked"), [("/", {"data": {"place": "pole_top"}}), ("/v1/advice", {"json": {"facts": {}}})]
)
def test_nothing_is_taken_from_a_page_of_another_site(
    client: FlaskClient, records: Records, path: str, asked: dict[str, Any]
) -> None:
    for origin in FOREIGN:
        is_problem(client.post(path, **asked, headers={"Origin": origin}), 403, "cross-site")
    assert records.count() == 0


@pytest.mark.parametrize("origin", ["http://127.0.0.1:8765", None])
def test_a_page_of_this_site_may_send(client: FlaskClient, origin: str | None) -> None:
    headers = {"Host": "127.0.0.1:8765"} | ({"Origin": origin} if origin else {})
    # The desk leads to where it is kept.
    for status, more in ((303, {"data": {"place": ""}}), (200, {"path": "/v1/advice", "json": {"facts": {}}})):
        got = client.post(**{"path": "/", **more}, headers=headers, environ_overrides={"SERVER_PORT": "8765"})
        assert got.status_code == status


def test_a_link_from_elsewhere_may_lead_here(client: FlaskClient) -> None:
    assert client.get("/", headers={"Origin": "https://rebound.example"}).status_code == 200


@pytest.mark.parametrize("path", ["/", "/nothing", "/v1/facts"])
def test_a_browser_is_told_to_say_where_our_form_comes_from(client: FlaskClient, path: str) -> None:
    """By the Fetch standard a form of a page under "no-referrer" is sent with ``Origin: null``, which we refuse."""
    assert client.get(path).headers["Referrer-Policy"] == "same-origin"
