"""``repairadvisor tree``: what to ask next for a fault, answer by answer, and the advice at the end of every way."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import UTC, datetime
from typing import Any

from repairadvisor.cli.advise import request_of
from repairadvisor.cli.streams import DONE, output
from repairadvisor.decision.fault_tree import DEEPEST
from repairadvisor.methods import prepared_method
from repairadvisor.render import fault_tree
from repairadvisor.schemas.fault_tree import tree_bytes
from repairadvisor.service import Advisor
from repairadvisor.settings import cache_folder, policy_folder, units_of


def add_to(commands: Any) -> None:
    """Declare the command."""
    tree = commands.add_parser("tree", help="the questions for a fault, answer by answer, down to advice")
    tree.add_argument("facts", nargs="+", metavar="FILE|-|NAME=VALUE", help="what is known, as for advise")
    tree.add_argument("--now", metavar="TIME", help="the moment the advice is for, ISO 8601 with its zone")
    tree.add_argument("--depth", type=int, choices=range(DEEPEST + 1), help="how many questions at most, one by one")
    tree.add_argument("--json", action="store_true", help="print questions and whole advice as JSON")
    tree.set_defaults(run=_tree)


def _tree(given: argparse.Namespace) -> int:
    request = request_of(given.facts)
    if given.now is not None:
        request["now"] = given.now
    if given.depth is not None:
        request["depth"] = given.depth
    method = prepared_method(cache_folder(os.environ), overlay=policy_folder(os.environ))
    advisor = Advisor(method, None, units_of(os.environ))
    found = advisor.tree(request, datetime.now(UTC))
    with output():
        if given.json:
            sys.stdout.buffer.write(tree_bytes(found) + b"\n")
        else:
            print(fault_tree.render(found, advisor.voice), end="")
    return DONE
