"""A control chart as lines of a picture: points for SVG, and the same in words for whoever does not see it.

Upper sums go up from the middle as a whole line, lower ones go down from it as a dashed one, each with the level at
which it signals: no meaning hangs on a colour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

from repairadvisor.outcome.control_chart import UPPER
from repairadvisor.outcome.workmanship_charts import Chart, Point
from repairadvisor.render.figures import fixed, number
from repairadvisor.render.voice import Voice

#: As wide as a telephone, so that its letters are as large there as those around it.
WIDE, HIGH = 360, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 30, 350, 18, 228
_ROOM = 1.15
#: What is written beside a signal needs so much room; a signal nearer to the one before it is marked alone.
_WORD_WIDE = 72.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A signal in the picture: where, and what is written beside it, "" where there is no room for it."""

    x: float
    y: float
    text: str
    text_y: float


@dataclass(frozen=True, slots=True)
class Picture:
    """All that is drawn: lines as points of SVG, heights of the middle and of both levels, marks, days at the ends.
    ``left`` and ``right`` are where lines begin and end. ``title`` and ``said`` tell it in words."""

    title: str
    said: str
    upper: str
    lower: str
    middle_y: float
    level_up_y: float
    level_down_y: float
    level: str
    marks: tuple[Mark, ...]
    first_day: str
    last_day: str
    left: int = _LEFT
    right: int = _RIGHT


def picture(chart: Chart, interval: float, voice: Voice) -> Picture:
    """The last joints of a chart; there is always one at least."""
    top = _ROOM * max([interval, *(max(one.upper, one.lower) for one in chart.points)])
    middle = 0.5 * (_TOP + _BOTTOM)
    scale = (middle - _TOP) / top

    def y(value: float) -> float:
        return round(middle - scale * value, 1)

    xs = _across(len(chart.points))
    marks = [_mark(x, y, one, voice) for x, one in zip(xs, chart.points, strict=True) if one.signal]
    return Picture(
        title=voice.say("workshop", "chart_title", kind=voice.named("workshop", "kind", chart.kind), id=chart.id),
        said=_in_words(chart, interval, voice),
        upper=_line(xs, [y(one.upper) for one in chart.points]),
        lower=_line(xs, [y(-one.lower) for one in chart.points]),
        middle_y=round(middle, 1),
        level_up_y=y(interval),
        level_down_y=y(-interval),
        level=number(voice, interval),
        marks=_with_room(marks),
        first_day=chart.points[0].at.date().isoformat(),
        last_day=chart.points[-1].at.date().isoformat(),
    )


def _across(count: int) -> list[float]:
    step = (_RIGHT - _LEFT) / max(count - 1, 1)
    return [round(_LEFT + step * i, 1) for i in range(count)]


def _line(xs: list[float], ys: list[float]) -> str:
    points = [f"{x:g},{y:g}" for x, y in zip(xs, ys, strict=True)]
    # one joint alone would be no line: it is drawn across
    return " ".join(points if len(points) > 1 else [points[0], f"{_RIGHT},{ys[0]:g}"])


def _mark(x: float, y: Callable[[float], float], one: Point, voice: Voice) -> Mark:
    up = one.signal == UPPER
    at = y(one.upper if up else -one.lower)
    return Mark(x, at, voice.say("workshop", "side", one.signal or ""), at - 8.0 if up else at + 18.0)


def _with_room(marks: list[Mark]) -> tuple[Mark, ...]:
    """The marks, of words that would stand in each other the first."""
    last = {True: -_WORD_WIDE, False: -_WORD_WIDE}
    found = []
    for one in marks:
        up = one.text_y < one.y
        if one.x - last[up] >= _WORD_WIDE:
            last[up] = one.x
            found.append(one)
        else:
            found.append(replace(one, text=""))
    return tuple(found)


def _in_words(chart: Chart, interval: float, voice: Voice) -> str:
    last = chart.points[-1]
    said = [
        voice.say("workshop", "last_joints", shown=len(chart.points), joints=chart.joints),
        voice.say("workshop", "stands_upper", sum=fixed(voice, last.upper, 1)),
        voice.say("workshop", "stands_lower", sum=fixed(voice, last.lower, 1)),
        voice.say("workshop", "either_signals", interval=number(voice, interval)),
    ]
    signalled = Counter((one.at.date().isoformat(), one.signal) for one in chart.points if one.signal)
    said += [_signalled(day, side == UPPER, times, voice) for (day, side), times in signalled.items()]
    return " ".join(said)


def _signalled(day: str, is_upper: bool, times: int, voice: Voice) -> str:
    if times == 1:
        if is_upper:
            return voice.say("workshop", "signalled_upper", day=day)
        return voice.say("workshop", "signalled_lower", day=day)
    if is_upper:
        return voice.say("workshop", "signalled_upper_often", day=day, n=times)
    return voice.say("workshop", "signalled_lower_often", day=day, n=times)
