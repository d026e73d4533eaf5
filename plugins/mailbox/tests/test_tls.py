"""The lines to both servers, with certificates of an authority that is made here (trustme)."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import trustme
from mail_host import MailHost
from mails import a_carrier, a_mail, a_source, an_imap, an_smtp

from repairadvisor.plugin import NoteChange, RemoteUnavailableError
from repairadvisor.testing import a_note


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def ca_file(authority: trustme.CA, tmp_path: Path) -> str:
    file = tmp_path / "authority.pem"
    authority.cert_pem.write_to_path(str(file))
    return str(file)


def _context(authority: trustme.CA, name: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    return context


@pytest.fixture(params=["tls", "starttls"])
def secure(request: pytest.FixtureRequest, authority: trustme.CA) -> Iterator[tuple[MailHost, str]]:
    """A mail host, and how the line to it is made secret."""
    context = _context(authority, "127.0.0.1")
    options = {"implicit": context} if request.param == "tls" else {"starttls": context}
    with MailHost(**options) as host:
        yield host, request.param


def _both(host: MailHost, **line: Any) -> None:
    a_source(imap=an_imap(host.imap_port, **line)).fetch("")
    a_carrier(smtp=an_smtp(host.smtp_port, **line)).change("T-1", NoteChange(add=(a_note(),)))


def test_a_server_that_is_known(secure: tuple[MailHost, str], ca_file: str) -> None:
    """Mail goes both ways."""
    host, security = secure
    host.put(a_mail())
    _both(host, security=security, ca_file=ca_file)
    assert len(host.sent_away) == 1


def test_a_server_that_is_not_known(secure: tuple[MailHost, str]) -> None:
    """Nobody vouches for it: no password is sent to it."""
    host, security = secure
    for open_line in (
        lambda: a_source(imap=an_imap(host.imap_port, security=security)).fetch(""),
        lambda: a_carrier(smtp=an_smtp(host.smtp_port, security=security)).change("T-1", NoteChange(add=(a_note(),))),
    ):
        with pytest.raises(RemoteUnavailableError, match="certificate verify failed"):
            open_line()
    assert host.sent_away == []


def test_a_server_of_another_name(authority: trustme.CA, ca_file: str) -> None:
    """Its certificate is good, but not its own."""
    with MailHost(implicit=_context(authority, "other.example")) as host:
        line = {"security": "tls", "ca_file": ca_file}
        with pytest.raises(RemoteUnavailableError, match=r"127\.0\.0\.1"):
            a_source(imap=an_imap(host.imap_port, **line)).fetch("")
        with pytest.raises(RemoteUnavailableError, match=r"127\.0\.0\.1"):
            a_carrier(smtp=an_smtp(host.smtp_port, **line)).change("T-1", NoteChange(add=(a_note(),)))


def test_a_server_that_has_no_starttls(host: MailHost, ca_file: str) -> None:
    """It is not spoken to in plain instead: somebody on the way may have taken the offer out."""
    line = {"security": "starttls", "ca_file": ca_file}
    with pytest.raises(RemoteUnavailableError):
        a_source(imap=an_imap(host.imap_port, **line)).fetch("")
    with pytest.raises(RemoteUnavailableError):
        a_carrier(smtp=an_smtp(host.smtp_port, **line)).change("T-1", NoteChange(add=(a_note(),)))
    assert host.sent_away == []


def test_an_authority_s_file_that_is_not_there(host: MailHost) -> None:
    """The operator can put it there."""
    with pytest.raises(RemoteUnavailableError, match="No such file"):
        a_source(imap=an_imap(host.imap_port, security="tls", ca_file="/nowhere.pem")).fetch("")
