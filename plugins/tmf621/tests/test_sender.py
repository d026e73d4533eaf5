"""Who is believed to be the other side, and what a token does not protect."""

from __future__ import annotations

import hashlib
import hmac
from datetime import UTC, datetime

import pytest
from conftest import KEY, TOKEN, source_of
from marshmallow import ValidationError
from repairadvisor_tmf621.sender import Sender

from repairadvisor.plugin import EventRefusedError, RawEvent

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
BODY = b'{"id": "LF-4471"}'
OLD = "listener-token-before-0123456789ab"


def with_token(token: str, body: bytes = BODY) -> RawEvent:
    return RawEvent({"authorization": f"Bearer {token}"}, body)


def signed(key: str, body: bytes = BODY, prefix: str = "") -> RawEvent:
    return RawEvent({"x-sum": prefix + hmac.new(key.encode(), body, hashlib.sha256).hexdigest()}, body)


@pytest.mark.parametrize("token", [TOKEN, OLD])
def test_each_accepted_token_is_accepted(token: str) -> None:
    """So it can be changed without a gap."""
    source = source_of(accepted_tokens=[TOKEN, OLD])
    assert source.authenticate(with_token(token), NOW) == f"sha256-{hashlib.sha256(BODY).hexdigest()}"


@pytest.mark.parametrize(
    "value",
    [
        "",
        TOKEN,  # without its scheme
        f"Basic {TOKEN}",
        "Bearer ",
        f"Bearer {TOKEN[:-1]}",
        f"Bearer {TOKEN}0",
        f"Bearer {TOKEN.upper()}",
        "Bearer \udcff",
        "Bearer ü",
    ],
)
def test_another_token_is_refused_and_not_repeated(value: str) -> None:
    source = source_of(accepted_tokens=[TOKEN])
    with pytest.raises(EventRefusedError) as refused:
        source.authenticate(RawEvent({"authorization": value}, BODY), NOW)
    assert TOKEN not in str(refused.value)
    assert value == "" or value not in str(refused.value)


def test_a_token_in_a_header_of_another_name_has_no_scheme() -> None:
    source = source_of(accepted_tokens=[TOKEN], token_header="X-Listener-Token")
    assert source.authenticate(RawEvent({"x-listener-token": TOKEN}, BODY), NOW)
    with pytest.raises(EventRefusedError):
        source.authenticate(with_token(TOKEN), NOW)


def test_a_token_does_not_protect_the_body() -> None:
    """Plainly: with a token alone, whoever has seen one event can send another, and it is believed.

    A signature is what protects against that (test_contracts.py); the README says so.
    """
    source = source_of(accepted_tokens=[TOKEN])
    assert source.authenticate(with_token(TOKEN, b'{"id": "forged"}'), NOW)


def test_a_token_does_not_protect_against_sending_again_but_the_key_is_the_same() -> None:
    """So it is the same event, also years later."""
    source = source_of(accepted_tokens=[TOKEN])
    later = NOW.replace(year=2035)
    assert source.authenticate(with_token(TOKEN), NOW) == source.authenticate(with_token(TOKEN), later)


def test_other_bodies_have_other_keys() -> None:
    source = source_of(accepted_tokens=[TOKEN])
    assert source.authenticate(with_token(TOKEN, b"a"), NOW) != source.authenticate(with_token(TOKEN, b"b"), NOW)


@pytest.mark.parametrize("prefix", ["", "sha256="])
def test_a_signature_with_any_accepted_secret_is_accepted(prefix: str) -> None:
    source = source_of(signature_header="X-Sum", signature_secrets=[KEY, OLD])
    assert source.authenticate(signed(OLD, prefix=prefix), NOW)


def test_the_sum_is_that_of_rfc_4231() -> None:
    """Test case 2 of RFC 4231 (vector from memory). Its key is shorter than settings allow, so the sender is made
    without them."""
    sender = Sender("authorization", [], "x-sum", ["Jefe"])
    right = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert sender.key_of(RawEvent({"x-sum": right}, b"what do ya want for nothing?"))


def test_where_both_are_set_up_both_must_hold() -> None:
    source = source_of(accepted_tokens=[TOKEN], signature_header="X-Sum", signature_secrets=[KEY])
    right = {**signed(KEY).headers, **with_token(TOKEN).headers}
    assert source.authenticate(RawEvent(right, BODY), NOW)
    for missing in right:
        with pytest.raises(EventRefusedError):
            source.authenticate(RawEvent({k: v for k, v in right.items() if k != missing}, BODY), NOW)


def test_a_source_that_is_only_polled_takes_nothing_over_http() -> None:
    source = source_of(url="https://tickets.example/v5", poll_every_s=60)
    for event in (RawEvent({}, b""), with_token(TOKEN), with_token("")):
        with pytest.raises(EventRefusedError, match="polled"):
            source.authenticate(event, NOW)


@pytest.mark.parametrize(
    "settings",
    [
        {"accepted_tokens": ["short"]},
        {"accepted_tokens": [""]},
        {"accepted_tokens": ["a" * 31]},
        {"accepted_tokens": ["a" * 31 + " "]},
        {"accepted_tokens": ["ü" * 40]},
        {"signature_secrets": ["short"], "signature_header": "x-sum"},
        {"signature_secrets": [KEY], "signature_header": "x sum"},
        {"accepted_tokens": [TOKEN], "token_header": ""},
    ],
)
def test_a_secret_that_is_none_is_refused_at_start(settings: dict[str, object]) -> None:
    with pytest.raises(ValidationError) as refused:
        source_of(**settings)
    assert "allowed" in str(refused.value)


@pytest.mark.parametrize("half", [{"signature_secrets": [KEY]}, {"signature_header": "x-sum"}])
def test_half_a_signature_is_refused_at_start(half: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="signature_header and signature_secrets") as refused:
        source_of(**{"accepted_tokens": [TOKEN], **half})
    assert KEY not in str(refused.value)


def test_secrets_stand_in_no_repr() -> None:
    source = source_of(accepted_tokens=[TOKEN], signature_header="x-sum", signature_secrets=[KEY])
    said = repr(source) + repr(source._sender)
    assert TOKEN not in said
    assert KEY not in said
