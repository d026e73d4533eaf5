"""A mail host on the loopback interface: a real SMTP server (aiosmtpd) that delivers into a real IMAP server (pymap).

Both speak their whole protocols; what they store is in memory. Passwords and certificates are made here.
"""

from __future__ import annotations

import asyncio
import email
import email.policy
import ssl
import threading
from argparse import Namespace
from datetime import UTC, datetime
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope
from proxyprotocol.reader import ProxyProtocolReader
from pymap.backend.dict import Config, DictBackend, Login
from pymap.imap import IMAPServer
from pymap.parsing.message import AppendMessage
from pymap.parsing.specials.flag import Flag
from pysasl.hashing import BuiltinHash

USER, PASSWORD = "desk", "correct horse"
_ARGS = Namespace(
    host="127.0.0.1",
    port="0",
    debug=False,
    cert=None,
    key=None,
    demo_data=False,
    demo_user=USER,
    demo_password=PASSWORD,
    passlib_cfg=None,
    proxy_protocol=None,
)


class MailHost:
    """Takes mail by SMTP at ``smtp_port`` and offers it by IMAP at ``imap_port``.

    Mail to an address of ``folders`` goes into that folder; all else is kept in ``sent_away``, as another system would
    have it. ``answers`` gives SMTP answers to be given once instead of the usual one, by command or recipient.
    """

    def __init__(self, implicit: ssl.SSLContext | None = None, starttls: ssl.SSLContext | None = None) -> None:
        self.folders = {"advice@lanternfield.example": "INBOX", "copies@lanternfield.example": "Copies"}
        self.sent_away: list[bytes] = []
        self.envelopes: list[tuple[str, list[str]]] = []
        self.answers: dict[str, str] = {}
        self.imap_connections = 0
        self._implicit, self._starttls = implicit, starttls
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def __enter__(self) -> MailHost:
        self._thread.start()
        self.imap_port = self._run(self._open_imap())
        self.smtp_port = self._run(self._open_smtp())
        return self

    def __exit__(self, *_: object) -> None:
        self._run(self._close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _run(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    async def _open_smtp(self) -> int:
        options: dict[str, Any] = {"authenticator": self._may_log_in, "auth_require_tls": False}
        if self._starttls:
            options |= {"tls_context": self._starttls, "require_starttls": True}
        self._smtp = await self._loop.create_server(
            lambda: SMTP(self, hostname="mx.example", loop=self._loop, **options), "127.0.0.1", 0, ssl=self._implicit
        )
        return int(self._smtp.sockets[0].getsockname()[1])

    async def _open_imap(self) -> int:
        arguments = Namespace(**vars(_ARGS), tls=self._starttls is not None)
        options: dict[str, Any] = {"ssl_context": self._starttls} if self._starttls else {}
        self._config = Config.from_args(
            arguments, reject_dnsbl=False, invalid_user_sleep=0.0, hash_context=BuiltinHash(rounds=1), **options
        )
        self._config.apply_context()
        self._login = Login(self._config)
        await DictBackend._add_demo_user(self._config, self._login)
        reader_of_peer = ProxyProtocolReader(self._config.proxy_protocol)  # there is no proxy: it tells the peer
        serve = reader_of_peer.get_callback(IMAPServer(self._login, self._config))
        self._open: set[asyncio.StreamWriter] = set()

        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self.imap_connections += 1
            self._open.add(writer)
            try:
                await serve(reader, writer)
            except (ConnectionError, EOFError, asyncio.CancelledError):
                pass
            finally:
                self._open.discard(writer)

        self._imap = await asyncio.start_server(connected, "127.0.0.1", 0, ssl=self._implicit)
        async with self._login.demo_user_identity.new_session() as session:
            for name in ("Copies", "Done"):
                await session.mailbox_set.add_mailbox(name)
            self._mailboxes = session.mailbox_set
        return int(self._imap.sockets[0].getsockname()[1])

    async def _close(self) -> None:
        self._smtp.close()
        self._imap.close()
        for writer in list(self._open):
            writer.close()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    def put(self, raw: bytes, folder: str = "INBOX", at: datetime = datetime(2031, 5, 4, 7, 0, tzinfo=UTC)) -> None:
        """Lay a mail into a folder, as if it had arrived at that time."""
        self._run(self._append(raw, folder, at))

    async def _append(self, raw: bytes, folder: str, at: datetime) -> None:
        mailbox = await self._mailboxes.get_mailbox(folder)
        await mailbox.append(AppendMessage(raw, at, frozenset()))

    def flags(self, folder: str = "INBOX") -> list[frozenset[Flag]]:
        """The flags of each mail of a folder."""

        async def asked() -> list[frozenset[Flag]]:
            mailbox = await self._mailboxes.get_mailbox(folder)
            return [message.permanent_flags async for message in mailbox.messages()]

        return list(self._run(asked()))

    def count(self, folder: str = "INBOX") -> int:
        """How many mails a folder holds."""
        return len(self.flags(folder))

    def renew(self, folder: str = "INBOX") -> None:
        """Give a folder another UIDVALIDITY, as after it was restored from a backup."""

        async def asked() -> None:
            mailbox = await self._mailboxes.get_mailbox(folder)
            mailbox._uid_validity += 1

        self._run(asked())

    # SMTP

    def _may_log_in(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        return AuthResult(success=(data.login, data.password) == (USER.encode(), PASSWORD.encode()), handled=False)

    async def handle_MAIL(  # noqa: N802
        self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take a sender."""
        envelope.mail_from = address
        return self.answers.pop("MAIL", "250 OK")

    async def handle_RCPT(  # noqa: N802
        self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take a recipient."""
        answer = self.answers.pop(address, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:  # noqa: N802
        """Take a mail and deliver it."""
        answer = self.answers.pop("DATA", "250 OK")
        if not answer.startswith("250"):
            return answer
        raw = envelope.content
        assert isinstance(raw, bytes)
        self.envelopes.append((envelope.mail_from or "", list(envelope.rcpt_tos)))
        for address in envelope.rcpt_tos:
            folder = self.folders.get(address)
            if folder is None:
                self.sent_away.append(raw)
            else:
                received = b"Received: from test.example by mx.example; Sun, 4 May 2031 07:00:00 +0000\r\n"
                path = b"Return-Path: <" + (envelope.mail_from or "").encode() + b">\r\n"
                await self._append(path + received + raw, folder, datetime(2031, 5, 4, 7, 0, tzinfo=UTC))
        return self.answers.pop("AFTER", answer)

    def texts_sent_away(self) -> list[str]:
        """The texts of the mails that left for another system."""
        mails = [email.message_from_bytes(raw, policy=email.policy.default) for raw in self.sent_away]
        return [mail.get_content() for mail in mails]
