"""What is measured beside what, and which ratios are asked for."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cache

from flask import Flask

from repairadvisor.decision.method import advise
from repairadvisor.decision.screens import BARRED, CompiledRules, compile_rules, statuses
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.web.app import create_app

from .contexts import USUAL_PLACE, WIDEST_PLACES, Asked, all_known, first_call, known_jobs, method, told, with_turning
from .echoes import asking, bare_echo, stock_echo
from .interleaved import Timing, Work, children_time_ns, timed
from .json_logic import engine_ways, truths
from .start_up import advisor_process, bare_echo_process


@dataclass(frozen=True, slots=True)
class Goal:
    """A ratio that is asked for. ``times_faster`` turns it round: how many times faster than the anchor."""

    number: str
    asks: str
    fails: float
    aims: float
    times_faster: bool = False

    def ratio(self, ours: float, anchor: float) -> float:
        """Ours over the anchor's, or the other way round."""
        return anchor / ours if self.times_faster else ours / anchor

    def stands(self, ratio: float) -> str:
        """How a ratio stands to what is asked."""
        beyond, within = (
            (ratio < self.fails, ratio >= self.aims)
            if self.times_faster
            else (
                ratio > self.fails,
                ratio <= self.aims,
            )
        )
        return "missed" if beyond else "as aimed" if within else "between"


@dataclass(frozen=True, slots=True)
class Line:
    """One goal measured with one context: our time, the anchor's and what the anchor was."""

    goal: Goal
    with_what: str
    ours: Timing
    anchor: Timing
    anchor_name: str

    @property
    def p50_ratio(self) -> float:
        """The ratio of the medians."""
        return self.goal.ratio(self.ours.p50_us, self.anchor.p50_us)

    @property
    def p95_ratio(self) -> float:
        """The ratio of what 95 of 100 runs stay within."""
        return self.goal.ratio(self.ours.p95_us, self.anchor.p95_us)


ADVICE_OVER_BARE = Goal("1", "advice over a bare Flask and orjson echo of the same sizes", 1.8, 1.4)
ADVICE_OVER_STOCK = Goal("2", "the same advice over stock Flask's JSON echo", 1.0, 0.8)
WHOLE_OVER_BARE = Goal("3", "advice with questions and turning points over a bare echo of the same sizes", 2.5, 2.0)
FIRST_CALL_OVER_BARE = Goal("3b", "advice on three facts over a bare echo of the same sizes", 300.0, 60.0)
SCREENS = Goal("5", "screens of one context, times faster than a general engine", 5.0, 7.0, times_faster=True)
DECISION = Goal("6", "whole decision of one context over a general engine's screens alone", 1.0, 0.5)
START_UP = Goal("13", "policy read to first answer, in starts of a bare echo", 3.0, 1.5)


@cache
def advisor_app() -> Flask:
    """The application over the policy that ships, keeping nothing."""
    return create_app(Settings(database_url="sqlite:////not/opened.db"), Advisor(method(), None))


@cache
def screens_alone() -> CompiledRules:
    """The screens compiled without cautions, steps, kit, slots and controls: what the engine is given."""
    rules = method().rules
    named = [(f"screen {screen.id}", screen.bars_when) for screen in rules.screens]
    return compile_rules(named, rules.compiled.axes, rules.policy.derived)


def _over_echoes(goals: tuple[Goal, ...], asked: Asked, rounds: int, once: Collection[str] = ()) -> list[Line]:
    ask = asking(advisor_app(), asked.body)
    answer = ask()
    anchors: dict[str, Callable[[bytes], Flask]] = {"bare echo": bare_echo}
    if ADVICE_OVER_STOCK in goals:
        anchors["stock echo"] = stock_echo
    works: dict[str, Work] = {name: asking(make(answer), asked.body) for name, make in anchors.items()}
    times = timed({"ours": ask, **works}, rounds, once)
    sizes = f"{asked.name} ({len(asked.body) / 1000:.1f} kB in, {len(answer) / 1000:.1f} kB out)"
    return [Line(goal, sizes, times["ours"], times[name], name) for goal, name in zip(goals, works, strict=True)]


def advice(rounds: int) -> list[Line]:
    """Goals 1 and 2: known jobs as they are told, and with every fact known."""
    both = [make(job) for make in (told, all_known) for job in known_jobs()]
    return [line for one in both for line in _over_echoes((ADVICE_OVER_BARE, ADVICE_OVER_STOCK), one, rounds)]


def whole_advice(rounds: int) -> list[Line]:
    """Goal 3: known jobs as they are told, with all that would turn the answer."""
    few = max(1, rounds // 40)
    asked = [with_turning(told(job)) for job in known_jobs()]
    return [line for one in asked for line in _over_echoes((WHOLE_OVER_BARE,), one, few, once=("ours",))]


def first_calls(rounds: int) -> list[Line]:
    """Goal 3b at a place where little can be done."""
    return _over_echoes((FIRST_CALL_OVER_BARE,), first_call(USUAL_PLACE), max(1, rounds // 20), once=("ours",))


def widest_calls(rounds: int) -> list[Line]:
    """Goal 3b where the most plans are still open."""
    few = max(1, rounds // 40)
    calls = [first_call(place) for place in WIDEST_PLACES]
    return [line for one in calls for line in _over_echoes((FIRST_CALL_OVER_BARE,), one, few, once=("ours",))]


def screens(rounds: int) -> list[Line]:
    """Goals 5 and 6: contexts in which nothing is open, for the engine knows no third value."""
    lines = []
    for asked in map(all_known, known_jobs()):
        lines += _beside_engine(asked, screens_alone(), (SCREENS, DECISION), rounds)
    asked = all_known(known_jobs()[0])
    every = method().rules.compiled
    lines += _beside_engine(asked, every, (SCREENS,), rounds)
    return lines


def _beside_engine(asked: Asked, compiled: CompiledRules, goals: tuple[Goal, ...], rounds: int) -> list[Line]:
    ways = engine_ways(compiled, asked.context)
    refuse_other_answers(compiled, asked, ways)
    rules = method().rules
    works: dict[str, Work] = {
        "screens": lambda: statuses(compiled, asked.context),
        "decision": lambda: advise(asked.context, rules),
    }
    ours = {SCREENS: "screens", DECISION: "decision"}
    times = timed({**{ours[goal]: works[ours[goal]] for goal in goals}, **ways}, rounds)
    quickest = min(ways, key=lambda way: times[way].p50_us)
    what = f"{asked.name} ({len(compiled.conditions)} conditions)"
    return [Line(goal, what, times[ours[goal]], times[quickest], f"engine, {quickest}") for goal in goals]


def refuse_other_answers(compiled: CompiledRules, asked: Asked, ways: Mapping[str, Callable[[], object]]) -> None:
    """Raises ValueError where the engine does not answer every condition as we do: then nothing is compared."""
    ours = [status == BARRED for status in statuses(compiled, asked.context)]
    for way, answer in ways.items():
        if truths(answer()) != ours:
            raise ValueError(f"{asked.name}: the engine answers otherwise ({way})")


def start_up(rounds: int) -> list[Line]:
    """Goal 13: whole processes, from their start to their end."""
    asked = told(known_jobs()[0])
    works = {"ours": advisor_process(asked.body), "bare echo": bare_echo_process(asked.body)}
    times = timed(works, max(1, rounds // 20), once=works, clock=children_time_ns)
    return [Line(START_UP, "a fresh process each", times["ours"], times["bare echo"], "bare echo")]


#: Every benchmark by the name under which it can be asked for; each takes a number of rounds.
BENCHMARKS: dict[str, Callable[[int], list[Line]]] = {
    "advice": advice,
    "whole-advice": whole_advice,
    "first-calls": first_calls,
    "widest-calls": widest_calls,
    "screens": screens,
    "start-up": start_up,
}
