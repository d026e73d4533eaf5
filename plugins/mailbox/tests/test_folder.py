"""The folder that tickets come from, on a real IMAP server."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from mail_host import MailHost
from mails import a_mail, a_source, an_imap
from pymap.parsing.specials.flag import Seen

from repairadvisor.plugin import EventUnreadableError, RemoteUnavailableError


def _put(host: MailHost, *numbers: int) -> None:
    for number in numbers:
        host.put(a_mail(message_id=f"<{number}@desk.example>", subject=f"[T-{number}] No light"))


def test_a_mail_is_fetched_as_it_is_and_stays_unseen(host: MailHost) -> None:
    """With the time at which the server took it."""
    raw = a_mail("place: pole_top\r\n\xb5\r\n".encode("latin-1"))
    host.put(raw, at=datetime(2025, 5, 4, 9, 0, tzinfo=UTC))
    ((key, event),) = a_source(host.imap_port).fetch("").events
    assert event.body == raw
    assert event.headers["received-at"] == "2025-05-04T09:00:00+00:00"
    assert key.endswith(" <1@desk.example>")
    assert host.flags() == [frozenset()]


def test_a_server_whose_clock_is_ahead_tells_no_future(host: MailHost) -> None:
    """What was fetched now cannot have come later than now: else its facts would be refused as seen after now."""
    host.put(a_mail(), at=datetime.now(UTC) + timedelta(hours=2))
    ((_, event),) = a_source(host.imap_port).fetch("").events
    assert datetime.fromisoformat(event.headers["received-at"]) <= datetime.now(UTC)


def test_the_cursor_goes_on_in_bounded_steps(host: MailHost) -> None:
    """Each mail once, oldest first, and nothing after the last."""
    _put(host, 1, 2, 3, 4, 5)
    source, cursor, seen = a_source(host.imap_port, most_per_fetch=2), "", []
    for _ in range(4):
        fetched = source.fetch(cursor)
        assert len(fetched.events) <= 2
        cursor = fetched.cursor
        seen += [source.read(event) for _, event in fetched.events]
    assert [ticket.reference for ticket in seen if ticket] == ["T-1", "T-2", "T-3", "T-4", "T-5"]
    assert source.fetch(cursor).cursor == cursor
    _put(host, 6)
    assert len(source.fetch(cursor).events) == 1


def test_another_uidvalidity_starts_again_with_the_same_keys(host: MailHost) -> None:
    """RFC 3501, section 2.3.1.1, from memory: all UIDs are others then."""
    _put(host, 1, 2)
    first = a_source(host.imap_port).fetch("")
    host.renew()
    again = a_source(host.imap_port).fetch(first.cursor)
    assert [key for key, _ in again.events] == [key for key, _ in first.events]
    assert again.cursor != first.cursor


@pytest.mark.parametrize("cursor", ["x", "1", "1:2:3", "-1:5", "99999999999999:1"])
def test_a_cursor_that_is_none_starts_again(host: MailHost, cursor: str) -> None:
    """Nothing is lost by it."""
    _put(host, 1)
    assert len(a_source(host.imap_port).fetch(cursor).events) == 1


def test_the_same_message_id_hides_no_other_mail(host: MailHost) -> None:
    """Else somebody could send a ticket system's next Message-ID before it does. The very same mail twice is one."""
    host.put(a_mail("place: chamber\r\n", passed=""))
    host.put(a_mail("place: pole_top\r\n"))
    host.put(a_mail("place: pole_top\r\n"))
    keys = [key for key, _ in a_source(host.imap_port).fetch("").events]
    assert len(keys) == len(set(keys)) == 2


@pytest.mark.parametrize("message_id", ["", "no brackets", "<a b@c>", "<" + "x" * 300 + "@y>", "<µ@desk.example>"])
def test_a_mail_without_a_good_message_id_has_a_key_all_the_same(host: MailHost, message_id: str) -> None:
    """From what it holds."""
    host.put(a_mail(message_id=message_id))
    first, again = (a_source(host.imap_port).fetch("").events[0][0] for _ in range(2))
    assert first == again
    assert first.isascii()
    assert len(first) == 69


def test_a_mail_too_large_is_an_event_all_the_same(host: MailHost) -> None:
    """Its headers are kept, and the reason says how large it is."""
    host.put(a_mail("x" * 20_000, message_id="<large@desk.example>"))
    _put(host, 2)
    source = a_source(host.imap_port, largest_mail_bytes=10_000)
    (key, large), (_, small) = source.fetch("").events
    assert b"Subject: [T-1042]" in large.body
    assert b"xxx" not in large.body
    assert key.endswith("<large@desk.example>")
    with pytest.raises(EventUnreadableError, match=r"too large: 20\d+ bytes; allowed: 10000"):
        source.read(large)
    assert source.read(small) is not None
    source.settle([key])
    assert host.flags() == [frozenset({Seen}), frozenset()]
    a_source(host.imap_port, largest_mail_bytes=10_000, settle_by="move", done_folder="Done").settle([key])
    assert (host.count(), host.count("Done")) == (1, 1)


class TestSettled:
    """What is done with a mail whose event is on our disk."""

    def test_it_is_marked_as_seen(self, host: MailHost) -> None:
        """Only that one."""
        _put(host, 1, 2)
        source = a_source(host.imap_port)
        source.settle([source.fetch("").events[0][0]])
        assert host.flags() == [frozenset({Seen}), frozenset()]

    def test_another_process_finds_it_by_its_message_id(self, host: MailHost) -> None:
        """After a restart: and takes no other that has the same one."""
        host.put(a_mail("place: chamber\r\n"))
        host.put(a_mail("place: pole_top\r\n"))
        keys = [key for key, _ in a_source(host.imap_port).fetch("").events]
        a_source(host.imap_port, settle_by="move", done_folder="Done").settle(keys[1:])
        assert [key for key, _ in a_source(host.imap_port).fetch("").events] == keys[:1]
        assert host.count("Done") == 1

    def test_it_may_be_left(self, host: MailHost) -> None:
        """Then the mail server is not even asked."""
        _put(host, 1)
        source = a_source(host.imap_port, settle_by="leave")
        keys = [key for key, _ in source.fetch("").events]
        asked = host.imap_connections
        source.settle(keys)
        assert host.imap_connections == asked

    def test_keys_that_are_none_do_no_harm(self, host: MailHost) -> None:
        """Nor a search that somebody wrote into one."""
        _put(host, 1)
        a_source(host.imap_port).settle(["x", f"mail {'0' * 64}", f'mail {"0" * 64} <a"b@c>', f"mail {'0' * 64} <a@b>"])
        assert host.flags() == [frozenset()]


class TestFaults:
    """What goes wrong is tried again later."""

    def test_a_wrong_password(self, host: MailHost) -> None:
        """No sooner than a server's lock-out ends; and the reason tells no secret."""
        source = a_source(imap=an_imap(host.imap_port, password="not this one"))
        with pytest.raises(RemoteUnavailableError, match="login of desk was refused") as error:
            source.fetch("")
        assert error.value.retry_after_s == 300
        assert "not this one" not in str(error.value)

    def test_a_folder_that_is_not_there(self, host: MailHost) -> None:
        """It is named."""
        with pytest.raises(RemoteUnavailableError, match="Nowhere"):
            a_source(imap=an_imap(host.imap_port, folder="Nowhere")).fetch("")
        _put(host, 1)
        source = a_source(host.imap_port, settle_by="move", done_folder="Nowhere")
        with pytest.raises(RemoteUnavailableError):
            source.settle([key for key, _ in source.fetch("").events])
        assert host.count() == 1

    def test_nobody_listens(self) -> None:
        """Port 9 of the loopback interface."""
        with pytest.raises(RemoteUnavailableError, match=r"127\.0\.0\.1:9: cannot be reached"):
            a_source().fetch("")

    @pytest.mark.parametrize(
        "script", [b"", b"* OK ready\r\n", b"* BYE go away\r\n", b"\x00\xff\r\n", b"* PREAUTH x\r\n"]
    )
    def test_a_line_that_breaks(self, script: bytes) -> None:
        """At any moment."""
        with _answering(script) as port, pytest.raises(RemoteUnavailableError):
            a_source(port).fetch("")

    def test_a_server_that_says_nothing(self) -> None:
        """It is not waited for longer than the operator set."""
        with _answering(None) as port, pytest.raises(RemoteUnavailableError, match="timed out"):
            a_source(imap=an_imap(port, timeout_s=1)).fetch("")


class _answering:  # noqa: N801
    """A listener that says ``script`` and hangs up; None: that says nothing and holds the line."""

    def __init__(self, script: bytes | None) -> None:
        self._script = script
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._held: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        for line in self._calls():
            if self._script is None:
                self._held.append(line)
            else:
                with line:
                    line.sendall(self._script)

    def _calls(self) -> Iterator[socket.socket]:
        while True:
            try:
                yield self._socket.accept()[0]
            except OSError:
                return

    def __enter__(self) -> int:
        self._thread.start()
        return int(self._socket.getsockname()[1])

    def __exit__(self, *_: object) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()
        for line in self._held:
            line.close()
