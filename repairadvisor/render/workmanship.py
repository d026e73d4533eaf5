"""Control charts as a table for a terminal, then what each signal says, and what none of them says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from repairadvisor.outcome.workmanship_charts import Chart, Workmanship
from repairadvisor.render.figures import fixed, number, quantity
from repairadvisor.render.sentences import one_line

_HEAD = ("", "", "joints", "last one", "more", "less", "signals", "last signal")
#: Columns that hold numbers.
_RIGHT = (2, 4, 5, 6)


def render(found: Workmanship, since: datetime) -> str:
    """All charts; those that signalled last stand first."""
    joints, attempts = quantity(found.joints, "joints"), quantity(found.attempts, "attempts")
    lines = [
        f"{joints} in {attempts} made since {since.date().isoformat()}, in {len(found.charts)} charts.",
        f"A sum that passes {number(found.interval)} signals; of each score {number(found.allowance)} is allowed for.",
    ]
    if found.charts:
        lines += ["", *_table([_HEAD, *(_row(chart) for chart in found.charts)])]
    for chart in found.charts:
        lines += _signals(chart)
    lines += ["", "What a chart does not say", *(f"  {one_line(text)}" for text in found.does_not_say)]
    lines += _not_counted(found)
    return "\n".join(lines) + "\n"


def _row(chart: Chart) -> tuple[str, ...]:
    last = chart.points[-1]
    signals = len(chart.signals) + chart.signals_before
    return (
        chart.kind,
        one_line(chart.id),
        str(chart.joints),
        chart.last.date().isoformat(),
        fixed(last.upper, 1),
        fixed(last.lower, 1),
        str(signals) if signals else "none",
        f"{chart.signals[-1].at.date().isoformat()}, {_side(chart)}" if signals else "",
    )


def _side(chart: Chart) -> str:
    return "more" if chart.signals[-1].side == "upper" else "less"


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(_HEAD))]
    for row in rows:
        cells = [one.rjust(widths[i]) if i in _RIGHT else one.ljust(widths[i]) for i, one in enumerate(row)]
        yield "  ".join(cells).rstrip()


def _signals(chart: Chart) -> Iterator[str]:
    if not chart.signals:
        return
    last = chart.signals[-1]
    yield ""
    yield f"{chart.kind} {one_line(chart.id)}"
    yield from (f"  {one_line(text)}" for text in (*last.said, *chart.said))
    yield f"  Usually: {one_line('; '.join(last.usually))}."
    before = len(chart.signals) - 1 + chart.signals_before
    if before:
        yield f"  {before} earlier {'signal' if before == 1 else 'signals'}."


def _not_counted(found: Workmanship) -> list[str]:
    lines = [f"  {count}: {why}" for why, count in found.left_out.items()]
    if found.unnamed:
        lines.append(f"  {found.unnamed}: in no chart, since nobody said by whom or with what they were made")
    return ["", "Not in it", *lines] if lines else []
