"""``repairadvisor policy``: look at the rules, prove claims about them, compare them, learn from recorded joints."""

from __future__ import annotations

from typing import Any

from repairadvisor.cli import policy_check, policy_compare, policy_learn, policy_prove


def add_to(commands: Any) -> None:
    """Declare the group."""
    policy = commands.add_parser("policy", help="the rules: what holds of them, and what a change would do")
    inner = policy.add_subparsers(required=True, metavar="COMMAND")
    for command in (policy_check, policy_prove, policy_compare, policy_learn):
        command.add_to(inner)
