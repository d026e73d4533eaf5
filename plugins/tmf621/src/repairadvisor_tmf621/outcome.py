"""What an answer of the other side means for what was asked.

==========================================  =========================================================================
2xx                                         done
408, 425, 429, 5xx but 501                  not now: ``RemoteUnavailableError``, with the wait that it asked for
401                                         not now: our token has run out, which the operator can mend meanwhile
409, 412                                    the ticket changed since it was read: :class:`ChangedMeanwhileError`
3xx, 501, any other 4xx                     never: ``RemoteRefusedError``
no answer, too long, no JSON, wrong shape   not now: whether anything was written is not known
==========================================  =========================================================================

Sources: RFC 9110 sections 10.2.3 (Retry-After) and 15, RFC 6585 section 4 (429), all from memory; that 401 is worth
another attempt is a decision of ours.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError

CONFLICTS = frozenset({409, 412})
#: A JSON patch whose test fails is answered differently from system to system (common practice, no source).
TEST_CONFLICTS = CONFLICTS | {400, 422}

_WAITS = frozenset({401, 408, 425, 429})
_SECONDS = re.compile(r"[0-9]{1,9}")
_LONGEST_REASON = 200


class ChangedMeanwhileError(RemoteRefusedError):
    """What was sent was made for a state of the ticket that is no more: read it again and make it anew."""

    def __init__(self, problem: str, status: int) -> None:
        self.status = status
        super().__init__(problem)


def judge(
    status: int,
    asked: str,
    reason: str,
    headers: Mapping[str, str],
    now: datetime,
    conflicts: frozenset[int] = CONFLICTS,
) -> None:
    """Returns for 2xx, raises otherwise. ``asked`` names the question; ``reason`` is what the other side said."""
    if 200 <= status < 300:
        return
    said = f"{asked}: answered {status}" + (f" ({reason})" if reason else "")
    if status in _WAITS or (status >= 500 and status != 501):
        if status == 401:
            said += ": token or password is not accepted"
        raise RemoteUnavailableError(said, retry_after_s(headers.get("Retry-After", ""), now))
    if status in conflicts:
        raise ChangedMeanwhileError(said, status)
    if 300 <= status < 400:
        said += ": redirects are not followed; set url to where the API really is"
    raise RemoteRefusedError(said)


def retry_after_s(text: str, now: datetime) -> float | None:
    """The wait that a ``Retry-After`` header asks for, in seconds or as a date; None where it says neither."""
    text = text.strip()
    if _SECONDS.fullmatch(text):
        return float(text)
    try:
        until = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    if until.tzinfo is None:  # "-0000", which the library reads as no zone at all
        until = until.replace(tzinfo=UTC)
    return max(0.0, (until - now).total_seconds())


def reason_of(answer: object, secrets: tuple[str, ...]) -> str:
    """What an error object of the API gives as its reason: one short line without our secrets, or ""."""
    reason = answer.get("reason") if isinstance(answer, dict) else None
    if not isinstance(reason, str):
        return ""
    for secret in secrets:
        reason = reason.replace(secret, "…")
    reason = "".join(char if char.isprintable() else " " for char in reason).strip()
    return reason if len(reason) <= _LONGEST_REASON else reason[: _LONGEST_REASON - 1] + "…"
