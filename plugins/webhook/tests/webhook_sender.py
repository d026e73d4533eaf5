"""The other side as a sender: signs with ``hmac`` of the standard library, not with what the plugin signs with."""

import base64
import hashlib
import hmac
import json
from datetime import UTC, datetime

from repairadvisor_webhook import WebhookCarrier, WebhookSource

from repairadvisor.plugin import RawEvent

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
STAMP = int(NOW.timestamp())
SECRET = "whsec_" + base64.b64encode(b"Lanternfield desk, 24 b.").decode()
OTHER_SECRET = "whsec_" + base64.b64encode(b"another secret, also of 32 bytes").decode()


def a_source(**settings):
    given = {"secrets": [SECRET], **settings}
    return WebhookSource(**WebhookSource.settings().load(given))


def a_carrier(url, **settings):
    given = {"url": url, "secrets": [SECRET], **settings}
    return WebhookCarrier(**WebhookCarrier.settings().load(given))


def v1(secret, message_id, stamp, body):
    """HMAC-SHA256 over id.timestamp.body: Standard Webhooks 1.0.0, section "Signature scheme"."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    content = b".".join([message_id.encode(), str(stamp).encode(), body])
    return "v1," + base64.b64encode(hmac.new(key, content, hashlib.sha256).digest()).decode()


def signed(body, message_id="msg_4471", stamp=STAMP, secrets=(SECRET,), **headers):
    signatures = " ".join(v1(secret, message_id, stamp, body) for secret in secrets)
    own = {"webhook-id": message_id, "webhook-timestamp": str(stamp), "webhook-signature": signatures}
    return RawEvent({"content-type": "application/cloudevents+json", **own, **headers}, body)


def with_header(event, name, value):
    return RawEvent({**event.headers, name: value}, event.body)


def without_header(event, name):
    return RawEvent({one: value for one, value in event.headers.items() if one != name}, event.body)


def data_of_ticket(**changes):
    data = {"ticket": "LF-4471", "sequence": 7, "facts": {"place": "footway_chamber"}, **changes}
    return {name: value for name, value in data.items() if value is not ...}


def envelope(data, event_type="ticket.changed", **attributes):
    whole = {
        "specversion": "1.0",
        "id": "LF-4471-7",
        "source": "/desk",
        "type": event_type,
        **attributes,
        "data": data,
    }
    return {name: value for name, value in whole.items() if value is not ...}


def event_of(data, event_type="ticket.changed", **attributes):
    return signed(json.dumps(envelope(data, event_type, **attributes)).encode())


def binary_event(data, **headers):
    own = {
        "content-type": "application/json",
        "ce-specversion": "1.0",
        "ce-id": "LF-4471-7",
        "ce-source": "/desk",
        "ce-type": "ticket.changed",
        **headers,
    }
    body = data if isinstance(data, bytes) else json.dumps(data).encode()
    event = signed(body)
    return RawEvent({**event.headers, **{name: value for name, value in own.items() if value is not ...}}, body)
