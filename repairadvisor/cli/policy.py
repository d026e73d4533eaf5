"""``repairadvisor policy``: look at the rules, prove claims about them, compare them; a module a command."""

from __future__ import annotations

from typing import Any

from repairadvisor.cli import policy_prove


def add_to(groups: Any) -> None:
    """Declare the group."""
    policy = groups.add_parser("policy", help="the rules: what holds of them, and what a change would do")
    commands = policy.add_subparsers(required=True, metavar="COMMAND")
    for command in (policy_prove,):
        command.add_to(commands)
