"""Tickets by mail: events out of an IMAP folder, notes by SMTP, for a desk whose ticket system only speaks mail."""

from repairadvisor_mailbox.carrier import MailboxCarrier
from repairadvisor_mailbox.source import MailboxSource

__all__ = ["MailboxCarrier", "MailboxSource"]
