"""``repairadvisor policy check``: what is wrong with the rules, and which plans never win."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

import orjson

from repairadvisor.cli.streams import DONE, output
from repairadvisor.decision.drawn_contexts import known_throughout
from repairadvisor.decision.policy_check import MOST_WEIGHED, check
from repairadvisor.methods import policy_in_folder, prepared_method, prepared_under
from repairadvisor.policy_change import DRAWN_AT
from repairadvisor.render import policy_check as rendered
from repairadvisor.settings import cache_folder, overlay_folder, policy_folder

FOUND = 1
#: Contexts that are drawn: the same every time, so that two runs can be compared.
DRAWN = 100


def add_to(commands: Any) -> None:
    """Declare the command."""
    command = commands.add_parser(
        "check",
        help="rules that are dead, doubled or missing, and plans that never win",
        description="Exit status 0 when nothing is found, 1 when something is, 2 when the policy cannot be read.",
    )
    command.add_argument("folder", nargs="?", metavar="FOLDER", help="the policy's files; left out: the one in force")
    command.add_argument(
        "--weighed",
        type=int,
        default=MOST_WEIGHED,
        metavar="COUNT",
        help=f"contexts weighed at most in the search for plans that win; 0 leaves it out (default: {MOST_WEIGHED})",
    )
    command.add_argument("--json", action="store_true", help="print as JSON")
    command.set_defaults(run=_check)


def _check(given: argparse.Namespace) -> int:
    cache = cache_folder(os.environ)
    method = (
        prepared_method(cache, overlay=policy_folder(os.environ))
        if given.folder is None
        else prepared_under(policy_in_folder(overlay_folder(given.folder)), cache)
    )
    contexts = known_throughout(method.policy, DRAWN_AT, DRAWN) if given.weighed > 0 else ()
    found = check(method.rules, contexts, given.weighed, _tell_progress)
    with output():
        if given.json:
            print(orjson.dumps(rendered.plain(found)).decode())
        else:
            print(rendered.render(found), end="")
    return DONE if found.clean else FOUND


def _tell_progress(weighed: int, most: int) -> None:
    if weighed % 100 == 0:
        print(f"looking for plans that win: {weighed} of at most {most} contexts weighed", file=sys.stderr)
