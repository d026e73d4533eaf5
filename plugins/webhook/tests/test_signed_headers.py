"""Standard Webhooks 1.0.0, section "Verifying webhook authenticity", against the specification's own numbers and
against HMAC computed by the standard library (``webhook_sender.v1``)."""

import base64
import time
from datetime import UTC, datetime, timedelta

import pytest
import standardwebhooks
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_webhook import WebhookCarrier
from repairadvisor_webhook.keys import PrivateKey, SharedSecret
from repairadvisor_webhook.signed_headers import signed_headers
from webhook_sender import (
    NOW,
    OTHER_SECRET,
    SECRET,
    STAMP,
    a_source,
    data_of_ticket,
    event_of,
    signed,
    v1,
    with_header,
    without_header,
)

from repairadvisor.plugin import EventRefusedError, RawEvent

# The vector that the specification's own libraries hold in their tests, alike in each: of Python in
# libraries/python/tests/test_webhooks.py, ``test_sign_function``.
VECTOR_SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
VECTOR_ID, VECTOR_STAMP, VECTOR_BODY = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}'
VECTOR_V1 = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
# And of ed25519 in libraries/go/webhook_asymmetric_test.go, ``TestAsymmetricWebhookSign``: same id, time and body.
VECTOR_PRIVATE = "whsk_VEVTVFNJR05JTkdLRVlET05PVFVTRVRISVNGT1JBTlk="
VECTOR_V1A = "v1a,tQ9V2XOqn7jL/DQenEFpqIugdBVtiMmER5mhSkXBNwM0mkATuDe6KYYUuxqtaiHeYGb7KaaBRdM5WqyeFiL8Ag=="

PRIVATE_BYTES = base64.b64decode(VECTOR_PRIVATE.removeprefix("whsk_"))
PUBLIC = (
    "whpk_"
    + base64.b64encode(Ed25519PrivateKey.from_private_bytes(PRIVATE_BYTES).public_key().public_bytes_raw()).decode()
)

BODY = b'{"ticket":"LF-4471"}'


def vector_event(signature):
    headers = {"webhook-id": VECTOR_ID, "webhook-timestamp": str(VECTOR_STAMP), "webhook-signature": signature}
    return RawEvent(headers, VECTOR_BODY)


def refused(source, event, now=NOW):
    with pytest.raises(EventRefusedError) as why:
        source.authenticate(event, now)
    return str(why.value)


class TestPublishedVectors:
    at = datetime.fromtimestamp(VECTOR_STAMP, UTC)

    def test_the_vector_is_hmac_sha256(self):
        assert v1(VECTOR_SECRET, VECTOR_ID, VECTOR_STAMP, VECTOR_BODY) == VECTOR_V1

    @pytest.mark.parametrize(("secret", "signature"), [(VECTOR_SECRET, VECTOR_V1), (PUBLIC, VECTOR_V1A)])
    def test_it_verifies(self, secret, signature):
        assert a_source(secrets=[secret]).authenticate(vector_event(signature), self.at) == VECTOR_ID

    @pytest.mark.parametrize(("secret", "signature"), [(VECTOR_SECRET, VECTOR_V1), (VECTOR_PRIVATE, VECTOR_V1A)])
    def test_it_is_signed(self, secret, signature):
        keys = [
            one.key
            for one in WebhookCarrier.settings().load({"url": "https://a.example", "secrets": [secret]})["secrets"]
        ]
        headers = signed_headers(VECTOR_ID, VECTOR_BODY, keys, self.at)
        assert headers == dict(vector_event(signature).headers)

    def test_the_list_of_their_test_of_several_signatures(self):
        """libraries/python/tests/test_webhooks.py, ``test_multi_sig_payload_is_valid``: foreign ones do no harm."""
        foreign = "Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc="
        listed = f"v1,{foreign} v2,{foreign} {VECTOR_V1} v1,{foreign}"
        assert a_source(secrets=[VECTOR_SECRET]).authenticate(vector_event(listed), self.at) == VECTOR_ID

    @pytest.mark.parametrize(
        "signature", ["v1,", "v1", "", " ", "v1,dawfeoifkpqwoekfpqoekf", VECTOR_V1[:8], VECTOR_V1[3:]]
    )
    def test_their_partial_signatures_are_refused(self, signature):
        """libraries/javascript/src/webhook.test.ts, "partial signature" and "invalid signature"."""
        assert "webhook-signature" in refused(a_source(secrets=[VECTOR_SECRET]), vector_event(signature), self.at)

    def test_the_header_example_of_the_specification_is_read_as_two_signatures(self):
        """Section "Webhook headers": its keys are not published, so it can only be refused, for that reason."""
        example = (
            "v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4= "
            "v1a,hnO3f9T8Ytu9HwrXslvumlUpqtNVqkhqw/enGzPCXe5BdqzCInXqYXFymVJaA7AZdpXwVLPo3mNl8EM+m7TBAg=="
        )
        why = refused(a_source(secrets=[VECTOR_SECRET, PUBLIC]), vector_event(example), self.at)
        assert "no signature of a secret that counts" in why


class TestAgainstTheLibrary:
    """``standardwebhooks`` 1.1.0 as a whole, by its own clock."""

    @given(st.text(st.characters(codec="utf-8"), max_size=200))
    def test_it_accepts_what_is_sent(self, text):
        now, body = datetime.now(UTC), text.encode()
        key = base64.b64decode(SECRET.removeprefix("whsec_"))
        headers = signed_headers("msg_1", body, [SharedSecret(key)], now)
        standardwebhooks.Webhook(SECRET).verify(body, headers, json_parse=False)

    @given(st.text(st.characters(codec="utf-8"), max_size=200), st.integers(1, 9_999_999_999))
    def test_what_it_signs_is_accepted(self, text, stamp):
        at = datetime.fromtimestamp(stamp, UTC)
        signature = standardwebhooks.Webhook(SECRET).sign("msg_1", at, text)
        headers = {"webhook-id": "msg_1", "webhook-timestamp": str(stamp), "webhook-signature": signature}
        assert a_source().authenticate(RawEvent(headers, text.encode()), at) == "msg_1"

    def test_why_it_does_not_verify_here(self):
        """It takes a second spelling of a time, which is another ``webhook-timestamp`` under the same signature."""
        stamp = int(time.time())
        headers = dict(signed(BODY, stamp=stamp).headers)
        headers["webhook-timestamp"] = f"{stamp}.0"
        standardwebhooks.Webhook(SECRET).verify(BODY, headers)
        refused(a_source(), RawEvent(headers, BODY), datetime.fromtimestamp(stamp, UTC))


def test_what_the_carrier_signs_its_source_accepts_by_both_schemes():
    keys = [SharedSecret(base64.b64decode(SECRET.removeprefix("whsec_"))), PrivateKey(PRIVATE_BYTES)]
    headers = signed_headers("msg_1", BODY, keys, NOW)
    assert len(headers["webhook-signature"].split(" ")) == 2
    for secret in (SECRET, PUBLIC):
        assert a_source(secrets=[secret]).authenticate(RawEvent(headers, BODY), NOW) == "msg_1"


class TestWindow:
    @pytest.mark.parametrize("off", [0, 299, 300, -300])
    def test_within_it_both_edges_included(self, off):
        assert a_source().authenticate(signed(BODY, stamp=STAMP + off), NOW)

    @pytest.mark.parametrize(
        ("off", "side"), [(301, "after"), (-301, "before"), (10**9, "after"), (-STAMP + 1, "before")]
    )
    def test_outside_it_is_refused_and_says_how_far(self, off, side):
        why = refused(a_source(), signed(BODY, stamp=STAMP + off))
        assert f"{abs(off)} s {side} now" in why
        assert "300 s" in why

    def test_the_edges_to_the_microsecond(self):
        event, source, least = signed(BODY), a_source(replay_window_s=60), timedelta(microseconds=1)
        for edge in (NOW - timedelta(seconds=60), NOW + timedelta(seconds=60)):
            assert source.authenticate(event, edge)
        refused(source, event, NOW - timedelta(seconds=60) - least)
        refused(source, event, NOW + timedelta(seconds=60) + least)

    @given(st.integers(-7200, 7200), st.integers(1, 3600))
    def test_it_is_the_window_and_nothing_else(self, off, window):
        event = signed(BODY, stamp=STAMP + off)
        source = a_source(replay_window_s=window)
        if abs(off) <= window:
            assert source.authenticate(event, NOW)
        else:
            refused(source, event)

    def test_a_replay_within_it_has_the_same_key(self):
        """So that whoever keeps keys does nothing twice; outside it is refused by itself."""
        source, event = a_source(), signed(BODY)
        assert source.authenticate(event, NOW) == source.authenticate(event, NOW + timedelta(seconds=299)) == "msg_4471"
        refused(source, event, NOW + timedelta(seconds=301))

    def test_a_retry_has_a_new_time_and_the_same_key(self):
        source = a_source()
        first, again = signed(BODY), signed(BODY, stamp=STAMP + 5)
        assert first.headers["webhook-signature"] != again.headers["webhook-signature"]
        assert source.authenticate(first, NOW) == source.authenticate(again, NOW + timedelta(seconds=5))

    @pytest.mark.parametrize("now", [NOW.astimezone(UTC), NOW.astimezone()])
    def test_any_zone_of_now_will_do(self, now):
        assert a_source().authenticate(signed(BODY), now)


class TestIds:
    @pytest.mark.parametrize("one", ["a", "msg_1", "a" * 150, "~!-/:@[`{", "0123456789ab-advice-1-1-1"])
    def test_these_are_keys(self, one):
        assert a_source().authenticate(signed(BODY, one), NOW) == one

    @pytest.mark.parametrize(
        "one", ["msg.1", ".", "a" * 151, "a b", "a\n", "a\r\nb", "a\tb", "a\x00", "a\x7f", "é", "\ud800"]
    )
    def test_these_are_refused_however_well_signed(self, one):
        event = signed(BODY)
        correct = "" if one == "\ud800" else v1(SECRET, one, STAMP, BODY)
        forged = RawEvent({**event.headers, "webhook-id": one, "webhook-signature": correct or "v1,AAAA"}, BODY)
        assert refused(a_source(), forged).startswith("webhook-id is not allowed")

    def test_a_full_stop_would_let_id_and_body_trade_places(self):
        """The attack for which the specification forbids it: one signed content, two readings."""
        body = b"1.{}"
        genuine = signed(body, "msg", STAMP)
        shifted = RawEvent({**genuine.headers, "webhook-id": f"msg.{STAMP}", "webhook-timestamp": "1"}, b"{}")
        assert b".".join([b"msg", str(STAMP).encode(), body]) == b".".join([f"msg.{STAMP}".encode(), b"1", b"{}"])
        refused(a_source(), shifted, datetime.fromtimestamp(1, UTC))


@pytest.mark.parametrize(
    "stamp", ["", "-1", "+5", "0", f"0{STAMP}", f"{STAMP}.0", f" {STAMP}", "١٢", "1e9", "9" * 13, "now"]
)
def test_a_timestamp_has_one_spelling(stamp):
    assert "webhook-timestamp" in refused(a_source(), with_header(signed(BODY), "webhook-timestamp", stamp))


@pytest.mark.parametrize("name", ["webhook-id", "webhook-timestamp", "webhook-signature"])
def test_each_header_is_needed(name):
    assert refused(a_source(), without_header(signed(BODY), name)) == f"{name} is missing"


def test_too_many_signatures_are_not_computed():
    genuine = signed(BODY).headers["webhook-signature"]
    assert a_source().authenticate(with_header(signed(BODY), "webhook-signature", " ".join([genuine] * 20)), NOW)
    assert "21 signatures" in refused(
        a_source(), with_header(signed(BODY), "webhook-signature", " ".join([genuine] * 21))
    )


def test_a_body_that_is_not_utf_8_is_refused_even_when_signed():
    assert "UTF-8" in refused(a_source(), signed(b"\xff\xfe"))


class TestForged:
    def test_another_secret(self):
        refused(a_source(), signed(BODY, secrets=[OTHER_SECRET]))

    def test_the_signature_of_another_event(self):
        other = signed(b'{"ticket":"LF-4472"}').headers["webhook-signature"]
        refused(a_source(), with_header(signed(BODY), "webhook-signature", other))

    def test_a_shared_secret_does_not_make_ed25519(self):
        """Nor does a public key, which anyone may know, make HMAC."""
        event = signed(BODY)
        relabelled = event.headers["webhook-signature"].replace("v1,", "v1a,")
        refused(a_source(secrets=[PUBLIC]), with_header(event, "webhook-signature", relabelled))
        by_public_bytes = v1("whsec_" + PUBLIC.removeprefix("whpk_"), "msg_4471", STAMP, BODY)
        refused(a_source(secrets=[PUBLIC]), with_header(event, "webhook-signature", by_public_bytes))

    def test_spare_bits_of_base64_are_no_second_spelling(self):
        """The last digit of 32 bytes in base64 has two bits that say nothing."""
        event = signed(BODY)
        genuine = event.headers["webhook-signature"]
        digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
        other = genuine[:-2] + digits[digits.index(genuine[-2]) ^ 1] + "="
        assert base64.b64decode(other[3:]) == base64.b64decode(genuine[3:])
        refused(a_source(), with_header(event, "webhook-signature", other))

    def test_nor_are_those_of_64_bytes(self):
        """Here it is four bits, and the signature itself would verify."""
        at = datetime.fromtimestamp(VECTOR_STAMP, UTC)
        assert VECTOR_V1A.endswith("g==")
        for last in "hijklmnopqrstuv":
            signature = f"{VECTOR_V1A[:-3]}{last}=="
            assert base64.b64decode(signature[4:]) == base64.b64decode(VECTOR_V1A[4:])
            refused(a_source(secrets=[PUBLIC]), vector_event(signature), at)

    def test_the_reason_tells_nothing(self):
        event = signed(b'{"ticket":"LF-4471, Pipit Court"}')
        for broken in (with_header(event, "webhook-signature", VECTOR_V1), RawEvent(event.headers, event.body + b" ")):
            why = refused(a_source(), broken)
            assert "LF-4471" not in why
            assert "\n" not in why
            for secret in (SECRET, SECRET.removeprefix("whsec_"), event.headers["webhook-signature"]):
                assert secret not in why


def _changed(text, at, sign):
    return text[: at % len(text)] + sign + text[at % len(text) + 1 :]


class TestAnySingleByte:
    """Whatever one byte becomes another, nothing is accepted: by both schemes."""

    body = event_of(data_of_ticket()).body

    def event(self, scheme):
        if scheme == "v1":
            return a_source(), signed(self.body)
        headers = signed_headers("msg_4471", self.body, [PrivateKey(PRIVATE_BYTES)], NOW)
        return a_source(secrets=[PUBLIC]), RawEvent(headers, self.body)

    @given(
        st.sampled_from(["v1", "v1a"]),
        st.sampled_from(["webhook-id", "webhook-timestamp", "webhook-signature"]),
        st.integers(0, 10**4),
        st.characters(min_codepoint=0, max_codepoint=255),
    )
    def test_of_a_header(self, scheme, name, at, sign):
        source, event = self.event(scheme)
        value = _changed(event.headers[name], at, sign)
        if value == event.headers[name]:
            assert source.authenticate(event, NOW)
        else:
            refused(source, with_header(event, name, value))

    @given(st.sampled_from(["v1", "v1a"]), st.integers(0, 10**4), st.integers(1, 255))
    def test_of_the_body(self, scheme, at, bits):
        source, event = self.event(scheme)
        at %= len(event.body)
        body = event.body[:at] + bytes([event.body[at] ^ bits]) + event.body[at + 1 :]
        refused(source, RawEvent(event.headers, body))

    @given(
        st.dictionaries(
            st.sampled_from(["webhook-id", "webhook-timestamp", "webhook-signature", "content-type"]),
            st.text(max_size=60) | st.sampled_from([str(STAMP), "msg_1", VECTOR_V1, VECTOR_V1A, "v1a,AA=="]),
        ),
        st.binary(max_size=60),
    )
    def test_whatever_comes_it_is_refused_and_nothing_else(self, headers, body):
        refused(a_source(secrets=[SECRET, PUBLIC]), RawEvent(headers, body))


class TestRotation:
    before = NOW - timedelta(seconds=1)

    def source(self, not_after):
        return a_source(secrets=[SECRET, {"secret": OTHER_SECRET, "not_after": not_after}])

    @pytest.mark.parametrize(
        "secrets", [[SECRET], [OTHER_SECRET], [SECRET, OTHER_SECRET], [OTHER_SECRET, VECTOR_SECRET]]
    )
    def test_any_that_counts_will_do(self, secrets):
        assert a_source(secrets=[SECRET, OTHER_SECRET]).authenticate(signed(BODY, secrets=secrets), NOW)

    def test_not_after_is_the_last_moment(self):
        old = signed(BODY, secrets=[OTHER_SECRET])
        assert self.source(NOW).authenticate(old, NOW)
        refused(self.source(NOW), old, NOW + timedelta(microseconds=1))
        refused(self.source(self.before), old)

    def test_the_other_secret_counts_on(self):
        assert self.source(self.before).authenticate(signed(BODY, secrets=[OTHER_SECRET, SECRET]), NOW)

    def test_an_old_timestamp_does_not_revive_a_secret(self):
        """The moment that counts is now, not what the sender says."""
        refused(self.source(self.before), signed(BODY, stamp=STAMP - 100, secrets=[OTHER_SECRET]))

    def test_with_none_left_nothing_is_taken(self):
        source = a_source(secrets=[{"secret": SECRET, "not_after": "2031-05-04T07:29:59Z"}])
        assert "not_after" in refused(source, signed(BODY))

    @pytest.mark.parametrize("written", ["2031-05-04T07:30:00Z", "2031-05-04T09:30:00+02:00", NOW])
    def test_a_moment_as_text_or_as_toml_has_it(self, written):
        old = signed(BODY, secrets=[OTHER_SECRET])
        assert self.source(written).authenticate(old, NOW)
        refused(self.source(written), old, NOW + timedelta(seconds=1))


@pytest.mark.parametrize("one", ["msg.1", "", "a" * 151, "a b"])
def test_nothing_goes_out_under_an_id_that_a_receiver_has_to_refuse(one):
    with pytest.raises(ValueError, match="no id of a webhook"):
        signed_headers(one, BODY, [], NOW)


def test_a_signed_event_goes_by_the_clock_it_is_given_not_by_the_machines():
    assert abs(time.time() - STAMP) > 3600
    assert a_source().authenticate(signed(BODY), NOW)
