"""A folder on an IMAP server, and what its faults mean here.

Whatever the operator can mend (a wrong password, a folder that is not there, a certificate) counts as unavailable:
nothing is wrong with what was to be fetched or looked up, and it is tried again until it is mended.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from imapclient import IMAPClient
from imapclient.exceptions import IMAPClientError, LoginError

from repairadvisor.plugin import RemoteUnavailableError
from repairadvisor_mailbox.settings import Server

#: A mail server locks out who keeps trying a wrong password.
LOGIN_WAIT_S = 300.0


@contextmanager
def open_folder(server: Server, *, readonly: bool = False) -> Iterator[tuple[IMAPClient, int]]:
    """The server's folder, selected, and its UIDVALIDITY (RFC 3501, section 2.3.1.1).

    Raises :class:`RemoteUnavailableError`, for faults of whoever uses the folder too.
    """
    where = f"IMAP {server.host}:{server.port}"
    try:
        client = _connected(server)
        try:
            client.login(server.user, server.password)
            told = client.select_folder(server.folder, readonly=readonly)
            if b"UIDVALIDITY" not in told:
                raise RemoteUnavailableError(f"{where}: tells no UIDVALIDITY for {server.folder}")
            yield client, int(told[b"UIDVALIDITY"])
        finally:
            _leave(client)
    except LoginError as error:
        # What the server says is left out: it may repeat what it was sent.
        raise RemoteUnavailableError(f"{where}: the login of {server.user} was refused", LOGIN_WAIT_S) from error
    except IMAPClientError as error:
        problem = server.without_secret(str(error))
        raise RemoteUnavailableError(f"{where}: {server.folder}: {problem}") from error
    except OSError as error:
        problem = server.without_secret(str(error) or type(error).__name__)
        raise RemoteUnavailableError(f"{where}: cannot be reached: {problem}") from error


def _connected(server: Server) -> IMAPClient:
    context = None if server.security == "none" else server.context()
    client = IMAPClient(
        server.host,
        server.port,
        ssl=server.security == "tls",
        ssl_context=context if server.security == "tls" else None,
        timeout=server.timeout_s,
    )
    client.normalise_times = False  # the library's own choice loses the time zone
    try:
        if server.security == "starttls":
            client.starttls(context)
    except (IMAPClientError, OSError):
        with suppress(IMAPClientError, OSError):
            client.shutdown()
        raise
    return client


def _leave(client: IMAPClient) -> None:
    """Say goodbye; what was asked for is answered by now, so a line that breaks here does no harm."""
    try:
        client.logout()
    except (IMAPClientError, OSError):
        with suppress(IMAPClientError, OSError):
            client.shutdown()
