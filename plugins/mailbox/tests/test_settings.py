"""What the operator may set."""

from __future__ import annotations

from typing import Any

import pytest
from mails import EXAMPLES, a_carrier, a_source, an_imap, an_smtp
from marshmallow import ValidationError
from repairadvisor_mailbox import MailboxCarrier, MailboxSource

from repairadvisor.errors import SettingsError
from repairadvisor.plugin.loading import open_plugins

SECRETS = {"MAILBOX_PASSWORD": "correct horse", "MAILBOX_SEAL": "a seal of sixteen characters"}


def test_the_example_file_is_loaded() -> None:
    """As the operator's own would be."""
    plugins = open_plugins(str(EXAMPLES / "plugins.toml"), SECRETS)
    source, carrier = plugins.sources["desk"].source, plugins.carriers["desk"]
    assert isinstance(source, MailboxSource)
    assert isinstance(carrier, MailboxCarrier)
    assert source.poll_every_s == 30
    assert carrier.longest_note == 20_000
    assert [source._folder._server.port, carrier._smtp.port] == [993, 465]
    with pytest.raises(SettingsError, match="MAILBOX_SEAL"):
        open_plugins(str(EXAMPLES / "plugins.toml"), {"MAILBOX_PASSWORD": "x"})


def test_the_readme_shows_the_example_file() -> None:
    """Word for word."""
    assert (EXAMPLES / "plugins.toml").read_text() in (EXAMPLES.parent / "README.md").read_text()


def test_the_readme_names_every_setting() -> None:
    """With its default."""
    readme = (EXAMPLES.parent / "README.md").read_text()
    for schema in (MailboxSource.settings, MailboxCarrier.settings):
        for name, setting in schema().fields.items():
            assert f"| `{name}`" in readme, name
            for inner in getattr(getattr(setting, "schema", None), "fields", ()):
                assert f"| `{name}.{inner}`" in readme or f"| `….{inner}`" in readme, inner


@pytest.mark.parametrize(("security", "imap", "smtp"), [("tls", 993, 465), ("starttls", 143, 587)])
def test_ports(security: str, imap: int, smtp: int) -> None:
    """RFC 8314, sections 3.2 and 3.3, and RFC 6409: from memory."""
    line = {"security": security, "port": None}
    source, carrier = a_source(imap=an_imap() | line), a_carrier(smtp=an_smtp() | line)
    assert (source._folder._server.port, carrier._smtp.port) == (imap, smtp)


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"imap": an_imap(host="imap.example")}, "security"),
        ({"imap": an_imap(host="10.0.0.1")}, "security"),
        ({"imap": an_imap(security="ssl")}, "security"),
        ({"imap": an_imap(port=0)}, "port"),
        ({"imap": an_imap(host="a b")}, "host"),
        ({"imap": an_imap(user="a\r\nb")}, "user"),
        ({"imap": an_imap(folder="a\r\nb")}, "folder"),
        ({"imap": an_imap(timeout_s=0)}, "timeout_s"),
        ({"imap": an_imap(extra=1)}, "extra"),
        ({"domain": "a b"}, "domain"),
        ({"senders": []}, "senders"),
        ({"senders": ["desk"]}, "senders"),
        ({"senders": ["@"]}, "senders"),
        ({"senders": ["*@desk.example"]}, "senders"),
        ({"automatic_from": ["@desk.example"]}, "automatic_from"),
        ({"authserv_id": "a b"}, "authserv_id"),
        ({"trust_senders_unauthenticated": "yes"}, "trust_senders_unauthenticated"),
        ({"settle_by": "delete"}, "settle_by"),
        ({"poll_every_s": 1}, "poll_every_s"),
        ({"most_per_fetch": 0}, "most_per_fetch"),
        ({"largest_mail_bytes": 1}, "largest_mail_bytes"),
        ({"unknown": 1}, "unknown"),
    ],
)
def test_a_wrong_setting_of_the_source_is_named(changed: dict[str, Any], named: str) -> None:
    """And its value is not repeated: it may be a secret."""
    with pytest.raises(ValidationError) as refused:
        a_source(**changed)
    assert named in str(refused.value)
    assert "correct horse" not in str(refused.value)


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"smtp": an_smtp(host="smtp.example")}, "security"),
        ({"smtp": an_smtp(port="x")}, "port"),
        ({"from_address": "Advice <a@b.example>"}, "from_address"),
        ({"to": "a@b.example\r\nBcc: x@y.example"}, "to"),
        ({"to": "a@b.example\n"}, "to"),
        ({"copies_to": "x"}, "copies_to"),
        ({"longest_note": 499}, "longest_note"),
    ],
)
def test_a_wrong_setting_of_the_carrier_is_named(changed: dict[str, Any], named: str) -> None:
    """Likewise."""
    with pytest.raises(ValidationError) as refused:
        a_carrier(**changed)
    assert named in str(refused.value)


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"authserv_id": ""}, "trust_senders_unauthenticated"),
        ({"trust_senders_unauthenticated": True}, "one of the two"),
        ({"settle_by": "move"}, "done_folder"),
        ({"done_folder": "Done"}, "done_folder"),
        ({"settle_by": "move", "done_folder": "INBOX"}, "is the folder that is read"),
        ({"reference_pattern": "("}, "reference_pattern: is no regular expression"),
        ({"reference_pattern": "T-[0-9]+"}, "has 0 groups"),
    ],
)
def test_settings_of_the_source_that_do_not_go_together(changed: dict[str, Any], named: str) -> None:
    """The start is refused."""
    with pytest.raises(ValueError, match=named):
        a_source(**changed)


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"copies_to": ""}, "all three or none"),
        ({"imap": None}, "all three or none"),
        ({"seal": ""}, "all three or none"),
        ({"seal": "short"}, "16 to 500"),
        ({"copies_to": "Tickets@desk.example"}, "whom the notes are for"),
        ({"smtp": an_smtp(user="a")}, "go together"),
    ],
)
def test_settings_of_the_carrier_that_do_not_go_together(changed: dict[str, Any], named: str) -> None:
    """Likewise."""
    with pytest.raises(ValueError, match=named):
        a_carrier(9, 9, **changed)
