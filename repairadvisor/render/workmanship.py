"""Control charts as a table for a terminal, then what each signal says, and what none of them says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from repairadvisor.outcome.workmanship_charts import Chart, Workmanship
from repairadvisor.render.figures import fixed, number, quantity
from repairadvisor.render.sentences import one_line
from repairadvisor.render.voice import Voice

#: Columns of the table; those that hold numbers.
_COLUMNS, _RIGHT = ("", "", "joints", "last", "upper", "lower", "signals", "last_signal"), (2, 4, 5, 6)


def render(found: Workmanship, since: datetime, voice: Voice) -> str:
    """All charts; those that signalled last stand first."""
    joints, attempts = quantity(voice, found.joints, "joints"), quantity(voice, found.attempts, "attempts")
    day, charts = since.date().isoformat(), len(found.charts)
    interval, allowance = number(voice, found.interval), number(voice, found.allowance)
    lines = [
        voice.say("workshop", "counted", joints=joints, attempts=attempts, since=day, charts=charts),
        voice.say("workshop", "signals_above", interval=interval, allowance=allowance),
    ]
    if found.charts:
        head = [name and voice.say("workshop", "column", name) for name in _COLUMNS]
        lines += ["", *_table([head, *(_row(chart, voice) for chart in found.charts)])]
    for chart in found.charts:
        lines += _signals(chart, voice)
    lines += ["", voice.say("workshop", "does_not_say"), *(f"  {one_line(text)}" for text in found.does_not_say)]
    lines += _not_counted(found, voice)
    return "\n".join(lines) + "\n"


def _row(chart: Chart, voice: Voice) -> tuple[str, ...]:
    last = chart.points[-1]
    signals = len(chart.signals) + chart.signals_before
    return (
        voice.named("workshop", "kind", chart.kind),
        one_line(chart.id),
        str(chart.joints),
        chart.last.date().isoformat(),
        fixed(voice, last.upper, 1),
        fixed(voice, last.lower, 1),
        str(signals) if signals else voice.say("workshop", "no_signal"),
        _last_signal(chart, voice),
    )


def _last_signal(chart: Chart, voice: Voice) -> str:
    if not chart.signals:
        return ""
    last = chart.signals[-1]
    side = voice.say("workshop", "side", last.side)
    return voice.say("workshop", "last_signal", day=last.at.date().isoformat(), side=side)


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(_COLUMNS))]
    for row in rows:
        cells = [one.rjust(widths[i]) if i in _RIGHT else one.ljust(widths[i]) for i, one in enumerate(row)]
        yield "  ".join(cells).rstrip()


def _signals(chart: Chart, voice: Voice) -> Iterator[str]:
    if not chart.signals:
        return
    last = chart.signals[-1]
    yield ""
    kind = voice.named("workshop", "kind", chart.kind)
    yield voice.say("workshop", "chart_of", kind=kind, id=one_line(chart.id))
    yield from (f"  {one_line(text)}" for text in (*last.said, *chart.said))
    causes = one_line(voice.say("workshop", "between_causes").join(last.usually))
    yield "  " + voice.say("workshop", "usually_short", causes=causes)
    before = len(chart.signals) - 1 + chart.signals_before
    if before == 1:
        yield "  " + voice.say("workshop", "earlier_one", n=before)
    elif before:
        yield "  " + voice.say("workshop", "earlier", n=before)


def _not_counted(found: Workmanship, voice: Voice) -> list[str]:
    lines = [voice.say("workshop", "why_left_out", n=count, why=why) for why, count in found.left_out.items()]
    if found.unnamed:
        lines.append(voice.say("workshop", "unnamed_said", n=found.unnamed))
    return ["", voice.say("workshop", "not_in_it"), *(f"  {line}" for line in lines)] if lines else []
