"""``repairadvisor policy``: look at the rules, prove claims of them, compare them with others; a module a command."""

from __future__ import annotations

from typing import Any

from repairadvisor.cli import policy_check


def add_to(commands: Any) -> None:
    """Declare the group."""
    policy = commands.add_parser("policy", help="the rules: what holds of them, and what a change would do")
    what = policy.add_subparsers(required=True, metavar="COMMAND")
    policy_check.add_to(what)
