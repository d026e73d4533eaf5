"""Notes in the desk's tickets."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Iterator

import flask
import pytest
from counterpart import TOKEN, CounterpartDesk
from repairadvisor_template import DeskCarrier

from repairadvisor.plugin import HeldNote, NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import NoteCarrierContract, a_note


class TestCarrier(NoteCarrierContract):
    @pytest.fixture
    def reference(self) -> str:
        return "LF-17"

    @pytest.fixture
    def written(self, desk: CounterpartDesk) -> Callable[[], list[str]]:
        return lambda: list(desk.tickets["LF-17"])


class TestCarrierOfAnOddTicket(NoteCarrierContract):
    """A number with a slash, a question mark, a percent sign and a letter that is not ASCII stays one number."""

    @pytest.fixture
    def reference(self, desk: CounterpartDesk) -> str:
        desk.tickets["LF/17 ?µ%2e&#"] = []
        return "LF/17 ?µ%2e&#"

    @pytest.fixture
    def written(self, desk: CounterpartDesk, reference: str) -> Callable[[], list[str]]:
        return lambda: list(desk.tickets[reference])


def test_what_others_wrote_is_not_ours_and_stays(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    carrier.change("LF-17", NoteChange(add=(a_note(),)))

    assert [one.handle for one in carrier.look("LF-17")] == ["2"]
    assert desk.tickets["LF-17"] == ["Called the owner.", a_note().text]


def test_notes_on_later_pages_are_found(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    desk.tickets["LF-17"] += ["Called again."] * 4 + [a_note().text]
    carrier.change("LF-17", NoteChange(add=(a_note(),)))

    assert len(desk.tickets["LF-17"]) == 6


def test_the_same_text_is_not_written_again(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    desk.tickets["LF-17"] = [a_note().text]
    change = NoteChange(rewrite=((HeldNote("1", a_note().text), a_note(text="VOID.").text),))
    carrier.change("LF-17", change)
    carrier.change("LF-17", change)

    assert len([one for one in desk.asked if one.startswith("PUT")]) == 1


def test_a_note_that_somebody_removed_stays_so(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    carrier.change("LF-17", NoteChange(rewrite=((HeldNote("9", a_note().text), "VOID."),)))

    assert desk.tickets["LF-17"] == ["Called the owner."]


def test_a_number_is_one_step_of_the_path(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    """Percent-encoded, RFC 3986, section 2.1: a slash in it leads nowhere else."""
    with pytest.raises(RemoteRefusedError):
        carrier.look("../users/1?x=µ")
    assert desk.asked == ["GET /api/tickets/..%2Fusers%2F1%3Fx%3D%C2%B5/notes?page=1"]


@pytest.mark.parametrize("reference", [".", "..", ""])
def test_a_number_that_is_a_path_is_refused(carrier: DeskCarrier, desk: CounterpartDesk, reference: str) -> None:
    with pytest.raises(RemoteRefusedError):
        carrier.look(reference)
    assert desk.asked == []


@pytest.mark.parametrize("status", [301, 307, 400, 401, 403, 404, 410, 413, 422])
def test_refusals_that_stay(carrier: DeskCarrier, desk: CounterpartDesk, status: int) -> None:
    desk.instead = [flask.Response(status=status, headers={"Location": "/api/tickets/LF-17/notes"})]

    with pytest.raises(RemoteRefusedError, match=f"answered {status}"):
        carrier.look("LF-17")
    assert len(desk.asked) == 1


@pytest.mark.parametrize(
    ("status", "retry_after", "wait_s"),
    [(429, "17", 17.0), (503, "120", 120.0), (500, None, None), (408, "Fri, 31 Dec 1999 23:59:59 GMT", None)],
)
def test_refusals_that_pass(
    carrier: DeskCarrier, desk: CounterpartDesk, status: int, retry_after: str | None, wait_s: float | None
) -> None:
    desk.instead = [flask.Response(status=status, headers={"Retry-After": retry_after} if retry_after else {})]

    with pytest.raises(RemoteUnavailableError, match=f"answered {status}") as raised:
        carrier.look("LF-17")
    assert raised.value.retry_after_s == wait_s


@pytest.mark.parametrize("body", ["", "<html>", "[]", "{}", '{"notes": [{"id": 1}], "more": false}', "[" * 100_000])
def test_answers_that_are_not_as_agreed(carrier: DeskCarrier, desk: CounterpartDesk, body: str) -> None:
    desk.instead = [flask.Response(body)]

    with pytest.raises(RemoteUnavailableError):
        carrier.change("LF-17", NoteChange(add=(a_note(),)))
    assert desk.tickets["LF-17"] == ["Called the owner."]


def test_an_answer_without_end_is_not_read_to_its_end(
    carrier: DeskCarrier, desk: CounterpartDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("repairadvisor_template.asking.LONGEST_ANSWER", 1000)
    desk.instead = [flask.Response(json.dumps({"notes": [], "more": False, "x": "x" * 200_000}))]

    with pytest.raises(RemoteRefusedError, match="longer than 1000 bytes"):
        carrier.look("LF-17")


def test_a_desk_that_is_not_there_is_told_without_the_token() -> None:
    carrier = DeskCarrier(url="http://127.0.0.1:9", token=TOKEN, timeout_s=1)

    with pytest.raises(RemoteUnavailableError, match="ConnectionError") as raised:
        carrier.look("LF-17")
    assert TOKEN not in str(raised.value) + repr(carrier)


def test_a_desk_that_does_not_answer_is_not_waited_for() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        carrier = DeskCarrier(url=f"http://127.0.0.1:{silent.getsockname()[1]}", token=TOKEN, timeout_s=0.2)

        with pytest.raises(RemoteUnavailableError, match="ReadTimeout"):
            carrier.look("LF-17")


def test_an_answer_that_trickles_is_not_waited_for(desk: CounterpartDesk) -> None:
    """Each byte comes in time, and all of them together do not."""
    answer = '{"notes": [], "more": false}' + " " * 30
    sent: list[str] = []

    def trickle() -> Iterator[str]:
        for sign in answer:
            sent.append(sign)
            yield sign
            time.sleep(0.05)

    for length in ({"Content-Length": str(len(answer))}, {}):
        sent.clear()
        desk.instead = [flask.Response(trickle(), headers=length)]
        with pytest.raises(RemoteUnavailableError, match=r"longer than 0\.3 s"):
            DeskCarrier(url=desk.url, token=TOKEN, timeout_s=0.3).look("LF-17")
        assert len(sent) < len(answer)


def test_an_answer_that_breaks_off_is_no_answer(carrier: DeskCarrier, desk: CounterpartDesk) -> None:
    desk.instead = [flask.Response(iter(['{"notes": [], "more": false}']), headers={"Content-Length": "500"})]

    with pytest.raises(RemoteUnavailableError, match=r"IncompleteRead|ProtocolError"):
        carrier.look("LF-17")


def test_the_environment_chooses_no_proxy(
    carrier: DeskCarrier, desk: CounterpartDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")

    assert carrier.look("LF-17") == []
