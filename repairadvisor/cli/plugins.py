"""``repairadvisor plugins check``: which plugins are installed and used, and whether they can be."""

from __future__ import annotations

import argparse
import os
from typing import Any

import orjson

from repairadvisor.cli.streams import DONE, output
from repairadvisor.plugin.loading import SEAMS, Installed, Plugins, installed, open_plugins
from repairadvisor.settings import PLUGINS, Settings

_SEAM_SAID = {"sources": "ticket source", "carriers": "note carrier", "facts": "facts source"}


def add_to(commands: Any) -> None:
    """Declare the command."""
    plugins = commands.add_parser("plugins", help="the plugins that are installed and used")
    what = plugins.add_subparsers(required=True, metavar="WHAT")
    check = what.add_parser("check", help=f"load all that are installed, and make those that {PLUGINS} names")
    check.add_argument("--json", action="store_true", help="print as JSON")
    check.set_defaults(run=_check)


def _check(given: argparse.Namespace) -> int:
    settings = Settings.from_environment(os.environ)
    there = installed()
    used = open_plugins(settings.plugins, os.environ)
    with output():
        if given.json:
            print(orjson.dumps(_plain(there, used)).decode())
        else:
            print("\n".join(_lines(there, used, settings.plugins)))
    return DONE


def _plain(there: tuple[Installed, ...], used: Plugins) -> dict[str, Any]:
    return {
        "installed": [{"seam": one.seam, "plugin": one.name, "distribution": one.distribution} for one in there],
        "sources": {name: {"notes": source.notes} for name, source in used.sources.items()},
        "carriers": list(used.carriers),
        "facts": {facts.name: {"budget_s": facts.budget_s} for facts in used.facts},
        "retry_after_s": list(used.retry_after_s),
        "check_after_s": used.check_after_s,
    }


def _lines(there: tuple[Installed, ...], used: Plugins, file: str) -> list[str]:
    lines = [f"{_SEAM_SAID[one.seam]}: {one.name} ({one.distribution})" for one in there]
    lines = lines or [f"no plugin is installed; they come by entry points: {', '.join(g for g, _ in SEAMS.values())}"]
    if not file:
        return [*lines, f"none is used: {PLUGINS} names no file"]
    lines += [f"used: source {name}, notes by {source.notes}" for name, source in used.sources.items()]
    lines += [
        f"used: carrier {name}, notes of up to {one.longest_note} characters" for name, one in used.carriers.items()
    ]
    lines += [f"used: facts {facts.name}, waited for {facts.budget_s:g} s" for facts in used.facts]
    waits = ", ".join(f"{wait:g}" for wait in used.retry_after_s)
    lines.append(f"an attempt that fails is made again after {waits} s" if waits else "no attempt is made twice")
    return lines
