"""Tickets out of an IMAP folder."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from repairadvisor.plugin import (
    MOST_SEQUENCE,
    EventRefusedError,
    EventUnreadableError,
    Fetched,
    RawEvent,
    Ticket,
    mark_of,
)
from repairadvisor_mailbox.automatic import is_automatic, is_our_own, may_tell, refuse_returned
from repairadvisor_mailbox.fact_lines import Told, own_words, reports, told
from repairadvisor_mailbox.folder import Folder
from repairadvisor_mailbox.mail import Mail, open_mail
from repairadvisor_mailbox.message_ids import reference_of_root
from repairadvisor_mailbox.senders import Senders
from repairadvisor_mailbox.settings import Server, SourceSettings, shown

_LONGEST_SUBJECT = 1_000
_A_SECOND = 1_000_000  # in the units of a sequence: microseconds


class MailboxSource:
    """Reads tickets out of the mails of one folder.

    Settings are those of :class:`~repairadvisor_mailbox.settings.SourceSettings`. Raises :class:`ValueError` where they
    do not go together.
    """

    settings = SourceSettings

    def __init__(
        self,
        *,
        imap: Server,
        domain: str,
        senders: Sequence[str],
        authserv_id: str,
        trust_senders_unauthenticated: bool,
        automatic_from: Sequence[str],
        reference_pattern: str,
        settle_by: str,
        done_folder: str,
        poll_every_s: float,
        most_per_fetch: int,
        largest_mail_bytes: int,
    ) -> None:
        if bool(authserv_id) == trust_senders_unauthenticated:
            raise ValueError(
                "authserv_id: give the name of your own mail server in Authentication-Results headers, or set"
                " trust_senders_unauthenticated = true; one of the two"
            )
        if (settle_by == "move") != bool(done_folder):
            raise ValueError('done_folder: goes together with settle_by = "move"')
        if done_folder and done_folder == imap.folder:
            raise ValueError(f"done_folder = {done_folder}: is the folder that is read")
        self.poll_every_s = poll_every_s
        self._pattern = _pattern(reference_pattern)
        self._domain = domain
        self._senders = Senders(senders, authserv_id)
        self._automatic_from = frozenset(one.casefold() for one in automatic_from)
        self._folder = Folder(imap, settle_by, done_folder, most_per_fetch, largest_mail_bytes)

    def authenticate(self, event: RawEvent, now: datetime) -> str:  # noqa: ARG002
        """Mails do not come over HTTP: always raises :class:`EventRefusedError`."""
        raise EventRefusedError("this source fetches mails; it takes no events over HTTP")

    def fetch(self, cursor: str) -> Fetched:
        """The mails that came since; see :class:`~repairadvisor_mailbox.folder.Folder`."""
        return self._folder.fetch(cursor)

    def settle(self, keys: Sequence[str]) -> None:
        """Mark those mails as seen, move them, or leave them, as the operator set it."""
        self._folder.settle(keys)

    def read(self, event: RawEvent) -> Ticket | None:
        """The ticket that a mail tells of. None for our own mails, machines' replies, lists and reports of delivery.

        Raises :class:`EventUnreadableError` for all else that tells of none, and where a note of ours came back.
        """
        if "too-large" in event.headers:
            raise EventUnreadableError(f"the mail is too large: {event.headers['too-large']}")
        mail = open_mail(event.body)
        refuse_returned(mail, event.body, self._domain)
        if is_our_own(mail, self._domain):
            return None
        if is_automatic(mail) and not self._lets_machine(mail):
            return None
        address = self._senders.of(mail)
        reference = self._reference(mail)
        if mail.text_problem:
            raise EventUnreadableError(mail.text_problem)
        said = self._said(mail)
        return None if said is None else self._ticket(event, mail, address, reference, said)

    def _lets_machine(self, mail: Mail) -> bool:
        sender = mail.senders[0].casefold() if len(mail.senders) == 1 else ""
        return may_tell(mail, sender, self._automatic_from)

    def _said(self, mail: Mail) -> Told | None:
        """What the sender's own words say. None where they are a note of ours that was sent on to us."""
        words = own_words(mail.text or "", flowed=mail.flowed, delsp=mail.delsp)
        said = told(words)
        if mark_of(words) is None:
            return said
        if said == Told():
            return None
        raise EventUnreadableError("a note of ours stands in it unquoted, and facts: whose they are cannot be told")

    def _ticket(self, event: RawEvent, mail: Mail, address: str, reference: str, said: Told) -> Ticket:
        received = _received(event, mail)
        try:
            return Ticket(
                reference=reference,
                sequence=_sequence(event, received),
                facts=reports(said.facts, address, received),
                ended=said.ended,
                parent=said.parent,
                site=said.site,
            )
        except ValueError as error:
            raise EventUnreadableError(shown(str(error))) from error

    def _reference(self, mail: Mail) -> str:
        """From the subject; else from what the mail replies to. Never one of several."""
        named = [found[1] for found in self._pattern.finditer(mail.subject[:_LONGEST_SUBJECT])]
        if not named:
            replied = [reference_of_root(one, self._domain) for one in mail.thread_ids]
            named = [one for one in replied if one is not None]
        named = list(dict.fromkeys(one for one in named if one))
        if len(named) > 1:
            several = ", ".join(shown(one, 60) for one in named[:3])
            raise EventUnreadableError(f"names several tickets: {several}")
        if not named:
            raise EventUnreadableError(f"Subject = {shown(mail.subject)}: names no ticket, and is no reply to a note")
        return named[0]


def _pattern(text: str) -> re.Pattern[str]:
    try:
        pattern = re.compile(text)
    except re.error as error:
        raise ValueError(f"reference_pattern: is no regular expression: {error}") from error
    if pattern.groups != 1:
        raise ValueError(f"reference_pattern: has {pattern.groups} groups; allowed: 1, which is the reference")
    return pattern


def _received(event: RawEvent, mail: Mail) -> datetime:
    """When the mail came in: as the mail server that keeps it says; else as it says in the mail; else its Date.

    A sender's clock may be wrong, so what the sender says comes last.
    """
    told_times = (event.headers.get("received-at", ""), mail.received.rpartition(";")[2], mail.date)
    for text in told_times:
        moment = _moment(text.strip())
        if moment is not None:
            return moment
    raise EventUnreadableError("the mail does not tell when it was received or sent")


def _moment(text: str) -> datetime | None:
    for reader in (datetime.fromisoformat, parsedate_to_datetime):
        try:
            moment = reader(text)
            aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
            return aware.astimezone(UTC)
        except (ValueError, TypeError, IndexError, OverflowError):
            continue
    return None


def _sequence(event: RawEvent, received: datetime) -> int:
    """Microseconds since 1970. IMAP tells whole seconds, so within one the mail's UID says which came later."""
    uid = event.headers.get("uid", "0")
    within = int(uid) % _A_SECOND if uid.isascii() and uid.isdigit() else 0
    sequence = int(received.timestamp()) * _A_SECOND + within
    if not 0 <= sequence <= MOST_SEQUENCE:
        raise EventUnreadableError(f"received at {received.isoformat()}: allowed: from 1970 on")
    return sequence
