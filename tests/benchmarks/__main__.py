"""Measures, and prints a table: python -m tests.benchmarks [--rounds N] [name ...]"""

from __future__ import annotations

import argparse
import os
import platform
from collections.abc import Sequence
from importlib.metadata import version

from .contexts import method
from .goals import BENCHMARKS, Line
from .intake import REPORTS as INTAKE_REPORTS
from .provers import provers

ROUNDS = 200
REPORTS = {**INTAKE_REPORTS, "provers": provers}
_NAMES = (*BENCHMARKS, *REPORTS)
_HEADS = ("goal", "with", "ours p50", "p95", "anchor", "p50", "p95", "ratio p50", "p95", "limit", "aim", "")


def main(given: Sequence[str] | None = None) -> None:
    """Measures what is named on the command line, or in ``given``, and prints the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="name", help=f"of {', '.join(_NAMES)}; none: all of them")
    parser.add_argument("--rounds", type=int, default=ROUNDS, help=f"rounds of the quick ones; {ROUNDS}")
    asked = parser.parse_args(given)
    strange = [name for name in asked.names if name not in _NAMES]
    if strange or asked.rounds < 1:
        parser.error(f"no such benchmark: {', '.join(strange)}" if strange else "rounds: at least 1")
    names = asked.names or _NAMES
    print(_machine(asked.rounds))
    if goals := [name for name in names if name in BENCHMARKS]:
        print(_policy())
        lines = [line for name in goals for line in BENCHMARKS[name](asked.rounds)]
        lines.sort(key=lambda line: (int(line.goal.number.rstrip("b")), line.goal.number))
        print(table(lines))
    for name in names:
        if name in REPORTS:
            print(f"\n{REPORTS[name](asked.rounds)}", flush=True)


def _machine(rounds: int) -> str:
    packages = ", ".join(f"{name} {version(name)}" for name in ("flask", "orjson", "datalogic-py"))
    load = ", ".join(f"{one:.2f}" for one in os.getloadavg())
    return (
        f"Python {platform.python_version()}, {packages}; {os.cpu_count()} cores, load {load}; {rounds} rounds.\n"
        "Ratios hold on this machine, in this run; times hold nowhere else."
    )


def _policy() -> str:
    rules = method().rules
    return (
        f"{len(rules.screens)} screens, {len(rules.compiled.conditions)} conditions, {len(rules.policy.plans)} plans. "
        "Microseconds of processor time.\n"
    )


def table(lines: Sequence[Line]) -> str:
    """The measured lines in columns, with what each goal asks under them."""
    rows = [_HEADS, *(_row(line) for line in lines)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(_HEADS))]
    shown = [
        "  ".join(_placed(cell, width, i) for i, (cell, width) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]
    goals = dict.fromkeys(line.goal for line in lines)
    return "\n".join([*shown, "", *(f"{goal.number:>3}  {goal.asks}" for goal in goals)])


def _row(line: Line) -> tuple[str, ...]:
    goal = line.goal
    beyond, within = ("<", ">=") if goal.times_faster else (">", "<=")
    return (
        goal.number,
        line.with_what,
        f"{line.ours.p50_us:,.0f}",
        f"{line.ours.p95_us:,.0f}",
        line.anchor_name,
        f"{line.anchor.p50_us:,.0f}",
        f"{line.anchor.p95_us:,.0f}",
        f"{line.p50_ratio:.2f}",
        f"{line.p95_ratio:.2f}",
        f"{beyond} {goal.fails:g}",
        f"{within} {goal.aims:g}",
        goal.stands(line.p50_ratio),
    )


def _placed(cell: str, width: int, column: int) -> str:
    texts = {_HEADS.index(name) for name in ("goal", "with", "anchor")}
    return cell.ljust(width) if column in texts else cell.rjust(width)


if __name__ == "__main__":
    main()
