"""The secrets and keys by which webhooks are signed, as Standard Webhooks 1.0.0 writes them down.

=============  =====================================================  ==================================
``whsec_…``    a shared secret, base64 of 24 to 64 bytes              signs and verifies, ``v1``
``whsk_…``     a private ed25519 key, base64 of its 32 bytes          signs, ``v1a``
``whpk_…``     a public ed25519 key, base64 of its 32 bytes           verifies, ``v1a``
=============  =====================================================  ==================================

That a private key is written as the 32 bytes of RFC 8032 is not said in the specification; it is what the project's own
library for Go does.

None of them shows in a ``repr`` or in an error.
"""

from __future__ import annotations

import base64
import binascii
import hmac
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Generic, TypeVar

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from standardwebhooks import Webhook


@dataclass(frozen=True, slots=True)
class Message:
    """What is signed: id, moment of the attempt (whole seconds since 1970, UTC) and body, in UTF-8."""

    id: str
    timestamp: int
    body: str

    @property
    def content(self) -> bytes:
        """The bytes that the signature covers. Without a full stop in the id they can be read in one way only."""
        return f"{self.id}.{self.timestamp}.{self.body}".encode()


class SigningKey(ABC):
    """One that can sign."""

    @abstractmethod
    def sign(self, message: Message) -> str:
        """The signature with its identifier, as it stands in ``webhook-signature``."""


class VerifyingKey(ABC):
    """One that can verify."""

    @abstractmethod
    def signed(self, signature: str, message: Message) -> bool:
        """Whether ``signature`` (with its identifier) is this key's for ``message``. Only the one way to write it
        down counts: base64 has spare bits, and what is signed must not come in several spellings."""


class SharedSecret(SigningKey, VerifyingKey):
    """HMAC-SHA256, ``v1``."""

    def __init__(self, secret: bytes) -> None:
        self._webhook = Webhook(secret)

    def sign(self, message: Message) -> str:
        return self._webhook.sign(message.id, datetime.fromtimestamp(message.timestamp, UTC), message.body)

    def signed(self, signature: str, message: Message) -> bool:
        # The library's own ``verify`` goes by its own clock and its own five minutes and takes several spellings.
        return hmac.compare_digest(self.sign(message).encode(), signature.encode())


class PrivateKey(SigningKey):
    """Signs by ed25519, ``v1a``."""

    def __init__(self, key: bytes) -> None:
        self._key = Ed25519PrivateKey.from_private_bytes(key)

    def sign(self, message: Message) -> str:
        return f"v1a,{base64.b64encode(self._key.sign(message.content)).decode()}"


class PublicKey(VerifyingKey):
    """Verifies by ed25519, ``v1a``."""

    def __init__(self, key: bytes) -> None:
        self._key = Ed25519PublicKey.from_public_bytes(key)

    def signed(self, signature: str, message: Message) -> bool:
        scheme, _, encoded = signature.partition(",")
        if scheme != "v1a":
            return False
        try:
            given = base64.b64decode(encoded, validate=True)
            self._key.verify(given, message.content)
        except (binascii.Error, InvalidSignature):
            return False
        return base64.b64encode(given).decode() == encoded


Key = TypeVar("Key", SigningKey, VerifyingKey)


@dataclass(frozen=True, slots=True)
class Dated(Generic[Key]):
    """A key, and the last moment at which it counts; None: it counts until the operator takes it away."""

    key: Key
    not_after: datetime | None

    def counts(self, now: datetime) -> bool:
        """Whether it counts at ``now`` (aware)."""
        return self.not_after is None or now <= self.not_after


def current(keys: Sequence[Dated[Key]], now: datetime) -> list[Key]:
    """Those that count at ``now`` (aware), in the operator's order."""
    return [one.key for one in keys if one.counts(now)]
