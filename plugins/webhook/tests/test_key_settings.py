"""Secrets and keys as the operator writes them: Standard Webhooks 1.0.0, table in section "Signature scheme"."""

import base64
from datetime import datetime

import pytest
from marshmallow import ValidationError
from repairadvisor_webhook import WebhookCarrier, WebhookSource
from webhook_sender import NOW, SECRET, a_source

PUBLIC = "whpk_" + base64.b64encode(b"p" * 32).decode()
VECTOR_PRIVATE = "whsk_" + base64.b64encode(b"k" * 32).decode()


class TestSettingsOfSecrets:
    @pytest.mark.parametrize("length", [24, 64])
    def test_lengths_of_the_specification(self, length):
        assert a_source(secrets=["whsec_" + base64.b64encode(b"s" * length).decode()])

    @pytest.mark.parametrize(
        ("secret", "said"),
        [
            ("whsec_" + base64.b64encode(b"s" * 23).decode(), "23 bytes"),
            ("whsec_" + base64.b64encode(b"s" * 65).decode(), "65 bytes"),
            ("whpk_" + base64.b64encode(b"s" * 31).decode(), "31 bytes"),
            ("whsec_not base64, and telling", "not base64"),
            ("whsec_é", "not base64"),
            ("telling", "begins with none"),
            (VECTOR_PRIVATE, "begins with none"),
            (5, "each is a text"),
            ({"secret": SECRET, "until": "telling"}, "each is a text"),
            ({"not_after": NOW}, "each is a text"),
            ({"secret": SECRET, "not_after": "2031-05-04T07:30:00"}, "not_after"),
            ({"secret": SECRET, "not_after": datetime(2031, 5, 4)}, "not_after"),  # noqa: DTZ001
            ({"secret": SECRET, "not_after": "telling"}, "not_after"),
        ],
    )
    def test_others_are_refused_without_being_shown(self, secret, said):
        with pytest.raises(ValidationError) as why:
            WebhookSource.settings().load({"secrets": [secret]})
        assert said in str(why.value)
        assert "telling" not in str(why.value)
        assert SECRET not in str(why.value)

    def test_a_source_takes_no_private_key_and_a_carrier_no_public_one(self):
        for settings, secret in ((WebhookSource.settings, VECTOR_PRIVATE), (WebhookCarrier.settings, PUBLIC)):
            with pytest.raises(ValidationError):
                settings().load({"url": "https://a.example", "secrets": [secret]}, unknown="exclude")

    @pytest.mark.parametrize("secrets", [[], [SECRET] * 11, None])
    def test_one_to_ten(self, secrets):
        with pytest.raises(ValidationError):
            WebhookSource.settings().load({"secrets": secrets})

    def test_no_secret_shows_in_what_is_printed(self):
        loaded = WebhookSource.settings().load({"secrets": [SECRET, PUBLIC]})
        source = WebhookSource(**loaded)
        for printed in (repr(loaded), repr(source), repr(vars(source)), str(source)):
            assert SECRET.removeprefix("whsec_") not in printed
            assert "Lanternfield desk" not in printed
