"""Sending mail, and what an SMTP server's answers mean here (RFC 5321, section 4.2.1).

A 4yz answer, a broken line and a slow server: unavailable. A 5yz answer to this mail or its recipient: refused. A
login that is refused counts as unavailable, as the operator can mend it.
"""

from __future__ import annotations

import smtplib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError
from repairadvisor_mailbox.imap import LOGIN_WAIT_S
from repairadvisor_mailbox.settings import Server


@contextmanager
def open_smtp(server: Server, own_name: str) -> Iterator[smtplib.SMTP]:
    """A server that is ready to take mail. Raises :class:`RemoteUnavailableError`."""
    where = _where(server)
    try:
        connection = _connected(server, own_name)
        try:
            if server.user:
                connection.login(server.user, server.password)
            yield connection
        finally:
            # What was accepted is accepted: a line that breaks while parting does no harm.
            with suppress(OSError):
                connection.quit()
            connection.close()
    except smtplib.SMTPAuthenticationError as error:
        raise RemoteUnavailableError(f"{where}: the login of {server.user} was refused", LOGIN_WAIT_S) from error
    except OSError as error:  # every error of smtplib is one
        problem = server.without_secret(str(error) or type(error).__name__)
        raise RemoteUnavailableError(f"{where}: {problem}") from error


def _connected(server: Server, own_name: str) -> smtplib.SMTP:
    if server.security == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, own_name, timeout=server.timeout_s, context=server.context())
    connection = smtplib.SMTP(server.host, server.port, own_name, timeout=server.timeout_s)
    if server.security == "starttls":
        try:
            connection.starttls(context=server.context())
        except OSError:
            connection.close()
            raise
    return connection


def send(connection: smtplib.SMTP, server: Server, sender: str, recipients: Sequence[str], raw: bytes) -> None:
    """Send one mail to all recipients, or to none: where one is refused, nothing is sent.

    The first recipient is whom the mail is for; the others get copies, and are the operator's own. Raises
    :class:`RemoteRefusedError` or :class:`RemoteUnavailableError`.
    """
    connection.ehlo_or_helo_if_needed()
    _accepted(server, "the sender", connection.mail(sender))
    first, *copies = recipients
    _accepted(server, first, connection.rcpt(first))
    for copy in copies:
        answer = connection.rcpt(copy)
        if not 200 <= answer[0] < 300:
            raise RemoteUnavailableError(_said(server, f"{copy} (copies_to)", answer))
    try:
        answer = connection.data(raw)
    except smtplib.SMTPDataError as error:  # it does not even want to see the mail
        answer = (error.smtp_code, _bytes(error.smtp_error))
    _accepted(server, f"the mail for {first}", answer)


def _bytes(said: bytes | str) -> bytes:
    return said if isinstance(said, bytes) else said.encode("utf-8", "replace")


def _accepted(server: Server, what: str, answer: tuple[int, bytes]) -> None:
    if 200 <= answer[0] < 300:
        return
    said = _said(server, what, answer)
    raise RemoteRefusedError(said) if answer[0] >= 500 else RemoteUnavailableError(said)


def _said(server: Server, what: str, answer: tuple[int, bytes]) -> str:
    told = server.without_secret(answer[1].decode("utf-8", "replace"))
    return f"{_where(server)}: {what}: {answer[0]} {told}"


def _where(server: Server) -> str:
    return f"SMTP {server.host}:{server.port}"
