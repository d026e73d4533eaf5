"""Who may send tickets, and whether a mail is theirs.

What stands in From can be written by anybody. The operator's own mail server checks signatures (DKIM, DMARC) when a
mail comes in and says in an Authentication-Results header (RFC 8601) what it found.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import authres
import authres.dmarc

from repairadvisor.plugin import EventUnreadableError
from repairadvisor_mailbox.mail import Mail
from repairadvisor_mailbox.settings import ADDRESS, LONGEST_ADDRESS, shown

_CONTEXT = authres.FeatureContext(authres.core, authres.dmarc)
_LONGEST_HEADER = 4_000


class Senders:
    """Those who may send. ``allowed`` are addresses, or ``@domain`` for all of a domain (not of domains below it)."""

    def __init__(self, allowed: Sequence[str], authserv_id: str) -> None:
        self._allowed = frozenset(one.casefold() for one in allowed)
        self._authserv_id = authserv_id.casefold()

    def of(self, mail: Mail) -> str:
        """The address of a mail's sender, in small letters.

        Raises :class:`EventUnreadableError` where there is not just one, it may not send, or (with an authserv-id) it
        is not shown to have sent the mail.
        """
        if len(mail.senders) != 1:
            raise EventUnreadableError(f"From names {len(mail.senders)} senders; allowed: 1")
        address = mail.senders[0].casefold()
        if len(address) > LONGEST_ADDRESS or not ADDRESS.fullmatch(address):
            raise EventUnreadableError(f"From = {shown(mail.senders[0])}: is no plain mail address")
        domain = address.rpartition("@")[2]
        if address not in self._allowed and f"@{domain}" not in self._allowed:
            raise EventUnreadableError(f"From = {address}: is none of the senders that are allowed")
        if self._authserv_id and not self._passed(mail, domain):
            raise EventUnreadableError(
                f"From = {address}: {self._authserv_id} does not say dkim=pass or dmarc=pass for {domain}"
            )
        return address

    def _passed(self, mail: Mail, domain: str) -> bool:
        """Whether our own mail server says that the mail is of the domain.

        Only the topmost header in its name counts. One further down may have come with the mail.
        """
        for value in mail.authentication_results:
            header = _read(value)
            if header is not None and str(header.authserv_id).casefold() == self._authserv_id:
                return any(_passes(result, domain) for result in header.results)
            if header is None and value.casefold().startswith(self._authserv_id):
                return False  # it seems to be the one that counts, and cannot be read
        return False


def _read(value: str) -> Any:
    """An Authentication-Results header, or None where it cannot be read."""
    if len(value) > _LONGEST_HEADER:
        return None
    try:
        return _CONTEXT.parse_value(value)
    except (authres.AuthResError, RecursionError):
        return None


def _passes(result: Any, domain: str) -> bool:
    """DMARC names the domain of From itself; a DKIM signature counts where its domain is the same one."""
    if str(result.result).casefold() != "pass":
        return False
    names = {"dkim": ("d", "i"), "dmarc": ("from",)}.get(str(result.method).casefold(), ())
    said = {
        str(one.name).casefold(): str(one.value).casefold().rpartition("@")[2]
        for one in result.properties
        if str(one.type).casefold() == "header"
    }
    # A signature's "d" is who signed; "i" may name a domain below it, and stands alone in older headers.
    return domain == next((said[name] for name in names if name in said), None)
