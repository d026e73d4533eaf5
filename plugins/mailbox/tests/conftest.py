"""A mail host of its own for each test that asks for one."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings
from mail_host import MailHost

# How long one example takes says nothing on a machine that has other work.
settings.register_profile("mailbox", deadline=None)
settings.load_profile("mailbox")


@pytest.fixture
def host() -> Iterator[MailHost]:
    """SMTP and IMAP on the loopback interface."""
    with MailHost() as made:
        yield made
