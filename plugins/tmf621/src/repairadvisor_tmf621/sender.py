"""Whether an event came from the other side.

The API names no way to sign a notification. Two are offered, and where both are set up both must hold:

- a token that the operator gave when registering the listener (in its ``callback`` or ``query``) and that comes back in
  a header. It shows that the sender knows the token, **not** that the body is what was sent: whoever sees one event can
  send another;
- HMAC-SHA-256 of the raw body as hexadecimal digits in a header, as gateways in front of such systems can add it
  (RFC 2104 and FIPS 180-4 for the sum; the header is common practice, no source). ``sha256=`` before it is allowed.

Neither carries a time, so an event can be sent again by whoever saw it. Its key is made from its body, so it is the
same event and nothing happens twice.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence

from repairadvisor.plugin import EventRefusedError, RawEvent

_SCHEME = "bearer "
_ALGORITHM = "sha256="


class Sender:
    """Knows the other side by tokens, by signatures, or by both; by neither: nobody is known."""

    def __init__(
        self, token_header: str, tokens: Sequence[str], signature_header: str, signature_secrets: Sequence[str]
    ) -> None:
        if bool(signature_header) != bool(signature_secrets):
            raise ValueError("signature_header and signature_secrets: go together")
        self._token_header = token_header.lower()
        self._tokens = tuple(one.encode() for one in tokens)
        self._signature_header = signature_header.lower()
        self._secrets = tuple(one.encode() for one in signature_secrets)

    def key_of(self, event: RawEvent) -> str:
        """The key of an event that the other side sent. Raises :class:`~repairadvisor.errors.EventRefusedError`."""
        if not self._tokens and not self._secrets:
            raise EventRefusedError("this source is polled and takes nothing over HTTP")
        if self._tokens and not self._has_token(event):
            raise EventRefusedError(f"the header {self._token_header} holds no token that is accepted here")
        if self._secrets and not self._is_signed(event):
            raise EventRefusedError(f"the header {self._signature_header} holds no signature of this body")
        return f"sha256-{hashlib.sha256(event.body).hexdigest()}"

    def _has_token(self, event: RawEvent) -> bool:
        given = event.headers.get(self._token_header, "").strip()
        if self._token_header == "authorization":  # noqa: S105 - the name of a header
            if not given.lower().startswith(_SCHEME):
                return False
            given = given[len(_SCHEME) :].strip()
        return _is_one_of(given, self._tokens)

    def _is_signed(self, event: RawEvent) -> bool:
        given = event.headers.get(self._signature_header, "").strip().lower().removeprefix(_ALGORITHM)
        right = [hmac.new(secret, event.body, hashlib.sha256).hexdigest().encode() for secret in self._secrets]
        return _is_one_of(given, right)


def _is_one_of(given: str, allowed: Sequence[bytes]) -> bool:
    """Compares in constant time, and with all of them: the time it takes tells nothing of which one it was."""
    held = given.encode("utf-8", "surrogatepass")
    equal = [hmac.compare_digest(held, one) for one in allowed]
    return any(equal)
