"""The seal on a note's mark: only this installation can make one.

Whoever may write into a ticket could otherwise write a note that looks like a later one of ours, and no guidance would
come any more.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass, field, replace

from repairadvisor.plugin import NoteMark

#: Hexadecimal digits of a seal: 64 bits of an HMAC-SHA256, which cannot be guessed by writing notes into tickets.
_DIGITS = 16


@dataclass(frozen=True, slots=True)
class Seal:
    """Seals marks, with the ``secret`` of the installation."""

    secret: bytes = field(repr=False)

    def sealed(self, mark: NoteMark, ticket: str) -> NoteMark:
        """The mark with its seal. ``ticket`` is the ticket's whole id: of the 12 digits in a mark two can be alike."""
        return replace(mark, seal=self._of(mark, ticket))

    def is_ours(self, mark: NoteMark, ticket: str) -> bool:
        """Whether this installation made the mark for that ticket, whatever its note's status is now."""
        return hmac.compare_digest(mark.seal, self._of(mark, ticket))

    def _of(self, mark: NoteMark, ticket: str) -> str:
        said = f"{ticket} {mark.kind} {mark.revision} {mark.part}/{mark.parts}"
        return hmac.new(self.secret, said.encode(), hashlib.sha256).hexdigest()[:_DIGITS]
