"""Mail that no ticket is to be made from: our own, machines' replies, lists, and reports that a mail came back.

A mail that is answered by a machine, and whose answer is answered again, never ends (RFC 3834, section 2). This program
writes notes, not replies, but a note that came back as a ticket would be the same.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from repairadvisor.plugin import EventUnreadableError
from repairadvisor_mailbox.mail import Mail
from repairadvisor_mailbox.message_ids import NOTE_HEADER, local_part
from repairadvisor_mailbox.settings import shown

#: "Precedence" is common practice and stands in no standard; RFC 3834, section 3.1.8, only warns of it.
_BULK = frozenset({"bulk", "junk", "list"})
_BACK = re.compile(rf"^{NOTE_HEADER}:[ \t]*([A-Za-z0-9._-]{{1,100}})[ \t]*\r?$", re.MULTILINE)


def is_our_own(mail: Mail, domain: str) -> bool:
    """Whether we sent it: a copy of a note, or a note that somebody's machine sent back as it was."""
    return bool(mail.note_key) or local_part(mail.message_id, domain) is not None


def refuse_returned(mail: Mail, raw: bytes, domain: str) -> None:
    """Raises :class:`EventUnreadableError` where a note of ours did not arrive, so that somebody sees it."""
    if mail.reports is not None:
        _refuse_report(mail, domain)
    elif mail.return_path == "<>":
        # Some servers send a mail back in a form of their own.
        found = _BACK.search(raw.decode("ascii", "replace"))
        if found:
            raise EventUnreadableError(f"our note {found[1]} seems to have come back: {shown(mail.subject)}")


def _refuse_report(mail: Mail, domain: str) -> None:
    report = mail.reports
    assert report is not None
    ours = [local_part(one, domain) for one in (report.message_id, *mail.thread_ids)]
    key = report.note_key or next((one for one in ours if one), "")
    if report.message_id and not key:
        return
    bad = [one for one in report.fates if one.action not in ("delivered", "relayed", "expanded")]
    if report.fates and not bad:
        return
    told = "; ".join(one.sentence() for one in bad) or "no recipient named"
    raise EventUnreadableError(f"our note {shown(key, 100) or '(not named)'} bounced: {told}")


def is_automatic(mail: Mail) -> bool:
    """Whether a machine wrote it without being asked by a person: RFC 3834, or a return path that is empty."""
    machine = mail.auto_submitted not in ("", "no")
    return machine or mail.precedence in _BULK or mail.return_path == "<>" or mail.reports is not None


def may_tell(mail: Mail, address: str, automatic_from: Collection[str]) -> bool:
    """Whether an automatic mail tells of a ticket all the same: one that the ticket system itself sends.

    Never a machine's reply, and never a report.
    """
    return mail.auto_submitted != "auto-replied" and mail.reports is None and address in automatic_from
