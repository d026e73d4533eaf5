"""Against a mock that somebody else's program makes from the OpenAPI file: Prism (npm ``@stoplight/prism-cli``).

Runs where ``REPAIRADVISOR_PRISM`` names that program, or is ``1`` and ``npx`` can get it; ``tests/with_prism`` installs
it and sets that. It refuses each request that is wrong by the file with 400, also without ``--errors``; with it, it
refuses its own answers as well, since the file's examples do not pass it: ``relatedParty.partyOrPartyRole`` is
``oneOf`` two schemas that differ in optional properties only: both match, and Prism does not go by the discriminator.

It keeps no state: a note that was written is not there afterwards, so a change is never done, and is given up as one
over which others write.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from typing import Any

import oas
import pytest
import requests
from conftest import raw, source_of
from repairadvisor_tmf621 import Tmf621Carrier

from repairadvisor.plugin import NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import a_note

VERSION = "5.14.2"
#: The ticket of the file's own examples.
REFERENCE = "3180"
_START_S = 60.0


def _program() -> list[str]:
    named = os.environ.get("REPAIRADVISOR_PRISM", "")
    if named == "1":
        npx = shutil.which("npx")
        if npx is None:
            pytest.skip("REPAIRADVISOR_PRISM is 1 and there is no npx")
        return [npx, "--yes", f"--package=@stoplight/prism-cli@{VERSION}", "prism"]
    if not named:
        pytest.skip("REPAIRADVISOR_PRISM is not set; tests/with_prism sets it")
    return [named]


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    """The mock, running on a port of this machine."""
    program = _program()
    oas.need_oas()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = [*program, "mock", "-h", "127.0.0.1", "-p", str(port), str(oas.oas_file())]
    # A group of its own, so that what npx starts ends with it.
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True) as mock:
        try:
            _wait(mock, port)
            yield f"http://127.0.0.1:{port}"
        finally:
            os.killpg(mock.pid, signal.SIGTERM)
            try:
                mock.communicate(timeout=10)
            except subprocess.TimeoutExpired:
                os.killpg(mock.pid, signal.SIGKILL)
                mock.communicate()


def _wait(mock: subprocess.Popen[bytes], port: int) -> None:
    end = time.monotonic() + _START_S
    while time.monotonic() < end:
        if mock.poll() is not None:
            assert mock.stdout is not None
            pytest.fail(f"the mock did not start: {mock.stdout.read()[-2000:].decode()}")
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=1):
                return
        except OSError:
            time.sleep(0.2)
    pytest.fail(f"the mock did not answer within {_START_S:g} s")


def carrier(url: str, **settings: Any) -> Tmf621Carrier:
    return Tmf621Carrier(**Tmf621Carrier.settings().load({"url": url, "write_without_etag": True, **settings}))


@pytest.mark.parametrize(
    ("method", "path", "kind", "body"),
    [
        ("PATCH", f"/troubleTicket/{REFERENCE}", "application/merge-patch+json", {"note": [{"text": 5}]}),
        (
            "PATCH",
            f"/troubleTicket/{REFERENCE}",
            "application/merge-patch+json",
            {"@type": "TroubleTicket", "note": {}},
        ),
        ("POST", "/troubleTicket", "application/json", {"@type": "TroubleTicket"}),
    ],
)
def test_the_mock_refuses_what_is_wrong(url: str, method: str, path: str, kind: str, body: Any) -> None:
    """Else the tests below could not fail."""
    answer = requests.request(method, url + path, json=body, headers={"Content-Type": kind}, timeout=30)
    assert answer.status_code == 400


def test_a_ticket_is_read(url: str) -> None:
    assert carrier(url).look(REFERENCE) == []


def test_notes_are_written_as_the_file_says(url: str) -> None:
    """Each of the six attempts is accepted by the mock, and none of them is kept."""
    change = NoteChange(add=(a_note(part=1, parts=2), a_note(part=2, parts=2)))
    with pytest.raises(RemoteUnavailableError, match="6 times"):
        carrier(url).change(REFERENCE, change)


def test_a_json_patch_cannot_be_checked_here(url: str) -> None:
    """Prism holds every body against the first content type that the file lists, so it refuses the file's own example
    of a JSON patch as well. Those are held against the file in test_oas.py and by each test with the counterpart."""
    examples = oas.document()["components"]["examples"]
    body = examples["TroubleTicket_partialupdate_example_application_json_patch_request"]["value"]
    headers = {"Content-Type": "application/json-patch+json"}
    answer = requests.patch(f"{url}/troubleTicket/{REFERENCE}", json=body, headers=headers, timeout=30)
    assert answer.status_code == 400
    with pytest.raises(RemoteRefusedError, match="400"):
        carrier(url, patch="json_patch").change(REFERENCE, NoteChange(add=(a_note(),)))


def test_a_ticket_is_opened_as_the_file_says(url: str) -> None:
    assert carrier(url).open_follow_up(REFERENCE, "k-1", "Permanent repair owed", "It is temporary.")


@pytest.mark.parametrize("narrow_by", ["read_all", "sorted", "jsonpath"])
def test_tickets_are_fetched_as_the_file_says(url: str, narrow_by: str) -> None:
    source = source_of(url=url, poll_every_s=60, narrow_by=narrow_by, poll_from="2021-05-04T07:00:00Z", timeout_s=30)
    fetched = source.fetch("")
    assert len(fetched.events) >= 1


def test_a_ticket_is_asked_for(url: str) -> None:
    event = {
        "@type": "TroubleTicketStatusChangeEvent",
        "eventType": "TroubleTicketStatusChangeEvent",
        "event": {"troubleTicket": {"@type": "TroubleTicket", "id": REFERENCE}},
    }
    ticket = source_of(url=url, timeout_s=30).read(raw(event))
    assert (ticket.reference, ticket.ended) == (REFERENCE, True)
