"""Tickets in and advice out as signed webhooks: Standard Webhooks 1.0.0 around CloudEvents 1.0.

:class:`WebhookSource` takes events about tickets, :class:`WebhookCarrier` sends notes as events. What stands on the
wire is in this distribution's README.
"""

from repairadvisor_webhook.carrier import WebhookCarrier
from repairadvisor_webhook.source import WebhookSource

__all__ = ["WebhookCarrier", "WebhookSource"]
