"""The command line: the use cases of the service, at a shell; a module a command.

Exit status 0 when it is done, 1 where a command has found what it looks for, 2 when something that was given cannot be
used: then standard error has one line for each thing that is wrong.
"""

from __future__ import annotations

import argparse
import sys
from io import TextIOWrapper

from repairadvisor.cli import advise, deliveries, judge, outcomes, plugins, policy, replay, serve, tree, workmanship
from repairadvisor.cli.streams import REFUSED, open_what_was_closed, tell, tell_faults
from repairadvisor.errors import InputError, RepairAdvisorError
from repairadvisor.store.database import RecordsError

_EXAMPLES = """\
examples:
  repairadvisor advise place=pole_top fault_seen=hanging wind_gust_mps=20km/h spare_near_m=0.5..3
  repairadvisor advise --json --no-record fault.json
  repairadvisor serve --port 8765 --background

a value: pole_top | pole_top|aerial_span | 3 | 3m | 0.5..3 | n/a | 2031-05-04T07:30:00Z (quote | from the shell)
"""


def main(arguments: list[str] | None = None) -> int:
    """Run one command; the exit status."""
    open_what_was_closed()
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that cannot show µ shows ?
    given = _parser().parse_args(arguments)
    try:
        status: int = given.run(given)
    except InputError as error:
        tell_faults(error, as_json=given.json)
        return REFUSED
    except RecordsError as error:
        tell(error.slug, f"{error}; --no-record gives advice without keeping it", as_json=given.json)
        return REFUSED
    except RepairAdvisorError as error:
        tell(error.slug, str(error), as_json=given.json)
        return REFUSED
    return status


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="repairadvisor",
        description="Advice for crews who repair optical fibre.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for command in (advise, tree, replay, judge, outcomes, policy, workmanship, serve, deliveries, plugins):
        command.add_to(commands)
    return parser
