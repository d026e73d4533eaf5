"""How the operator writes secrets and keys down, and how they become keys.

Each is a text, or a table ``{ secret = "whsec_…", not_after = 2031-06-01T00:00:00Z }``. What is wrong with one is said
without saying it.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from marshmallow import ValidationError, fields, validate

from repairadvisor_webhook.keys import Dated, PrivateKey, PublicKey, SharedSecret, SigningKey, VerifyingKey

#: Length of a shared secret, bytes: Standard Webhooks 1.0.0, table in section "Signature scheme".
SHORTEST_SECRET_BYTES, LONGEST_SECRET_BYTES = 24, 64
ED25519_BYTES = 32
#: More than any rotation needs would only make forged events dear to refuse.
MOST_KEYS = 10

_WRITTEN = "each is a text, or a table of secret and not_after"
_MOMENT = "not_after is a moment with its zone, as 2031-06-01T00:00:00Z"


def _between(prefix: str, lengths: tuple[int, int], text: str) -> bytes:
    """The bytes behind ``prefix``. Raises :class:`ValidationError`."""
    try:
        raw = base64.b64decode(text.removeprefix(prefix), validate=True)
    except (binascii.Error, ValueError):  # ValueError: characters beyond ASCII
        raise ValidationError(f"what follows {prefix} is not base64") from None
    low, high = lengths
    if not low <= len(raw) <= high:
        allowed = f"{low} to {high}" if low != high else f"{low}"
        raise ValidationError(f"what follows {prefix} is {len(raw)} bytes long; allowed: {allowed} bytes")
    return raw


def _shared_secret(text: str) -> SharedSecret:
    return SharedSecret(_between("whsec_", (SHORTEST_SECRET_BYTES, LONGEST_SECRET_BYTES), text))


def _private_key(text: str) -> PrivateKey:
    return PrivateKey(_between("whsk_", (ED25519_BYTES, ED25519_BYTES), text))


def _public_key(text: str) -> PublicKey:
    return PublicKey(_between("whpk_", (ED25519_BYTES, ED25519_BYTES), text))


class _KeyField(fields.Field[Any]):
    """One key with its ``not_after``. ``kinds``: by prefix, what makes the key of it."""

    kinds: Mapping[str, Callable[[str], Any]]

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> Dated[Any]:
        table = {"secret": value} if isinstance(value, str) else value
        if not isinstance(table, dict) or not isinstance(table.get("secret"), str):
            raise ValidationError(_WRITTEN)
        if set(table) - {"secret", "not_after"}:
            raise ValidationError(_WRITTEN)
        return Dated(self._key(table["secret"]), _moment(table.get("not_after")))

    def _key(self, text: str) -> Any:
        for prefix, make in self.kinds.items():
            if text.startswith(prefix):
                return make(text)
        raise ValidationError(f"begins with none of {', '.join(self.kinds)}")


def _moment(raw: object) -> datetime | None:
    if raw is None:
        return None
    try:
        moment = raw if isinstance(raw, datetime) else datetime.fromisoformat(str(raw))
    except ValueError:
        raise ValidationError(_MOMENT) from None
    if moment.tzinfo is None:
        raise ValidationError(_MOMENT)
    return moment


class _VerifyingKeyField(_KeyField):
    kinds: Mapping[str, Callable[[str], VerifyingKey]] = {"whsec_": _shared_secret, "whpk_": _public_key}


class _SigningKeyField(_KeyField):
    kinds: Mapping[str, Callable[[str], SigningKey]] = {"whsec_": _shared_secret, "whsk_": _private_key}


def verifying_keys() -> fields.List[Any]:
    """The setting of what verifies: a list of :class:`~.keys.Dated` of :class:`~.keys.VerifyingKey`, 1 to 10."""
    return fields.List(_VerifyingKeyField(), required=True, validate=validate.Length(1, MOST_KEYS))


def signing_keys() -> fields.List[Any]:
    """The setting of what signs: a list of :class:`~.keys.Dated` of :class:`~.keys.SigningKey`, 1 to 10."""
    return fields.List(_SigningKeyField(), required=True, validate=validate.Length(1, MOST_KEYS))
